/* Maps as JSON and as delimited text. The bulk is written number by number, without a tree in memory. */
#include "report_private.h"

#include <jansson.h>
#include <math.h>
#include <string.h>

static int append(const char *bytes, size_t n, void *user) {
    tw_text *out = user;
    tw_text_append(out, bytes, n);
    return out->status == TW_OK ? 0 : -1;
}

/* A string literal; bytes that are no UTF-8 become '?'. */
static void put_string(tw_text *out, const char *text) {
    char copy[600];
    (void)snprintf(copy, sizeof copy, "%s", text);
    const size_t n = strlen(copy);
    size_t bad = 0;
    for (size_t from = 0; from < n && !tw_utf8_valid(copy + from, n - from, &bad); from += bad + 1) {
        copy[from + bad] = '?';
    }
    json_t *value = json_stringn(copy, n);
    const bool written = value != NULL && json_dump_callback(value, append, out, JSON_ENCODE_ANY) == 0;
    json_decref(value);
    if (!written && out->status == TW_OK) {
        out->status = tw_fail(out->ctx, TW_NO_MEMORY, "report", "no memory for the JSON text");
    }
}

static void put_number(tw_text *out, double value) {
    char text[TW_NUMBER_TEXT];
    if (!isfinite(value)) {
        tw_text_add(out, "null");
        return;
    }
    const size_t n = tw_format_number(value, text);
    tw_text_append(out, text, n);
}

static void put_numbers(tw_text *out, const double *values, size_t n) {
    tw_text_add(out, "[");
    for (size_t k = 0; k < n && out->status == TW_OK; k++) {
        if (k > 0) {
            tw_text_add(out, k % 8 == 0 ? ",\n    " : ", ");
        }
        put_number(out, values[k]);
    }
    tw_text_add(out, "]");
}

static void put_physical(tw_text *out, double value, const char *unit) {
    if (!isfinite(value)) {
        tw_text_add(out, "null");
        return;
    }
    tw_text_add(out, "{\"value\": ");
    put_number(out, value);
    tw_text_addf(out, ", \"unit\": \"%s\"}", unit);
}

static void put_axes(const tw_map *map, tw_text *out) {
    tw_text_add(out, "  \"axes\": [");
    for (size_t a = 0; a < map->n_axes; a++) {
        const tw_map_axis *axis = &map->axes[a];
        tw_text_addf(
            out, "%s\n   {\"key\": \"%s\", \"label\": \"%s\", \"unit\": \"%s\", \"scale\": \"%s\", \"values\":\n    ",
            a > 0 ? "," : "", axis->key, axis->label, axis->unit, axis->logarithmic ? "logarithmic" : "linear");
        put_numbers(out, axis->values, axis->n);
        tw_text_add(out, "}");
    }
    tw_text_add(out, "],\n");
}

static void put_columns(const tw_map *map, tw_text *out) {
    const char *separator = "";
    tw_text_add(out, "  \"columns\": {");
    for (size_t k = 0; k < map->n_columns; k++) {
        const tw_map_column *c = &map->columns[k];
        if (c->asked) {
            tw_text_addf(out, "%s\n   \"%s\": {\"unit\": \"%s\", \"values\":\n    ", separator, c->key, c->unit);
            put_numbers(out, c->values, map->n_points);
            tw_text_add(out, "}");
            separator = ",";
        }
    }
    tw_text_add(out, "},\n  \"commutation\": [");
    for (size_t k = 0; k < map->n_points && out->status == TW_OK; k++) {
        tw_text_addf(out, "%s\"%s\"",
                     k == 0       ? ""
                     : k % 8 == 0 ? ",\n    "
                                  : ", ",
                     tw_commutation_word((tw_commutation)map->commutation[k]));
    }
    tw_text_add(out, "],\n");
}

static void put_line(const tw_map *map, tw_text *out) {
    const char *unit = map->axes[0].unit;
    tw_text_add(out, "  \"regions\": [");
    for (size_t k = 0; k < map->n_regions; k++) {
        const tw_plan_region *r = &map->regions[k];
        tw_text_addf(out, "%s\n   {\"commutation\": \"%s\", \"from\": ", k > 0 ? "," : "",
                     tw_commutation_word(r->verdict));
        put_physical(out, r->from, unit);
        tw_text_add(out, ", \"to\": ");
        put_physical(out, r->to, unit);
        tw_text_add(out, "}");
    }
    tw_text_add(out, "],\n  \"resonance\": ");
    put_physical(out, map->resonance_at, unit);
    tw_text_add(out, ",\n");
}

static void put_solution(const tw_map *map, const tw_map_solution *s, tw_text *out) {
    tw_text_add(out, "{\"at\": ");
    put_physical(out, s->at, map->axes[0].unit);
    tw_text_addf(out, ", \"side\": \"%s\", \"commutation\": \"%s\"", s->inductive ? "inductive" : "capacitive",
                 tw_commutation_word(s->commutation));
    for (size_t k = 0; k < s->n_fields; k++) {
        tw_text_addf(out, ",\n    \"%s\": ", s->fields[k].key);
        put_physical(out, s->fields[k].value.value, s->fields[k].unit);
    }
    tw_text_add(out, "}");
}

static void put_target(const tw_map *map, tw_text *out) {
    const char *unit = map->axes[0].unit, *wanted = map->target.unit;
    tw_text_addf(out, "  \"target\": {\"name\": \"%s\", \"wanted\": ", map->target.key);
    put_physical(out, map->target.value.value, wanted);
    tw_text_add(out, "},\n  \"reachable\": {\"least\": ");
    put_physical(out, map->least, wanted);
    tw_text_add(out, ", \"least_at\": ");
    put_physical(out, map->least_at, unit);
    tw_text_add(out, ", \"most\": ");
    put_physical(out, map->most, wanted);
    tw_text_add(out, ", \"most_at\": ");
    put_physical(out, map->most_at, unit);
    tw_text_add(out, "},\n  \"solutions\": [");
    for (size_t k = 0; k < map->n_solutions; k++) {
        tw_text_add(out, k > 0 ? ",\n   " : "\n   ");
        put_solution(map, &map->solutions[k], out);
    }
    tw_text_add(out, "],\n  \"recommended\": ");
    if (map->recommended < map->n_solutions) {
        put_solution(map, &map->solutions[map->recommended], out);
    } else {
        tw_text_add(out, "null");
    }
    tw_text_add(out, ",\n");
}

tw_status tw_report_json_map(tw_ctx *ctx, const tw_map *map, tw_text *out) {
    (void)ctx; /* the text carries its own */
    tw_text_add(out, "{\n  \"kind\": \"map\",\n  \"title\": ");
    put_string(out, map->title);
    tw_text_addf(out, ",\n  \"points\": %zu,\n", map->n_points);
    if (map->has_target) {
        put_target(map, out);
    }
    if (map->n_axes == 1) {
        put_line(map, out);
    }
    put_axes(map, out);
    put_columns(map, out);
    tw_text_add(out, "  \"warnings\": [");
    for (size_t k = 0; k < map->warnings.count; k++) {
        tw_text_add(out, k > 0 ? ",\n   {\"code\": " : "{\"code\": ");
        put_string(out, map->warnings.items[k].code);
        tw_text_add(out, ", \"message\": ");
        put_string(out, map->warnings.items[k].message);
        tw_text_add(out, "}");
    }
    tw_text_add(out, "]\n}\n");
    return out->status;
}

/* ---- delimited text --------------------------------------------------------------------------------- */

/* As "%.*g" with a point whatever the locale; nothing where the value is not finite. */
static void write_number(FILE *stream, double value, int digits) {
    char text[TW_NUMBER_TEXT];
    const int n = isfinite(value) ? snprintf(text, sizeof text, "%.*g", digits, value) : 0;
    for (int k = 0; k < n; k++) {
        text[k] = (char)(text[k] == ',' ? '.' : text[k]);
    }
    fwrite(text, 1, (size_t)n, stream);
}

static void write_names(const tw_map *map, FILE *stream) {
    for (size_t a = 0; a < map->n_axes; a++) {
        const tw_map_axis *axis = &map->axes[a];
        fprintf(stream, axis->unit[0] != '\0' ? "%s%s (%s)" : "%s%s", a > 0 ? "," : "", axis->key, axis->unit);
    }
    for (size_t k = 0; k < map->n_columns; k++) {
        const tw_map_column *c = &map->columns[k];
        if (c->asked) {
            fprintf(stream, c->unit[0] != '\0' ? ",%s (%s)" : ",%s", c->key, c->unit);
        }
    }
    fputs(",commutation\n", stream);
}

tw_status tw_report_write_map(tw_ctx *ctx, const tw_map *map, const char *path) {
    tw_output out;
    tw_status status = TW_OK;
    TW_TRY(tw_output_open(ctx, path, &out));
    write_names(map, out.stream);
    for (size_t row = 0; row < map->n_points && status == TW_OK && !ferror(out.stream); row++) {
        for (size_t a = 0; a < map->n_axes; a++) {
            const size_t index = a == 0 ? row % map->axes[0].n : row / map->axes[0].n;
            fputs(a > 0 ? "," : "", out.stream);
            write_number(out.stream, map->axes[a].values[index], 12);
        }
        for (size_t k = 0; k < map->n_columns; k++) {
            if (map->columns[k].asked) {
                fputc(',', out.stream);
                write_number(out.stream, map->columns[k].values[row], 9);
            }
        }
        fprintf(out.stream, ",%s\n", tw_commutation_word((tw_commutation)map->commutation[row]));
        if (row % 8192 == 8191) {
            status = tw_progress(ctx, (double)row / (double)map->n_points, "writing");
        }
    }
    if (status != TW_OK) {
        tw_output_abandon(&out);
        return status;
    }
    return tw_output_commit(ctx, &out);
}

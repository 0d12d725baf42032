/* Text for a terminal: maps. A look at the whole in a few rows; JSON and delimited text hold every point. */
#include "report_private.h"
#include "report_text_private.h"

#include <math.h>
#include <string.h>

enum { ROWS = 17, GRID_ROWS = 12, GRID_COLUMNS = 7, CELL = 12, TABLE_COLUMNS = 7, GRID_CELL = 11 };

/* The table's columns where none are asked for, with heads that fit a cell. */
static const struct {
    const char *key, *head[2];
} TABLE[] = {{"real_power", {"real", "power"}},
             {"coil_current_peak", {"coil", "peak"}},
             {"capacitor_voltage_peak", {"capacitor", "peak"}},
             {"turn_off_current", {"turn-off", "current"}},
             {"zero_crossing_margin", {"crossing", "margin"}},
             {"forced_commutation_energy", {"forced", "energy"}}};
#define N_TABLE (sizeof TABLE / sizeof TABLE[0])

static void put_cell(tw_text *out, double value, const char *unit, size_t width) {
    char text[TW_QUANTITY_TEXT];
    report__format_set(value, unit, text);
    report__text_pad(out, text, width);
}

/* Ends a line of cells without the blanks of the last one. */
static void end_cells(tw_text *out) {
    while (out->length > 0 && out->data[out->length - 1] == ' ') {
        tw_text_cut(out, out->length - 1);
    }
}

/* The k-th of `shown` numbers spread over 0 .. n - 1. */
static size_t spread(size_t k, size_t shown, size_t n) {
    return shown > 1 ? (size_t)((double)k * (double)(n - 1) / (double)(shown - 1) + 0.5) : 0;
}

static size_t fewer(size_t a, size_t b) {
    return a < b ? a : b;
}

static const char *verdict_of(const tw_map *map, size_t index) {
    return report__verdict_name((tw_commutation)map->commutation[index]);
}

static void put_head(const tw_map *map, tw_text *out) {
    char text[TW_QUANTITY_TEXT];
    tw_text_add(out, map->title[0] != '\0' ? map->title : "Untitled rig");
    tw_text_add(out, ", map\n");
    for (size_t a = 0; a < map->n_axes; a++) {
        const tw_map_axis *axis = &map->axes[a];
        report__text_pad(out, a == 0 ? "Along" : "and", 8);
        tw_text_add(out, axis->key);
        report__format_set(axis->values[0], axis->unit, text);
        tw_text_addf(out, axis->n > 1 ? " from %s" : " at %s", text);
        if (axis->n > 1) {
            report__format_set(axis->values[axis->n - 1], axis->unit, text);
            tw_text_addf(out, " to %s", text);
        }
        tw_text_addf(out, ", %zu point%s%s\n", axis->n, axis->n == 1 ? "" : "s",
                     axis->logarithmic ? ", logarithmic" : "");
    }
}

/* ---- what a target asks ----------------------------------------------------------------------------- */

static void put_answer(const tw_map *map, const tw_report_text_opts *opts, tw_text *out) {
    const tw_map_axis *axis = &map->axes[0];
    char want[TW_QUANTITY_TEXT], at[TW_QUANTITY_TEXT], line[3 * TW_QUANTITY_TEXT];
    report__format_set(map->target.value.value, map->target.unit, want);
    if (map->recommended < map->n_solutions) {
        const tw_map_solution *s = &map->solutions[map->recommended];
        report__format(tw_exactly(s->at), axis->unit, at);
        (void)snprintf(line, sizeof line, "%s = %.60s at %s %.60s: above resonance, %s", map->target.key, want,
                       axis->key, at, report__verdict_name(s->commutation));
        report__text_emphasis(out, opts, s->commutation == TW_COMMUTATION_FULL_ZVS ? REPORT_GOOD : REPORT_DOUBTFUL,
                              line);
    } else {
        (void)snprintf(line, sizeof line, "%s = %.60s is met below resonance only", map->target.key, want);
        report__text_emphasis(out, opts, REPORT_BAD, line);
    }
    tw_text_add(out, "\n");
}

static void put_reachable(const tw_map *map, const tw_report_text_opts *opts, tw_text *out) {
    const char *unit = map->axes[0].unit;
    char text[4][TW_QUANTITY_TEXT];
    report__format_set(map->least, map->target.unit, text[0]);
    report__format_set(map->least_at, unit, text[1]);
    report__format_set(map->most, map->target.unit, text[2]);
    report__format_set(map->most_at, unit, text[3]);
    report__text_title(out, opts, REPORT_BOLD, "Reach");
    tw_text_addf(out, "%s from %s (at %s) to %s (at %s)\n", map->target.key, text[0], text[1], text[2], text[3]);
}

static const tw_field *solution_field(const tw_map_solution *s, const char *key) {
    for (size_t k = 0; k < s->n_fields; k++) {
        if (strcmp(s->fields[k].key, key) == 0) {
            return &s->fields[k];
        }
    }
    return NULL;
}

/* ---- along one axis --------------------------------------------------------------------------------- */

static void put_regions(const tw_map *map, const tw_report_text_opts *opts, tw_text *out) {
    enum { MOST = 10 };
    const char *unit = map->axes[0].unit;
    char text[TW_QUANTITY_TEXT];
    for (size_t k = 0; k < map->n_regions && k < MOST; k++) {
        const tw_plan_region *r = &map->regions[k];
        report__text_title(out, opts, REPORT_BOLD, k == 0 ? "Edges" : "");
        report__text_pad(out, r->verdict == TW_COMMUTATION_UNKNOWN ? "no solution" : report__verdict_name(r->verdict),
                         14);
        report__format_set(r->from, unit, text);
        tw_text_addf(out, r->to > r->from ? "from %s" : "at %s", text);
        if (r->to > r->from) {
            report__format_set(r->to, unit, text);
            tw_text_addf(out, " to %s", text);
        }
        tw_text_add(out, "\n");
    }
    if (map->n_regions > MOST) {
        report__text_title(out, opts, REPORT_BOLD, "");
        tw_text_addf(out, "and %zu more stretches\n", map->n_regions - MOST);
    }
    if (isfinite(map->resonance_at)) {
        report__format_set(map->resonance_at, unit, text);
        report__text_title(out, opts, REPORT_BOLD, "");
        report__text_pad(out, "resonance", 14);
        tw_text_addf(out, "at %s\n", text);
    }
}

/* Two lines of heads, then a line under them. */
typedef struct table_column {
    const tw_map_column *column;
    const char *head[2];
} table_column;

static size_t choose_table(const tw_map *map, table_column *chosen) {
    size_t n_asked = 0, n = 0;
    for (size_t k = 0; k < map->n_columns; k++) {
        n_asked += map->columns[k].asked ? 1 : 0;
    }
    if (n_asked < TABLE_COLUMNS) {
        for (size_t k = 0; k < map->n_columns; k++) {
            if (map->columns[k].asked) {
                chosen[n++] = (table_column){&map->columns[k], {NULL, NULL}};
            }
        }
        return n;
    }
    for (size_t k = 0; k < N_TABLE; k++) {
        chosen[n++] = (table_column){tw_map_find_column(map, TABLE[k].key), {TABLE[k].head[0], TABLE[k].head[1]}};
    }
    return n;
}

/* A name in two lines, broken at the last "_" that lets the first fit; both are cut to a cell. */
static void put_heads(const tw_map *map, const table_column *chosen, size_t n, const tw_report_text_opts *opts,
                      tw_text *out) {
    char head[2][TABLE_COLUMNS + 1][CELL] = {{""}};
    for (size_t k = 0; k <= n; k++) {
        const char *first = k == 0 ? strrchr(map->axes[0].key, '.') + 1 : chosen[k - 1].column->key;
        const char *second = "";
        size_t cut = strlen(first);
        if (k > 0 && chosen[k - 1].head[0] != NULL) {
            first = chosen[k - 1].head[0];
            second = chosen[k - 1].head[1];
            cut = strlen(first);
        } else if (cut >= CELL) {
            for (size_t c = cut = 0; c < CELL - 1; c++) {
                cut = first[c] == '_' ? c + 1 : cut;
            }
            cut = cut > 0 ? cut : CELL - 1;
            second = first + cut;
        }
        memcpy(head[0][k], first, fewer(cut, CELL - 1));
        memcpy(head[1][k], second, fewer(strlen(second), CELL - 1));
    }
    for (size_t line = 0; line < 2; line++) {
        tw_text row;
        tw_text_init(out->ctx, &row, 1000);
        for (size_t k = 0; k <= n; k++) {
            report__text_pad(&row, head[line][k], CELL);
        }
        tw_text_add(&row, line == 0 ? "commutation" : "");
        end_cells(&row);
        report__text_emphasis(out, opts, REPORT_BOLD, tw_text_string(&row));
        tw_text_add(out, "\n");
        tw_text_dispose(&row);
    }
}

static void put_row(const tw_map *map, const table_column *chosen, size_t n, size_t index, tw_text *out) {
    put_cell(out, map->axes[0].values[index], map->axes[0].unit, CELL);
    for (size_t k = 0; k < n; k++) {
        put_cell(out, chosen[k].column->values[index], chosen[k].column->unit, CELL);
    }
    tw_text_addf(out, "%s\n", verdict_of(map, index));
}

static void put_solutions(const tw_map *map, const table_column *chosen, size_t n, tw_text *out) {
    for (size_t k = 0; k < map->n_solutions; k++) {
        const tw_map_solution *s = &map->solutions[k];
        put_cell(out, s->at, map->axes[0].unit, CELL);
        for (size_t c = 0; c < n; c++) {
            const tw_field *field = solution_field(s, chosen[c].column->key);
            put_cell(out, field != NULL ? field->value.value : (double)NAN, chosen[c].column->unit, CELL);
        }
        tw_text_addf(out, "%s%s\n", report__verdict_name(s->commutation),
                     k == map->recommended ? " <- take this"
                     : s->inductive        ? ""
                                           : ", below resonance");
    }
}

static void put_line(const tw_map *map, const tw_report_text_opts *opts, tw_text *out) {
    table_column chosen[TABLE_COLUMNS];
    const size_t n = choose_table(map, chosen), shown = fewer(map->axes[0].n, ROWS);
    put_regions(map, opts, out);
    if (map->has_target) {
        put_reachable(map, opts, out);
    }
    tw_text_add(out, "\n");
    put_heads(map, chosen, n, opts, out);
    if (map->has_target) {
        put_solutions(map, chosen, n, out);
        return;
    }
    for (size_t k = 0; k < shown; k++) {
        put_row(map, chosen, n, spread(k, shown, map->axes[0].n), out);
    }
}

/* ---- over two axes ---------------------------------------------------------------------------------- */

static char verdict_mark(tw_commutation verdict) {
    switch (verdict) {
    case TW_COMMUTATION_FULL_ZVS:
        return ' ';
    case TW_COMMUTATION_PARTIAL_ZVS:
        return 'p';
    case TW_COMMUTATION_REBOUND:
        return 'r';
    case TW_COMMUTATION_HARD:
        return 'h';
    case TW_COMMUTATION_UNKNOWN:
        break;
    }
    return '?';
}

/* The point with the most power among those with the verdict (unknown: any). */
static size_t most_power(const tw_map *map, const double *power, tw_commutation verdict) {
    size_t best = map->n_points;
    for (size_t k = 0; k < map->n_points; k++) {
        const bool counts = verdict == TW_COMMUTATION_UNKNOWN || map->commutation[k] == (unsigned char)verdict;
        if (counts && isfinite(power[k]) && (best == map->n_points || power[k] > power[best])) {
            best = k;
        }
    }
    return best;
}

static void put_best(const tw_map *map, const tw_map_column *power, tw_commutation verdict, const char *what,
                     const tw_report_text_opts *opts, tw_text *out) {
    const size_t best = most_power(map, power->values, verdict);
    char text[TW_QUANTITY_TEXT];
    if (best == map->n_points) {
        return;
    }
    report__text_title(out, opts, REPORT_BOLD, verdict == TW_COMMUTATION_UNKNOWN ? "Most" : "");
    report__format_set(power->values[best], power->unit, text);
    tw_text_addf(out, "%s %s at", what, text);
    for (size_t a = 0; a < map->n_axes; a++) {
        const size_t index = a == 0 ? best % map->axes[0].n : best / map->axes[0].n;
        report__format_set(map->axes[a].values[index], map->axes[a].unit, text);
        tw_text_addf(out, "%s %s %s", a > 0 ? "," : "", map->axes[a].key, text);
    }
    tw_text_add(out, "\n");
}

static void put_grid(const tw_map *map, const tw_report_text_opts *opts, tw_text *out) {
    const tw_map_column *power = tw_map_find_column(map, "real_power");
    const tw_map_axis *x = &map->axes[0], *y = &map->axes[1];
    const size_t n_x = fewer(x->n, GRID_COLUMNS), n_y = fewer(y->n, GRID_ROWS);
    put_best(map, power, TW_COMMUTATION_UNKNOWN, "real power", opts, out);
    put_best(map, power, TW_COMMUTATION_FULL_ZVS, "with full ZVS", opts, out);
    tw_text_addf(out, "\nReal power over %s (across) and %s (down)\n", x->key, y->key);
    report__text_pad(out, "", CELL);
    for (size_t i = 0; i < n_x; i++) {
        put_cell(out, x->values[spread(i, n_x, x->n)], x->unit, GRID_CELL);
    }
    end_cells(out);
    tw_text_add(out, "\n");
    for (size_t j = 0; j < n_y; j++) {
        const size_t row = spread(j, n_y, y->n);
        put_cell(out, y->values[row], y->unit, CELL);
        for (size_t i = 0; i < n_x; i++) {
            const size_t index = row * x->n + spread(i, n_x, x->n);
            char text[TW_QUANTITY_TEXT];
            report__format_set(power->values[index], power->unit, text);
            const size_t length = strlen(text);
            text[length] = ' ';
            text[length + 1] = verdict_mark((tw_commutation)map->commutation[index]);
            text[length + 2] = '\0';
            report__text_pad(out, text, GRID_CELL);
        }
        end_cells(out);
        tw_text_add(out, "\n");
    }
    tw_text_add(out, "h hard, p partial ZVS, r rebound, ? no solution, no letter: full ZVS\n");
}

tw_status tw_report_text_map(tw_ctx *ctx, const tw_map *map, const tw_report_text_opts *opts, tw_text *out) {
    (void)ctx; /* the text carries its own */
    if (map->has_target) {
        put_answer(map, opts, out);
    }
    put_head(map, out);
    if (map->n_axes == 1) {
        put_line(map, opts, out);
    } else {
        put_grid(map, opts, out);
    }
    if (map->warnings.count > 0) {
        tw_text_add(out, "\n");
    }
    report__text_warnings(out, &map->warnings, opts);
    return out->status;
}

/* Pieces of JSON that every record is made of. */
#include "report_json_private.h"

#include <math.h>
#include <string.h>

#include "tankwright/units.h"

/* 17 significant digits bring every double back. */
#define JSON_FLAGS (JSON_INDENT(2) | JSON_REAL_PRECISION(17))

json_t *tw_report__json_number(double value) {
    return isfinite(value) ? json_real(value) : json_null();
}

json_t *tw_report__json_physical(tw_value v, const char *unit) {
    if (!isfinite(v.value)) {
        return json_null();
    }
    json_t *object = json_pack("{s:f, s:s}", "value", v.value, "unit", unit);
    if (object != NULL && v.u > 0 && isfinite(v.u) &&
        json_object_set_new(object, "standard_uncertainty", json_real(v.u)) != 0) {
        json_decref(object);
        return NULL;
    }
    return object;
}

json_t *tw_report__json_text(tw_ctx *ctx, const char *text) {
    char *copy = tw_copy_string(ctx, text);
    if (copy == NULL) {
        return NULL;
    }
    const size_t n = strlen(copy);
    size_t bad = 0;
    for (size_t from = 0; from < n && !tw_utf8_valid(copy + from, n - from, &bad); from += bad + 1) {
        copy[from + bad] = '?';
    }
    json_t *value = json_stringn(copy, n);
    tw_free(copy);
    return value;
}

json_t *tw_report__json_numbers(const double *values, size_t n) {
    json_t *array = json_array();
    for (size_t k = 0; k < n; k++) {
        if (json_array_append_new(array, tw_report__json_number(values[k])) != 0) {
            json_decref(array);
            return NULL;
        }
    }
    return array;
}

json_t *tw_report__json_warnings(tw_ctx *ctx, const tw_warnings *warnings) {
    json_t *array = json_array();
    for (size_t k = 0; k < warnings->count; k++) {
        json_t *item = json_pack("{s:o, s:o}", "code", tw_report__json_text(ctx, warnings->items[k].code), "message",
                                 tw_report__json_text(ctx, warnings->items[k].message));
        if (json_array_append_new(array, item) != 0) {
            json_decref(array);
            return NULL;
        }
    }
    return array;
}

static int append(const char *bytes, size_t n, void *user) {
    tw_text *out = user;
    tw_text_append(out, bytes, n);
    return out->status == TW_OK ? 0 : -1;
}

tw_status tw_report__json_finish(tw_ctx *ctx, json_t *object, bool good, tw_text *out) {
    const size_t before = out->length;
    const bool written = good && object != NULL && json_dump_callback(object, append, out, JSON_FLAGS) == 0;
    json_decref(object);
    if (!written) {
        tw_text_cut(out, before);
        const tw_status earlier = out->status != TW_OK ? out->status : tw_ctx_error(ctx)->status;
        return earlier != TW_OK ? earlier : tw_fail(ctx, TW_NO_MEMORY, "report", "no memory for the JSON text");
    }
    tw_text_append(out, "\n", 1);
    return out->status;
}

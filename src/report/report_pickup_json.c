/* The pick-ups as JSON (docs/internals/report.md). */
#include "report_pickup_private.h"

#include <jansson.h>
#include <math.h>
#include <string.h>

#define JSON_FLAGS (JSON_INDENT(2) | JSON_REAL_PRECISION(17))

static json_t *number(double value) {
    return isfinite(value) ? json_real(value) : json_null();
}

static json_t *physical(tw_value v, const char *unit) {
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

static json_t *numbers(const double *values, size_t n) {
    json_t *array = json_array();
    for (size_t k = 0; k < n; k++) {
        if (json_array_append_new(array, number(values[k])) != 0) {
            json_decref(array);
            return NULL;
        }
    }
    return array;
}

typedef const char *sentence_fn(const tw_pickup_plan *plan, size_t index);

static json_t *sentences(const tw_pickup_plan *plan, sentence_fn *nth) {
    json_t *array = json_array();
    const char *text;
    for (size_t k = 0; (text = nth(plan, k)) != NULL; k++) {
        if (json_array_append_new(array, json_string(text)) != 0) {
            json_decref(array);
            return NULL;
        }
    }
    return array;
}

static json_t *burdens(const tw_pickup_plan *plan) {
    json_t *array = json_array();
    for (size_t k = 0; k < plan->n_burdens; k++) {
        const tw_burden_choice *b = &plan->burdens[k];
        json_t *one = json_pack("{s:s, s:o, s:o, s:o}", "series", b->series, "resistance",
                                physical(tw_exactly(b->resistance_ohm), "ohm"), "current_scale",
                                physical(tw_exactly(b->scale_v_per_a), "V/A"), "deviation",
                                physical(tw_exactly(b->deviation), ""));
        if (json_array_append_new(array, one) != 0) {
            json_decref(array);
            return NULL;
        }
    }
    return array;
}

static json_t *curves(const tw_pickup_plan *plan) {
    if (plan->n_points == 0) {
        return json_null();
    }
    return json_pack("{s:{s:s, s:o}, s:{s:s, s:o}, s:{s:s, s:o}}", "frequency", "unit", "Hz", "values",
                     numbers(plan->frequency_hz, plan->n_points), "ratio_error", "unit", "", "values",
                     numbers(plan->ratio_error, plan->n_points), "phase_error", "unit", "deg", "values",
                     numbers(plan->phase_error_deg, plan->n_points));
}

static json_t *warnings(const tw_warnings *list) {
    json_t *array = json_array();
    for (size_t k = 0; k < list->count; k++) {
        json_t *one = json_pack("{s:s, s:s}", "code", list->items[k].code, "message", list->items[k].message);
        if (json_array_append_new(array, one) != 0) {
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

tw_status tw_report_json_pickup(tw_ctx *ctx, const tw_pickup_plan *plan, tw_text *out) {
    const size_t before = out->length;
    json_t *object = json_object();
    int failed = json_object_set_new(object, "kind", json_string("pickup"));
    failed |= json_object_set_new(object, "title", json_string(plan->title));
    failed |=
        json_object_set_new(object, "current_pickup", json_string(report__current_pickup_word(plan->current_kind)));
    failed |=
        json_object_set_new(object, "voltage_pickup", json_string(report__voltage_pickup_word(plan->voltage_kind)));
    for (size_t k = 0; k < plan->n_fields; k++) {
        const tw_field *f = &plan->fields[k];
        failed |= json_object_set_new(object, f->key, physical(f->value, f->unit));
    }
    failed |= json_object_set_new(object, "burdens", burdens(plan));
    failed |= json_object_set_new(object, "curves", curves(plan));
    failed |= json_object_set_new(object, "placement", sentences(plan, report__pickup_placement));
    failed |= json_object_set_new(object, "checks", sentences(plan, report__pickup_check));
    failed |= json_object_set_new(object, "warnings", warnings(&plan->warnings));
    const bool written = failed == 0 && json_dump_callback(object, append, out, JSON_FLAGS) == 0;
    json_decref(object);
    if (!written) {
        tw_text_cut(out, before);
        return out->status != TW_OK ? out->status : tw_fail(ctx, TW_NO_MEMORY, "report", "no memory for the JSON text");
    }
    tw_text_append(out, "\n", 1);
    return out->status;
}

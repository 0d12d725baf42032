/* The pick-ups as JSON (docs/internals/report.md). */
#include "report_json_private.h"
#include "report_pickup_private.h"

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
                                tw_report__json_physical(tw_exactly(b->resistance_ohm), "ohm"), "current_scale",
                                tw_report__json_physical(tw_exactly(b->scale_v_per_a), "V/A"), "deviation",
                                tw_report__json_physical(tw_exactly(b->deviation), ""));
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
                     tw_report__json_numbers(plan->frequency_hz, plan->n_points), "ratio_error", "unit", "", "values",
                     tw_report__json_numbers(plan->ratio_error, plan->n_points), "phase_error", "unit", "deg", "values",
                     tw_report__json_numbers(plan->phase_error_deg, plan->n_points));
}

tw_status tw_report_json_pickup(tw_ctx *ctx, const tw_pickup_plan *plan, tw_text *out) {
    json_t *object = json_object();
    int failed = json_object_set_new(object, "kind", json_string("pickup"));
    failed |= json_object_set_new(object, "title", tw_report__json_text(ctx, plan->title));
    failed |=
        json_object_set_new(object, "current_pickup", json_string(report__current_pickup_word(plan->current_kind)));
    failed |=
        json_object_set_new(object, "voltage_pickup", json_string(report__voltage_pickup_word(plan->voltage_kind)));
    for (size_t k = 0; k < plan->n_fields; k++) {
        const tw_field *f = &plan->fields[k];
        failed |= json_object_set_new(object, f->key, tw_report__json_physical(f->value, f->unit));
    }
    failed |= json_object_set_new(object, "burdens", burdens(plan));
    failed |= json_object_set_new(object, "curves", curves(plan));
    failed |= json_object_set_new(object, "placement", sentences(plan, report__pickup_placement));
    failed |= json_object_set_new(object, "checks", sentences(plan, report__pickup_check));
    failed |= json_object_set_new(object, "warnings", tw_report__json_warnings(ctx, &plan->warnings));
    return tw_report__json_finish(ctx, object, failed == 0, out);
}

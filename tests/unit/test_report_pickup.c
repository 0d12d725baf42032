/* The pick-ups as text, JSON and drawing. */
#include "testing.h"

#include <jansson.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "tankwright/report.h"
#include "tankwright/units.h"

static int make_context(void **state) {
    *state = tw_ctx_create();
    return *state == NULL;
}

static int drop_context(void **state) {
    tw_ctx_destroy(*state);
    return 0;
}

enum { POINTS = 31 };

typedef struct fixture {
    double frequency_hz[POINTS], ratio[POINTS], phase[POINTS];
    tw_pickup_plan plan;
} fixture;

static void add(tw_pickup_plan *plan, const char *key, const char *unit, int group, double value, double u) {
    plan->fields[plan->n_fields++] = (tw_field){key, "some label", unit, {value, u}, group};
}

static void fill(fixture *f) {
    memset(f, 0, sizeof *f);
    tw_pickup_plan *plan = &f->plan;
    (void)snprintf(plan->title, sizeof plan->title, "Plate \xC2\xB5\033");
    plan->current_kind = TW_CURRENT_PICKUP_TRANSFORMER;
    plan->voltage_kind = TW_VOLTAGE_PICKUP_LOOP;
    add(plan, "effective_area", "m2", TW_PICKUP_CORE, 51.26e-6, 0);
    add(plan, "coil_current_peak", "A", TW_PICKUP_SCALE, 47.31, 0);
    add(plan, "linear_range", "A", TW_PICKUP_RANGE, 93.5, 0.4);
    add(plan, "droop", "", TW_PICKUP_BAND, 0.00321, 0.00012);
    add(plan, "loop_gain", "", TW_PICKUP_LOOP, 0.04, 0);
    add(plan, "loop_voltage_peak", "V", TW_PICKUP_LOOP, 27.2, 0);
    plan->burdens[0] = (tw_burden_choice){"E24", 2.2, 0.01467, 0.021};
    plan->n_burdens = 1;
    for (int k = 0; k < POINTS; k++) {
        f->frequency_hz[k] = 26e3 * pow(10, -1.5 + 0.1 * k);
        f->ratio[k] = -1e-3 / f->frequency_hz[k];
        f->phase[k] = 1500 / f->frequency_hz[k];
    }
    plan->frequency_hz = f->frequency_hz;
    plan->ratio_error = f->ratio;
    plan->phase_error_deg = f->phase;
    plan->n_points = POINTS;
    plan->marked_hz = 26e3;
}

static void text_says_what_counts(void **state) {
    fixture f;
    tw_text text;
    fill(&f);
    tw_text_init(*state, &text, 1 << 16);
    assert_ok(tw_report_text_pickup(*state, &f.plan, NULL, &text), *state);
    const char *s = tw_text_string(&text);
    assert_ptr_equal(strstr(s, "Current transformer: fit - peaks of 47.4 A lie within its linear range of 93.5 A\n"),
                     s);
    assert_non_null(strstr(s, "51.26 mm2\n"));
    assert_non_null(strstr(s, "0.321 (u=0.012) %\n"));
    assert_non_null(strstr(s, "1/25\n"));
    assert_non_null(strstr(s, "E24: 2.2 ohm gives 14.67 mV/A, +2.1 % off the wanted scale\n"));
    assert_non_null(strstr(s, "capacitors' side"));
    assert_non_null(strstr(s, "Check   [ ] Insulation"));
    assert_non_null(strstr(s, "Caution Every part"));
    assert_null(strchr(s, '\033'));
    size_t widest = 0;
    for (const char *line = s; *line != '\0'; line += strcspn(line, "\n") + 1) {
        const size_t n = tw_utf8_count(line, strcspn(line, "\n"));
        widest = n > widest ? n : widest;
    }
    assert_true(widest <= 100);
    f.plan.fields[1].value.value = 120; /* beyond its range */
    tw_text_cut(&text, 0);
    assert_ok(tw_report_text_pickup(*state, &f.plan, NULL, &text), *state);
    assert_non_null(strstr(tw_text_string(&text), "too small - peaks of 120 A, linear to 93.5 A only\n"));
    /* advice for what is there only */
    f.plan.current_kind = TW_CURRENT_PICKUP_NONE;
    tw_text_cut(&text, 0);
    assert_ok(tw_report_text_pickup(*state, &f.plan, NULL, &text), *state);
    assert_null(strstr(tw_text_string(&text), "Burden and clamp"));
    assert_non_null(strstr(tw_text_string(&text), "lay the loop flat"));
    tw_text_dispose(&text);
}

static void json_holds_all(void **state) {
    fixture f;
    tw_text text;
    json_error_t error;
    fill(&f);
    tw_text_init(*state, &text, 1 << 16);
    assert_ok(tw_report_json_pickup(*state, &f.plan, &text), *state);
    json_t *j = json_loads(tw_text_string(&text), 0, &error);
    assert_non_null(j);
    assert_string_equal(json_string_value(json_object_get(j, "kind")), "pickup");
    assert_string_equal(json_string_value(json_object_get(j, "current_pickup")), "transformer");
    assert_close(json_number_value(json_object_get(json_object_get(j, "droop"), "standard_uncertainty")), 0.00012, 0,
                 0);
    json_t *curve = json_object_get(json_object_get(j, "curves"), "phase_error");
    assert_int_equal(json_array_size(json_object_get(curve, "values")), POINTS);
    assert_close(json_number_value(json_array_get(json_object_get(curve, "values"), 7)), f.phase[7], 0, 0);
    assert_true(json_array_size(json_object_get(j, "placement")) >= 4);
    assert_true(json_array_size(json_object_get(j, "checks")) >= 6);
    json_decref(j);
    f.plan.n_points = 0;
    tw_text_cut(&text, 0);
    assert_ok(tw_report_json_pickup(*state, &f.plan, &text), *state);
    assert_non_null(strstr(tw_text_string(&text), "\"curves\": null"));
    tw_text_dispose(&text);
}

static void the_drawing_is_a_whole_file(void **state) {
    fixture f;
    fill(&f);
    char path[] = "/tmp/tankwright-pickup-XXXXXX.svg", *data;
    size_t length;
    const int fd = mkstemps(path, 4);
    assert_true(fd >= 0);
    (void)close(fd);
    assert_ok(tw_report_plot_pickup(*state, &f.plan, path), *state);
    assert_ok(tw_read_file(*state, path, 1 << 22, &data, &length), *state);
    assert_true(length > 3000 && strstr(data, "</svg>") != NULL);
    tw_free(data);
    (void)unlink(path);
    assert_int_equal(tw_report_plot_pickup(*state, &f.plan, "x.gif"), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(*state);
    f.plan.n_points = 0;
    assert_int_equal(tw_report_plot_pickup(*state, &f.plan, path), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(*state);
    assert_int_not_equal(access(path, F_OK), 0);
}

/* Text, JSON and drawing under every failing allocation of ours: an error with a record, no file. */
static void every_allocation_may_fail(void **state) {
    fixture f;
    fill(&f);
    size_t failures = 0, done = 0;
    for (size_t n = 1; done < 3; n++) {
        done = 0;
        for (int what = 0; what < 3; what++) {
            tw_text text;
            tw_text_init(*state, &text, 1 << 16);
            tw_ctx_fail_allocation(*state, n);
            const tw_status status = what == 0   ? tw_report_text_pickup(*state, &f.plan, NULL, &text)
                                     : what == 1 ? tw_report_json_pickup(*state, &f.plan, &text)
                                                 : tw_report_plot_pickup(*state, &f.plan, "pickup-fault.svg");
            tw_ctx_fail_allocation(*state, 0);
            tw_text_dispose(&text);
            if (status == TW_OK) {
                done++;
                (void)unlink("pickup-fault.svg");
                continue;
            }
            assert_int_equal(status, TW_NO_MEMORY);
            assert_int_equal(tw_ctx_error(*state)->status, TW_NO_MEMORY);
            assert_int_not_equal(access("pickup-fault.svg", F_OK), 0);
            tw_ctx_clear_error(*state);
            failures++;
        }
        assert_true(n < 2000);
    }
    assert_true(failures > 5);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(text_says_what_counts, make_context, drop_context),
        cmocka_unit_test_setup_teardown(json_holds_all, make_context, drop_context),
        cmocka_unit_test_setup_teardown(the_drawing_is_a_whole_file, make_context, drop_context),
        cmocka_unit_test_setup_teardown(every_allocation_may_fail, make_context, drop_context),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

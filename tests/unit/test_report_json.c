/* JSON of readings, captures and rehearsals, read back. */
#include "report_fixture.h"

#include <jansson.h>
#include <locale.h>
#include <math.h>
#include <string.h>

static int make_context(void **state) {
    *state = tw_ctx_create();
    return *state == NULL;
}

static int drop_context(void **state) {
    tw_ctx_destroy(*state);
    return 0;
}

static json_t *read_back(tw_text *text) {
    json_error_t error;
    json_t *root = json_loads(tw_text_string(text), JSON_REJECT_DUPLICATES, &error);
    if (root == NULL) {
        fail_msg("%s in:\n%s", error.text, tw_text_string(text));
    }
    tw_text_dispose(text);
    return root;
}

static json_t *reading_json(tw_ctx *ctx, const tw_reading *reading) {
    tw_text text;
    tw_text_init(ctx, &text, 1 << 20);
    assert_ok(tw_report_json_reading(ctx, reading, &text), ctx);
    assert_int_equal(text.data[text.length - 1], '\n');
    return read_back(&text);
}

/* The contract's object, bit for bit. */
static void assert_field(const json_t *object, const tw_field *f) {
    const json_t *item = json_object_get(object, f->key);
    assert_non_null(item);
    if (isnan(f->value.value)) {
        assert_true(json_is_null(item));
        return;
    }
    assert_true(json_number_value(json_object_get(item, "value")) == f->value.value);
    assert_string_equal(json_string_value(json_object_get(item, "unit")), f->unit);
    const json_t *u = json_object_get(item, "standard_uncertainty");
    if (f->value.u > 0) {
        assert_true(json_number_value(u) == f->value.u);
    } else {
        assert_null(u);
    }
    assert_int_equal(json_object_size(item), f->value.u > 0 ? 3 : 2);
}

static void every_field_follows_the_contract(void **state) {
    tw_ctx *ctx = *state;
    for (int kind = 0; kind < 2; kind++) {
        tw_reading reading;
        const fixture_opts opts = {(tw_reading_kind)kind, TW_COMMUTATION_REBOUND, TW_COMMUTATION_FULL_ZVS};
        fixture_reading(ctx, &opts, &reading);
        json_t *root = reading_json(ctx, &reading);
        for (size_t i = 0; i < reading.n_fields; i++) {
            assert_field(root, &reading.fields[i]);
        }
        assert_string_equal(json_string_value(json_object_get(root, "commutation")), "rebound");
        const json_t *edges = json_object_get(root, "edges");
        static const char *const NAMES[] = {"falling", "rising"};
        static const char *const VERDICTS[] = {"rebound", "full-zvs"};
        for (size_t e = 0; e < 2; e++) {
            const json_t *edge = json_object_get(edges, NAMES[e]);
            assert_string_equal(json_string_value(json_object_get(edge, "verdict")), VERDICTS[e]);
            for (size_t i = 0; i < reading.edges[e].n_fields; i++) {
                assert_field(edge, &reading.edges[e].fields[i]);
            }
            assert_int_equal(json_object_size(edge), reading.edges[e].n_fields + 1);
        }
        const json_t *warnings = json_object_get(root, "warnings");
        assert_int_equal(json_array_size(warnings), kind == TW_READING_ANALYSIS ? 1 : 0);
        if (kind == TW_READING_ANALYSIS) {
            const json_t *w = json_array_get(warnings, 0);
            assert_string_equal(json_string_value(json_object_get(w, "code")), "few_samples_per_swing");
            assert_string_equal(json_string_value(json_object_get(w, "message")), reading.warnings.items[0].message);
            assert_string_equal(json_string_value(json_object_get(root, "source")), "pail-with-lid.csv");
            assert_string_equal(json_string_value(json_object_get(root, "kind")), "analysis");
        } else {
            assert_true(json_is_null(json_object_get(root, "source")));
            assert_string_equal(json_string_value(json_object_get(root, "kind")), "forecast");
        }
        assert_int_equal(json_object_size(root), reading.n_fields + 6);
        json_decref(root);
        tw_reading_dispose(&reading);
    }
}

static void numbers_come_back_whatever_the_locale(void **state) {
    tw_ctx *ctx = *state;
    static const char *const LOCALES[] = {"de_DE.UTF-8", "fr_FR.UTF-8", "de_DE.utf8"};
    for (size_t k = 0; k < 3 && setlocale(LC_ALL, LOCALES[k]) == NULL; k++) {
    }
    tw_random r = {5};
    tw_reading reading;
    const fixture_opts opts = {TW_READING_ANALYSIS, TW_COMMUTATION_FULL_ZVS, TW_COMMUTATION_FULL_ZVS};
    fixture_reading(ctx, &opts, &reading);
    for (int trial = 0; trial < 200; trial++) {
        for (size_t i = 0; i < reading.n_fields; i++) {
            const double sign = tw_random_below(&r, 2) == 0 ? -1 : 1;
            reading.fields[i].value.value = sign * tw_random_log_uniform(&r, 1e-300, 1e300);
            reading.fields[i].value.u = tw_random_log_uniform(&r, 1e-300, 1e300);
        }
        json_t *root = reading_json(ctx, &reading);
        for (size_t i = 0; i < reading.n_fields; i++) {
            assert_field(root, &reading.fields[i]);
        }
        json_decref(root);
    }
    (void)setlocale(LC_ALL, "C");
    tw_reading_dispose(&reading);
}

static void hostile_titles_stay_text(void **state) {
    tw_ctx *ctx = *state;
    tw_reading reading;
    const fixture_opts opts = {TW_READING_ANALYSIS, TW_COMMUTATION_FULL_ZVS, TW_COMMUTATION_FULL_ZVS};
    fixture_reading(ctx, &opts, &reading);
    (void)snprintf(reading.title, sizeof reading.title, "\", \"real_power\": 7, \\ \n\t\x01 </script> \xc3\xa9");
    (void)snprintf(reading.source, sizeof reading.source, "a\xff\xfe.csv"); /* no UTF-8: file names may be anything */
    json_t *root = reading_json(ctx, &reading);
    assert_string_equal(json_string_value(json_object_get(root, "title")), reading.title);
    assert_string_equal(json_string_value(json_object_get(root, "source")), "a??.csv");
    json_decref(root);
    tw_reading_dispose(&reading);
}

static void a_capture_gives_channels_and_time(void **state) {
    tw_ctx *ctx = *state;
    tw_capture capture;
    tw_capture_channel channels[2];
    double values[2][5];
    fixture_capture(&capture, channels, values);
    tw_text text;
    tw_text_init(ctx, &text, 100000);
    assert_ok(tw_report_json_capture(ctx, &capture, &text), ctx);
    json_t *root = read_back(&text);
    assert_int_equal(json_integer_value(json_object_get(root, "samples")), 5);
    const json_t *interval = json_object_get(root, "sample_interval");
    assert_true(json_number_value(json_object_get(interval, "value")) == 40e-9);
    assert_string_equal(json_string_value(json_object_get(interval, "unit")), "s");
    assert_true(json_number_value(json_object_get(json_object_get(root, "start_time"), "value")) == -1.7e-6);
    const json_t *list = json_object_get(root, "channels");
    assert_int_equal(json_array_size(list), 2);
    const json_t *loop = json_array_get(list, 1);
    assert_string_equal(json_string_value(json_object_get(loop, "name")), "loop");
    assert_string_equal(json_string_value(json_object_get(loop, "unit")), "");
    assert_int_equal(json_integer_value(json_object_get(loop, "samples")), 4);
    assert_true(json_number_value(json_object_get(loop, "minimum")) == -1.5);
    assert_true(json_number_value(json_object_get(loop, "maximum")) == 7);
    assert_true(json_number_value(json_object_get(loop, "mean")) == 2.6875);
    assert_true(json_is_null(json_object_get(loop, "step")));
    json_decref(root);
}

static void a_rehearsal_gives_ranges(void **state) {
    tw_ctx *ctx = *state;
    tw_rehearsal rehearsal;
    fixture_rehearsal(ctx, &rehearsal);
    tw_text text;
    tw_text_init(ctx, &text, 100000);
    assert_ok(tw_report_json_rehearsal(ctx, &rehearsal, &text), ctx);
    json_t *root = read_back(&text);
    const json_t *voltage = json_object_get(json_object_get(root, "channels"), "voltage");
    assert_int_equal(json_integer_value(json_object_get(voltage, "clipped_samples")), 2);
    assert_true(json_number_value(json_object_get(json_object_get(voltage, "suggested_range"), "value")) == 8);
    assert_true(json_number_value(json_object_get(json_object_get(root, "sweep_time"), "value")) == 100e-6);
    assert_int_equal(json_integer_value(json_object_get(root, "samples")), 40);
    json_decref(root);
    tw_rehearsal_dispose(&rehearsal);
}

static const char RIG_YAML[] = "title: \"a \\\"b\\\"\"\nsupply: {kind: dc, voltage: 310 V (u=1.7 V)}\n"
                               "tank: {capacitance: unknown, split: false}\npan: {kind: none}\n";

static void a_rig_gives_its_keys(void **state) {
    tw_ctx *ctx = *state;
    tw_rig rig;
    tw_text text;
    assert_ok(tw_rig_parse(ctx, "r", RIG_YAML, sizeof RIG_YAML - 1, NULL, 0, &rig), ctx);
    tw_text_init(ctx, &text, 100000);
    assert_ok(tw_report_json_rig(ctx, &rig, &text), ctx);
    json_t *root = read_back(&text);
    assert_string_equal(json_string_value(json_object_get(root, "title")), "a \"b\"");
    assert_string_equal(json_string_value(json_object_get(root, "supply.kind")), "dc");
    assert_true(json_is_false(json_object_get(root, "tank.split")));
    const json_t *rail = json_object_get(root, "supply.voltage");
    assert_true(json_number_value(json_object_get(rail, "value")) == 310);
    assert_string_equal(json_string_value(json_object_get(rail, "unit")), "V");
    assert_true(json_number_value(json_object_get(rail, "standard_uncertainty")) == 1.7);
    assert_true(json_is_false(json_object_get(rail, "default")));
    const json_t *capacitance = json_object_get(root, "tank.capacitance");
    assert_true(json_is_null(json_object_get(capacitance, "value")));
    assert_string_equal(json_string_value(json_object_get(capacitance, "unit")), "F");
    assert_null(json_object_get(capacitance, "standard_uncertainty"));
    assert_true(json_is_true(json_object_get(json_object_get(root, "recorder.bits"), "default")));
    assert_null(json_object_get(root, "pan.coupling"));     /* no meaning without a pan */
    assert_null(json_object_get(root, "supply.frequency")); /* nor with dc */
    const json_t *defaults = json_object_get(root, "defaults");
    size_t n = 0, kinds = 0;
    for (size_t k = 0; k < json_array_size(defaults); k++) {
        const char *key = json_string_value(json_array_get(defaults, k));
        assert_non_null(json_object_get(root, key));
        assert_false(tw_rig_is_given(&rig, key));
        kinds += strcmp(key, "pickups.current.kind") == 0 ? 1 : 0;
        n++;
    }
    assert_int_equal(kinds, 1);
    assert_int_equal(n + 6, json_object_size(root) - 1); /* six were given, one is the list itself */
    json_decref(root);
}

static void a_rig_may_run_out_of_memory(void **state) {
    tw_ctx *ctx = *state;
    tw_rig rig;
    assert_ok(tw_rig_parse(ctx, "r", RIG_YAML, sizeof RIG_YAML - 1, NULL, 0, &rig), ctx);
    size_t failures = 0;
    for (tw_status status = TW_NO_MEMORY; status != TW_OK; failures++) {
        tw_text text;
        tw_text_init(ctx, &text, 100000);
        tw_ctx_fail_allocation(ctx, failures + 1);
        status = tw_report_json_rig(ctx, &rig, &text);
        tw_ctx_fail_allocation(ctx, 0);
        assert_true(status == TW_OK || (status == TW_NO_MEMORY && text.length == 0));
        tw_text_dispose(&text);
        tw_ctx_clear_error(ctx);
    }
    assert_in_range(failures, 4, 60);
}

static void memory_may_run_out_anywhere(void **state) {
    tw_ctx *ctx = *state;
    tw_reading reading;
    const fixture_opts opts = {TW_READING_ANALYSIS, TW_COMMUTATION_FULL_ZVS, TW_COMMUTATION_FULL_ZVS};
    fixture_reading(ctx, &opts, &reading);
    size_t failures = 0;
    for (size_t n = 1; n < 500; n++) {
        tw_text text;
        tw_text_init(ctx, &text, 1 << 20);
        tw_ctx_fail_allocation(ctx, n);
        const tw_status status = tw_report_json_reading(ctx, &reading, &text);
        tw_ctx_fail_allocation(ctx, 0);
        if (status == TW_OK) {
            tw_text_dispose(&text);
            break;
        }
        assert_int_equal(status, TW_NO_MEMORY);
        assert_int_equal(text.length, 0);
        tw_text_dispose(&text);
        tw_ctx_clear_error(ctx);
        failures++;
    }
    assert_in_range(failures, 5, 100);
    tw_reading_dispose(&reading);
}

static void too_small_a_text_is_told_apart(void **state) {
    tw_ctx *ctx = *state;
    tw_reading reading;
    const fixture_opts opts = {TW_READING_FORECAST, TW_COMMUTATION_FULL_ZVS, TW_COMMUTATION_FULL_ZVS};
    fixture_reading(ctx, &opts, &reading);
    tw_text text;
    tw_text_init(ctx, &text, 200);
    assert_int_equal(tw_report_json_reading(ctx, &reading, &text), TW_TOO_LARGE);
    assert_int_equal(text.length, 0);
    tw_text_dispose(&text);
    tw_ctx_clear_error(ctx);
    tw_reading_dispose(&reading);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_field_follows_the_contract), cmocka_unit_test(numbers_come_back_whatever_the_locale),
        cmocka_unit_test(hostile_titles_stay_text),         cmocka_unit_test(a_capture_gives_channels_and_time),
        cmocka_unit_test(a_rehearsal_gives_ranges),         cmocka_unit_test(a_rig_gives_its_keys),
        cmocka_unit_test(a_rig_may_run_out_of_memory),      cmocka_unit_test(memory_may_run_out_anywhere),
        cmocka_unit_test(too_small_a_text_is_told_apart),
    };
    return cmocka_run_group_tests(tests, make_context, drop_context);
}

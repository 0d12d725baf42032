/* Maps from a rig: axes and their texts, every sweepable number, targets, the state plane. */
#include "testing.h"

#include <math.h>
#include <string.h>

#include "study_internal.h"

static int make_context(void **state) {
    *state = tw_ctx_create();
    return *state == NULL;
}

static int drop_context(void **state) {
    tw_ctx_destroy(*state);
    return 0;
}

static const char PLATE[] = "title: Plate\n"
                            "bridge: {frequency: 26.3 kHz, dead_time: 1.7 us, snubber_capacitance: 9.1 nF}\n"
                            "tank: {capacitance: 664 nF, split: false}\n"
                            "coil: {inductance: 91 uH, resistance: 118 mohm}\n"
                            "pan: {kind: coupled, coupling: 0.66, resistance: 5.2 ohm}\n"
                            "recorder: {rail_voltage: 317 V}\n";

static tw_rig rig_with(tw_ctx *ctx, const char *override) {
    tw_rig rig;
    assert_ok(tw_rig_parse(ctx, "plate.yaml", PLATE, strlen(PLATE), &override, override != NULL, &rig), ctx);
    return rig;
}

static tw_map map_of(tw_ctx *ctx, const tw_rig *rig, const char *along, const char *target) {
    tw_map_opts opts = tw_map_opts_default();
    tw_map map;
    opts.along = &along;
    opts.n_along = along != NULL;
    opts.target = target;
    opts.all_columns = true;
    assert_ok(tw_study_map(ctx, rig, &opts, &map), ctx);
    return map;
}

static void a_map_of_one_point_is_the_forecast(void **state) {
    tw_ctx *ctx = *state;
    const tw_rig rig = rig_with(ctx, NULL);
    tw_reading forecast;
    tw_map map = map_of(ctx, &rig, "bridge.frequency=26.3k", NULL);
    assert_ok(tw_study_forecast(ctx, &rig, &forecast), ctx);
    assert_int_equal(map.n_points, 1);
    assert_int_equal(map.commutation[0], forecast.commutation);
    size_t compared = 0;
    for (size_t k = 0; k < map.n_columns; k++) {
        const tw_field *field = tw_reading_field(&forecast, map.columns[k].key);
        assert_true(map.columns[k].asked);
        if (field != NULL) {
            assert_string_equal(field->label, map.columns[k].label);
            assert_string_equal(field->unit, map.columns[k].unit);
            assert_true(field->value.value == map.columns[k].values[0]);
            compared++;
        }
    }
    assert_int_equal(compared, TW_PLAN_COLUMN_COUNT - 2); /* the dead-time window stands with the edges */
    assert_true(tw_map_find_column(&map, "dead_time_longest")->values[0] == forecast.edges[0].fields[5].value.value);
    assert_string_equal(forecast.edges[0].fields[5].key, "dead_time_longest");
    tw_reading_dispose(&forecast);
    tw_map_dispose(&map);
}

/* Turning a knob on the recipe gives the stage that the changed rig gives. */
static void every_knob_turns_what_the_rig_says(void **state) {
    static const char *const kinds[] = {NULL, "pan.kind=none", "recorder.rail_voltage=unknown"};
    tw_ctx *ctx = *state;
    tw_random r = {31};
    for (size_t kind = 0; kind < 3; kind++) {
        tw_rig rig = rig_with(ctx, kinds[kind]);
        rig.supply.voltage_v = tw_exactly(231.0);
        tw_study__recipe recipe;
        assert_ok(tw_study__recipe_make(ctx, &rig, &recipe), ctx);
        const tw_study__knob *knob = NULL;
        for (size_t k = 0; (knob = tw_study__knob_at(k)) != NULL; k++) {
            tw_rig moved = rig;
            tw_value value;
            memcpy(&value, (const char *)&rig + knob->offset, sizeof value);
            if (!tw_is_known(value)) {
                continue;
            }
            value.value *= tw_random_uniform(&r, 0.9, 1.1);
            memcpy((char *)&moved + knob->offset, &value, sizeof value);
            tw_study__recipe turned = recipe;
            tw_half_bridge want;
            tw_study__recipe_set(&turned, knob, value.value);
            const tw_half_bridge got = tw_study__recipe_stage(&turned);
            assert_ok(tw_study_stage(ctx, &moved, &want), ctx);
            assert_true(got.rail_v == want.rail_v && got.frequency_hz == want.frequency_hz);
            assert_true(got.dead_time_s == want.dead_time_s && got.esr_ohm == want.esr_ohm);
            assert_true(got.snubber_capacitance_f == want.snubber_capacitance_f);
            assert_true(got.capacitance_f == want.capacitance_f && got.split == want.split);
            assert_memory_equal(&got.transistor, &want.transistor, sizeof got.transistor);
            assert_memory_equal(&got.diode, &want.diode, sizeof got.diode);
            assert_true(got.load.resistance_ohm == want.load.resistance_ohm);
            assert_true(got.load.inductance_h == want.load.inductance_h);
            assert_int_equal(got.load.n_branches, want.load.n_branches);
            for (size_t b = 0; b < got.load.n_branches; b++) {
                assert_memory_equal(&got.load.branches[b], &want.load.branches[b], sizeof got.load.branches[b]);
            }
        }
    }
}

static void axes_are_read(void **state) {
    tw_ctx *ctx = *state;
    tw_rig rig = rig_with(ctx, NULL);
    tw_map_axis axis;
    assert_ok(tw_study__map_axis(ctx, "bridge.dead_time=1.5us..2.5 us:5", 200, &rig, &axis), ctx);
    assert_int_equal(axis.n, 5);
    assert_string_equal(axis.unit, "s");
    assert_false(axis.logarithmic);
    assert_close(axis.values[1], 1.75e-6, 1e-14, 0.0);
    assert_true(axis.values[4] == 2.5e-6);
    assert_true(rig.bridge.dead_time_s.value == 1.5e-6); /* the rig stands at the axis's beginning */
    tw_free(axis.values);
    assert_ok(tw_study__map_axis(ctx, "tank.capacitance=100n..1u:3:log", 200, &rig, &axis), ctx);
    assert_true(axis.logarithmic);
    assert_close(axis.values[1], sqrt(1e-13), 1e-14, 0.0);
    tw_free(axis.values);
    assert_ok(tw_study__map_axis(ctx, "pan.coupling=.2...7", 37, &rig, &axis), ctx);
    assert_int_equal(axis.n, 37);
    assert_close(axis.values[0], 0.2, 1e-15, 0.0);
    assert_close(axis.values[36], 0.7, 1e-15, 0.0);
    tw_free(axis.values);
}

static void wrong_axes_are_explained(void **state) {
    static const struct {
        const char *text;
        tw_status status;
        const char *message;
    } cases[] = {
        {"bridge.frequency", TW_BAD_ARGUMENT, "expected KEY=FROM..TO:POINTS"},
        {"=20k..30k", TW_BAD_ARGUMENT, "expected KEY=FROM..TO:POINTS"},
        {"bridge.freqency=20k..30k", TW_BAD_ARGUMENT, "did you mean bridge.frequency?"},
        {"frequency=20k..30k", TW_BAD_ARGUMENT, "did you mean bridge.frequency?"},
        {"tank.split=0..1", TW_BAD_ARGUMENT, "cannot be swept"},
        {"pickups.current.turns=100..200", TW_BAD_ARGUMENT, "cannot be swept"},
        {"supply.voltage=200..240", TW_BAD_ARGUMENT, "recorder.rail_voltage states the rail"},
        {"pan.inductance=20u..40u", TW_BAD_ARGUMENT, "no effect"},
        {"bridge.frequency=60k..20k:9", TW_BAD_ARGUMENT, "write 20k..60k"},
        {"bridge.frequency=20k..60k:0", TW_BAD_ARGUMENT, "0 points"},
        {"bridge.frequency=20k..60k:1", TW_BAD_ARGUMENT, "at least 2"},
        {"bridge.frequency=20k..20k:5", TW_BAD_ARGUMENT, "both ends are the same"},
        {"bridge.frequency=20k..60k:2.5", TW_BAD_ARGUMENT, "whole number"},
        {"bridge.frequency=20k..60k:-3", TW_BAD_ARGUMENT, "whole number"},
        {"bridge.frequency=20k..60k:", TW_BAD_ARGUMENT, "whole number"},
        {"bridge.frequency=20k..60k:many", TW_BAD_ARGUMENT, "whole number"},
        {"bridge.frequency=20k..60k:9:cubic", TW_BAD_ARGUMENT, "expected :log"},
        {"bridge.frequency=20k..60k:99999999999", TW_TOO_LARGE, "at most"},
        {"pan.coupling=0..0.7:9:log", TW_BAD_ARGUMENT, "above 0"},
        {"pan.coupling=0.2..1", TW_OUT_OF_RANGE, "below 1"},
        {"bridge.frequency=20..60k", TW_OUT_OF_RANGE, "100 Hz"},
        {"bridge.frequency=nan..60k", TW_BAD_DATA, "frequency"},
        {"bridge.frequency=unknown..60k", TW_BAD_ARGUMENT, "known values"},
        {"bridge.frequency=..60k", TW_BAD_ARGUMENT, "expected KEY=FROM..TO"},
        {"bridge.frequency=20k..", TW_BAD_ARGUMENT, "expected KEY=FROM..TO"},
    };
    tw_ctx *ctx = *state;
    for (size_t k = 0; k < sizeof cases / sizeof cases[0]; k++) {
        const tw_rig rig = rig_with(ctx, NULL);
        tw_map_opts opts = tw_map_opts_default();
        tw_map map;
        opts.along = &cases[k].text;
        opts.n_along = 1;
        assert_int_equal(tw_study_map(ctx, &rig, &opts, &map), cases[k].status);
        const tw_error *error = tw_ctx_error(ctx);
        if (strstr(error->message, cases[k].message) == NULL || strncmp(error->file, "--along ", 8) != 0) {
            fail_msg("%s: got '%s: %s'", cases[k].text, error->file, error->message);
        }
        tw_ctx_clear_error(ctx);
    }
}

static void wrong_targets_are_explained(void **state) {
    static const struct {
        const char *text, *message;
    } cases[] = {{"real_power", "expected NAME=VALUE"},      {"real_powr=5", "did you mean real_power?"},
                 {"commutation=full-zvs", "unknown result"}, {"real_power=5 V", "power"},
                 {"real_power=unknown", "one known value"},  {"real_power=1200 W ± 2 %", "without an uncertainty"}};
    tw_ctx *ctx = *state;
    const tw_rig rig = rig_with(ctx, NULL);
    for (size_t k = 0; k < sizeof cases / sizeof cases[0]; k++) {
        tw_map_opts opts = tw_map_opts_default();
        tw_map map;
        opts.target = cases[k].text;
        assert_int_not_equal(tw_study_map(ctx, &rig, &opts, &map), TW_OK);
        if (strstr(tw_ctx_error(ctx)->message, cases[k].message) == NULL) {
            fail_msg("%s: got '%s'", cases[k].text, tw_ctx_error(ctx)->message);
        }
        assert_int_equal(strncmp(tw_ctx_error(ctx)->file, "--for ", 6), 0);
        tw_ctx_clear_error(ctx);
    }
}

static void the_number_of_axes_fits_the_question(void **state) {
    static const char *const along[] = {"bridge.frequency=20k..60k:5", "pan.coupling=0.1..0.7:4", "tank.esr=1m..9m:3"};
    static const char *const twice[] = {"bridge.frequency=20k..60k:5", "bridge.frequency=20k..60k:4"};
    tw_ctx *ctx = *state;
    const tw_rig rig = rig_with(ctx, NULL);
    tw_map_opts opts = tw_map_opts_default();
    tw_map map;
    for (size_t n = 0; n <= 3; n += 3) {
        opts.along = along;
        opts.n_along = n;
        assert_int_equal(tw_study_map(ctx, &rig, &opts, &map), TW_BAD_ARGUMENT);
        tw_ctx_clear_error(ctx);
    }
    opts.n_along = 2;
    opts.target = "real_power=1200";
    assert_int_equal(tw_study_map(ctx, &rig, &opts, &map), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    opts = (tw_map_opts){.along = twice, .n_along = 2};
    assert_int_equal(tw_study_map(ctx, &rig, &opts, &map), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    opts.along = along;
    assert_ok(tw_study_map(ctx, &rig, &opts, &map), ctx);
    assert_int_equal(map.n_points, 20);
    assert_null(map.regions);
    tw_map_dispose(&map);
}

static void the_target_is_met_above_resonance(void **state) {
    tw_ctx *ctx = *state;
    tw_rig rig = rig_with(ctx, NULL);
    rig.bridge.frequency_hz = tw_unknown(); /* the question is the frequency */
    tw_map map = map_of(ctx, &rig, NULL, "real_power=1.2 kW");
    assert_true(map.n_solutions >= 1 && map.recommended < map.n_solutions);
    const tw_map_solution *s = &map.solutions[map.recommended];
    assert_true(s->inductive && s->at > map.resonance_at);
    assert_true(map.least < 1200.0 && map.most > 1200.0);
    rig.bridge.frequency_hz = tw_exactly(s->at);
    tw_reading forecast;
    assert_ok(tw_study_forecast(ctx, &rig, &forecast), ctx);
    assert_close(tw_reading_field(&forecast, "real_power")->value.value, 1200.0, 1e-9, 0.0);
    assert_close(tw_reading_field(&forecast, "resonant_frequency")->value.value, map.resonance_at, 1e-12, 0.0);
    assert_int_equal(s->commutation, forecast.commutation);
    tw_reading_dispose(&forecast);
    tw_map_dispose(&map);
}

static void out_of_reach_tells_the_span(void **state) {
    tw_ctx *ctx = *state;
    const tw_rig rig = rig_with(ctx, NULL);
    const char *along = "bridge.frequency=26k..50k:40";
    tw_map_opts opts = {.along = &along, .n_along = 1, .target = "real_power=20k"};
    tw_map map;
    assert_int_equal(tw_study_map(ctx, &rig, &opts, &map), TW_OUT_OF_RANGE);
    const tw_error *error = tw_ctx_error(ctx);
    assert_non_null(strstr(error->message, "real_power = 20.00 kW"));
    assert_non_null(strstr(error->message, "(at 26.00 kHz)"));
    assert_string_equal(error->file, "");
    tw_ctx_clear_error(ctx);
    /* below resonance only */
    along = "bridge.frequency=20k..24k:40";
    opts.target = "real_power=3.5k";
    assert_ok(tw_study_map(ctx, &rig, &opts, &map), ctx);
    assert_int_equal(map.n_solutions, 1);
    assert_int_equal(map.recommended, 1);
    assert_true(tw_warnings_has(&map.warnings, "not_inductive"));
    tw_map_dispose(&map);
}

static void failing_points_are_a_warning(void **state) {
    tw_ctx *ctx = *state;
    const tw_rig rig = rig_with(ctx, NULL);
    tw_map map = map_of(ctx, &rig, "bridge.frequency=100k..400k:4", NULL);
    assert_int_equal(map.n_failed, 2);
    assert_true(tw_warnings_has(&map.warnings, "points_failed"));
    assert_non_null(strstr(map.warnings.items[0].message, "2 of 4 points"));
    assert_non_null(strstr(map.warnings.items[0].message, "bridge.frequency = 300000 Hz"));
    assert_true(isnan(tw_map_find_column(&map, "real_power")->values[3]));
    tw_map_dispose(&map);
}

/* Lossless and undamped, a conducting device holds the point on a circle about (1, 0) or (-1, 0). */
static void the_state_plane_turns_about_the_rails(void **state) {
    static const char LOSSLESS[] =
        "bridge: {frequency: 26.3 kHz, dead_time: 1.7 us, snubber_capacitance: 9.1 nF,\n"
        "  transistor: {threshold: 0 V, slope: 0 ohm}, diode: {threshold: 0 V, slope: 0 ohm}}\n"
        "tank: {capacitance: 664 nF, esr: 0 ohm}\n"
        "pan: {kind: equivalent, inductance: 65 uH, resistance: 1e-6 ohm}\n"
        "recorder: {rail_voltage: 317 V}\n";
    tw_ctx *ctx = *state;
    tw_rig rig;
    tw_reading forecast;
    tw_plane plane;
    assert_ok(tw_rig_parse(ctx, "lossless.yaml", LOSSLESS, strlen(LOSSLESS), NULL, 0, &rig), ctx);
    assert_ok(tw_study_forecast(ctx, &rig, &forecast), ctx);
    assert_ok(tw_study_plane(ctx, &forecast, &plane), ctx);
    assert_close(plane.z0_ohm, sqrt(65e-6 / 664e-9), 1e-9, 0.0);
    assert_int_equal(plane.n_instants, 4);
    assert_close(plane.x[plane.n_points - 1], plane.x[0], 0.0, 1e-9);
    assert_close(plane.y[plane.n_points - 1], plane.y[0], 0.0, 1e-9);
    double radius = NAN;
    size_t seen[TW_CONDUCTS_COUNT] = {0};
    for (size_t k = 0; k < plane.n_points; k++) {
        const tw_conduction who = (tw_conduction)plane.conducts[k];
        seen[who]++;
        if (who == TW_CONDUCTS_HIGH_TRANSISTOR || who == TW_CONDUCTS_HIGH_DIODE) {
            const double here = hypot(plane.x[k] - 1.0, plane.y[k]);
            radius = isnan(radius) ? here : radius;
            assert_close(here, radius, 1e-6, 0.0);
        }
    }
    for (size_t who = 0; who < TW_CONDUCTS_COUNT; who++) {
        assert_true(seen[who] > 5);
    }
    tw_plane_dispose(&plane);
    tw_reading_dispose(&forecast);
}

static void memory_may_run_out_anywhere(void **state) {
    static const char *const along = "bridge.frequency=21k..58k:7";
    const tw_map_opts opts = {.along = &along, .n_along = 1, .target = "real_power=1.7k"};
    (void)state;
    for (size_t n = 1;; n++) {
        tw_ctx *ctx = tw_ctx_create();
        const tw_rig rig = rig_with(ctx, NULL);
        tw_map map;
        tw_ctx_fail_allocation(ctx, n);
        const tw_status status = tw_study_map(ctx, &rig, &opts, &map);
        if (status == TW_OK) {
            assert_true(n > 15);
            tw_map_dispose(&map);
            tw_ctx_destroy(ctx);
            break;
        }
        assert_int_equal(status, TW_NO_MEMORY);
        tw_ctx_destroy(ctx);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(a_map_of_one_point_is_the_forecast, make_context, drop_context),
        cmocka_unit_test_setup_teardown(every_knob_turns_what_the_rig_says, make_context, drop_context),
        cmocka_unit_test_setup_teardown(axes_are_read, make_context, drop_context),
        cmocka_unit_test_setup_teardown(wrong_axes_are_explained, make_context, drop_context),
        cmocka_unit_test_setup_teardown(wrong_targets_are_explained, make_context, drop_context),
        cmocka_unit_test_setup_teardown(the_number_of_axes_fits_the_question, make_context, drop_context),
        cmocka_unit_test_setup_teardown(the_target_is_met_above_resonance, make_context, drop_context),
        cmocka_unit_test_setup_teardown(out_of_reach_tells_the_span, make_context, drop_context),
        cmocka_unit_test_setup_teardown(failing_points_are_a_warning, make_context, drop_context),
        cmocka_unit_test_setup_teardown(the_state_plane_turns_about_the_rails, make_context, drop_context),
        cmocka_unit_test(memory_may_run_out_anywhere),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

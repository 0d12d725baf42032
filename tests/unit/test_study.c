/* From the rig to the stage, and the forecast as a reading. */
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

static const char PLATE[] = "supply: {kind: mains, voltage: 231 V}\n"
                            "bridge: {frequency: 26.3 kHz, dead_time: 1.7 us, snubber_capacitance: 9.1 nF}\n"
                            "tank: {capacitance: 664 nF, split: false}\n"
                            "coil: {inductance: 91 uH, resistance: 118 mohm}\n"
                            "pan: {kind: coupled, coupling: 0.66, resistance: 5.2 ohm}\n"
                            "pickups:\n"
                            "  current: {kind: transformer, turns: 147, burden: 2.2 ohm}\n"
                            "  voltage: {kind: loop, gain: unknown}\n";

static tw_rig rig_with(tw_ctx *ctx, const char *const *overrides, size_t n) {
    tw_rig rig;
    assert_ok(tw_rig_parse(ctx, "plate.yaml", PLATE, strlen(PLATE), overrides, n, &rig), ctx);
    return rig;
}

static double rail_with(tw_ctx *ctx, const char *const *overrides, size_t n) {
    const tw_rig rig = rig_with(ctx, overrides, n);
    tw_half_bridge stage;
    assert_ok(tw_study_stage(ctx, &rig, &stage), ctx);
    return stage.rail_v;
}

static void rail_is_the_stated_one_else_the_supplys(void **state) {
    static const char *const stated[] = {"recorder.rail_voltage=317 V", "supply.kind=dc"};
    static const char *const dc[] = {"supply.kind=dc", "supply.voltage=289 V"};
    assert_close(rail_with(*state, NULL, 0), 231.0 * sqrt(2.0), 1e-14, 0.0);
    assert_close(rail_with(*state, stated, 1), 317.0, 1e-15, 0.0);
    assert_close(rail_with(*state, stated, 2), 317.0, 1e-15, 0.0);
    assert_close(rail_with(*state, dc, 2), 289.0, 1e-15, 0.0);
}

static void priors_are_what_the_user_wrote(void **state) {
    static const char *const dc[] = {"supply.kind=dc", "supply.voltage=289 V ± 1 %"};
    static const char *const open[] = {"supply.kind=dc", "recorder.rail_voltage=unknown"};
    tw_rig rig = rig_with(*state, NULL, 0);
    assert_false(tw_is_known(tw_study__prior(&rig).rail_v));
    assert_close(tw_study__prior(&rig).capacitance_f.value, 664e-9, 1e-15, 0.0);
    assert_close(tw_study__prior(&rig).midpoint_capacitance_f.value, 18.2e-9, 1e-14, 0.0);
    rig = rig_with(*state, dc, 2);
    assert_close(tw_study__prior(&rig).rail_v.value, 289.0, 1e-15, 0.0);
    assert_close(tw_study__prior(&rig).rail_v.u, 2.89 / sqrt(3.0), 1e-12, 0.0);
    rig = rig_with(*state, open, 2);
    assert_false(tw_is_known(tw_study__prior(&rig).rail_v));
}

/* k^2 L of the coil magnetizes the pan; L_s is the rest (design of the coupled model). */
static void pan_kinds_give_their_loads(void **state) {
    static const char *const none[] = {"pan.kind=none", "pan.coupling=unknown", "pan.resistance=unknown"};
    static const char *const equivalent[] = {"pan.kind=equivalent", "pan.coupling=unknown", "pan.inductance=61 uH",
                                             "pan.resistance=3.3 ohm"};
    tw_half_bridge stage;
    tw_rig rig = rig_with(*state, NULL, 0);
    assert_ok(tw_study_stage(*state, &rig, &stage), *state);
    assert_int_equal(stage.load.n_branches, 1);
    assert_close(stage.load.inductance_h, 91e-6 * (1.0 - 0.66 * 0.66), 1e-13, 0.0);
    assert_close(stage.load.branches[0].resistance_ohm, 5.2, 1e-15, 0.0);
    assert_false(stage.split);
    rig.pan.kind = TW_PAN_NONE;
    rig = rig_with(*state, none, 3);
    assert_ok(tw_study_stage(*state, &rig, &stage), *state);
    assert_int_equal(stage.load.n_branches, 0);
    assert_close(stage.load.inductance_h, 91e-6, 1e-15, 0.0);
    assert_close(stage.load.resistance_ohm, 0.118, 1e-15, 0.0);
    rig = rig_with(*state, equivalent, 4);
    assert_ok(tw_study_stage(*state, &rig, &stage), *state);
    assert_int_equal(stage.load.n_branches, 0);
    assert_close(stage.load.inductance_h, 61e-6, 1e-15, 0.0);
    assert_close(stage.load.resistance_ohm, 3.3, 1e-15, 0.0);
}

static void what_is_missing_is_named(void **state) {
    static const struct {
        const char *override, *key;
    } cases[] = {{"bridge.frequency=unknown", "bridge.frequency"},
                 {"coil.inductance=unknown", "coil.inductance"},
                 {"tank.capacitance=unknown", "tank.capacitance"}};
    for (size_t k = 0; k < sizeof cases / sizeof cases[0]; k++) {
        tw_half_bridge stage = {.rail_v = 7.0};
        const tw_rig rig = rig_with(*state, &cases[k].override, 1);
        assert_int_not_equal(tw_study_stage(*state, &rig, &stage), TW_OK);
        assert_string_equal(tw_ctx_error(*state)->key, cases[k].key);
        assert_close(stage.rail_v, 7.0, 0.0, 0.0);
        tw_ctx_clear_error(*state);
    }
}

static void marks_repeat_and_stay_on_the_axis(void **state) {
    (void)state;
    tw_reading reading = {0};
    tw_study__add_mark(&reading, TW_MARK_SWING, 3.0, 3.5, 10.0, 20.0); /* at 3 and 13 */
    assert_int_equal(reading.n_marks, 2);
    assert_close(reading.marks[1].begin_s, 13.0, 1e-15, 0.0);
    tw_study__add_mark(&reading, TW_MARK_ZERO_CROSSING, 11.0, 11.0, 10.0, 20.0); /* of the period before: at 1 too */
    assert_int_equal(reading.n_marks, 4);
    assert_close(reading.marks[2].begin_s, 1.0, 1e-15, 0.0);
    tw_study__add_mark(&reading, TW_MARK_LOW_GATE, 8.0, 12.0, 10.0, 20.0); /* cut at both ends of the axis */
    assert_int_equal(reading.n_marks, 7);
    assert_close(reading.marks[4].begin_s, 0.0, 0.0, 0.0);
    assert_close(reading.marks[4].end_s, 2.0, 1e-15, 0.0);
    assert_close(reading.marks[6].end_s, 20.0, 1e-15, 0.0);
    tw_study__add_mark(&reading, TW_MARK_MARGIN, 9.0, 7.0, 10.0, 20.0); /* a negative margin runs backwards */
    assert_int_equal(reading.n_marks, 9);
    assert_close(reading.marks[8].end_s, 17.0, 1e-15, 0.0);
    tw_study__add_mark(&reading, TW_MARK_SWING, NAN, 1.0, 10.0, 20.0);
    assert_int_equal(reading.n_marks, 9);
}

/* The names of the results contract that a forecast shares with an analysis. */
static const char *const SHARED[] = {"switching_frequency",
                                     "resonant_frequency",
                                     "rail_voltage",
                                     "coil_current_peak",
                                     "coil_current_rms",
                                     "coil_voltage_rms",
                                     "real_power",
                                     "reactive_power",
                                     "apparent_power",
                                     "bridge_phase_lag",
                                     "coil_phase_lag",
                                     "equivalent_resistance",
                                     "equivalent_inductance",
                                     "tank_capacitance",
                                     "midpoint_capacitance",
                                     "turn_off_current",
                                     "swing_time",
                                     "zero_crossing_margin",
                                     "capacitor_voltage_peak",
                                     "forced_commutation_energy",
                                     "loop_gain",
                                     "channel_skew"};

static void forecast_holds_every_shared_name_once(void **state) {
    const tw_rig rig = rig_with(*state, NULL, 0);
    tw_reading reading;
    assert_ok(tw_study_forecast(*state, &rig, &reading), *state);
    for (size_t k = 0; k < sizeof SHARED / sizeof SHARED[0]; k++) {
        if (tw_reading_field(&reading, SHARED[k]) == NULL) {
            fail_msg("no field %s", SHARED[k]);
        }
    }
    for (size_t k = 0; k < reading.n_fields; k++) {
        assert_ptr_equal(tw_reading_field(&reading, reading.fields[k].key), &reading.fields[k]);
        assert_true(k == 0 || reading.fields[k].group >= reading.fields[k - 1].group);
    }
    assert_int_equal(reading.commutation, TW_COMMUTATION_FULL_ZVS);
    assert_true(tw_warnings_has(&reading.warnings, "rail_at_crest"));
    tw_reading_dispose(&reading);
}

static void forecast_axis_is_ascending_and_periodic(void **state) {
    const tw_rig rig = rig_with(*state, NULL, 0);
    tw_reading reading;
    assert_ok(tw_study_forecast(*state, &rig, &reading), *state);
    const size_t half = reading.n_points / 2;
    assert_true(half > 1000 && reading.n_points == 2 * half + 1);
    assert_close(reading.time_s[half], 1.0 / 26.3e3, 1e-12, 0.0);
    assert_close(reading.time_s[2 * half], 2.0 / 26.3e3, 1e-12, 0.0);
    for (size_t k = 1; k < reading.n_points; k++) {
        assert_true(reading.time_s[k] > reading.time_s[k - 1]);
    }
    for (size_t w = 0; w < reading.n_waves; w++) {
        for (size_t k = 0; k < half; k += 17) {
            assert_close(reading.waves[w].values[half + k], reading.waves[w].values[k], 1e-6, 1e-3);
        }
    }
    tw_reading_dispose(&reading);
}

/* Series RLC on a square wave, 300 V, 80 uH, 0.66 uF, 2 ohm, 24 kHz, ideal switches: computed independently (steady
 * state of the linear circuit, 1e-6). The dead time of 1 ns and the lack of a snubber keep the stage ideal to 1e-4. */
static void forecast_meets_the_ideal_series_circuit(void **state) {
    static const char ideal[] = "supply: {kind: dc, voltage: 300 V}\n"
                                "bridge: {frequency: 24 kHz, dead_time: 1 ns, snubber_capacitance: 0 F,\n"
                                "  transistor: {threshold: 0 V, slope: 0 ohm}, diode: {threshold: 0 V, slope: 0 ohm}}\n"
                                "tank: {capacitance: 0.66 uF, split: false, esr: 0 ohm}\n"
                                "coil: {inductance: 80 uH, resistance: 2 ohm}\n";
    tw_rig rig;
    tw_reading reading;
    assert_ok(tw_rig_parse(*state, "ideal.yaml", ideal, strlen(ideal), NULL, 0, &rig), *state);
    assert_ok(tw_study_forecast(*state, &rig, &reading), *state);
    assert_close(tw_reading_field(&reading, "coil_current_rms")->value.value, 47.578142, 1e-4, 0.0);
    assert_close(tw_reading_field(&reading, "real_power")->value.value, 4527.3592, 2e-4, 0.0);
    assert_close(tw_reading_field(&reading, "coil_current_peak")->value.value, 65.795326, 1e-4, 0.0);
    assert_close(tw_reading_field(&reading, "capacitor_voltage_peak")->value.value, 679.0588, 1e-4, 0.0);
    assert_close(tw_reading_field(&reading, "turn_off_current")->value.value, 51.647504, 2e-4, 0.0);
    assert_close(tw_reading_field(&reading, "bridge_phase_lag")->value.value, 45.2291, 2e-4, 0.0);
    assert_close(tw_reading_field(&reading, "resonant_frequency")->value.value, 21902.978, 1e-6, 0.0);
    assert_close(tw_reading_field(&reading, "high_transistor_current_average")->value.value, 18.301889, 2e-4, 0.0);
    assert_close(tw_reading_field(&reading, "high_diode_current_rms")->value.value, 10.590316, 3e-4, 0.0);
    tw_reading_dispose(&reading);
}

static tw_value forecast_value(tw_ctx *ctx, const char *const *overrides, size_t n, const char *key) {
    const tw_rig rig = rig_with(ctx, overrides, n);
    tw_reading reading;
    assert_ok(tw_study_forecast(ctx, &rig, &reading), ctx);
    const tw_value value = tw_reading_field(&reading, key)->value;
    tw_reading_dispose(&reading);
    return value;
}

static void exact_rigs_give_exact_forecasts(void **state) {
    const tw_rig rig = rig_with(*state, NULL, 0);
    tw_reading reading;
    assert_ok(tw_study_forecast(*state, &rig, &reading), *state);
    for (size_t k = 0; k < reading.n_fields; k++) {
        assert_true(reading.fields[k].value.u == 0.0);
    }
    tw_reading_dispose(&reading);
}

/* Without pan f_0 = 1/(2 pi sqrt(L C)), so u(f_0)/f_0 = hypot(u(L)/L, u(C)/C)/2 (JCGM 100:2008, 5.1.6). */
static void stated_uncertainties_reach_the_forecast(void **state) {
    static const char *const open[] = {"pan.kind=none",
                                       "pan.coupling=unknown",
                                       "pan.resistance=unknown",
                                       "tank.capacitance=664 nF (u=7 nF)",
                                       "coil.inductance=91 uH (u=0.8 uH)",
                                       "supply.voltage=231 V (u=3 V)"};
    const tw_value f0 = forecast_value(*state, open, 6, "resonant_frequency");
    assert_close(f0.u / f0.value, 0.5 * hypot(7.0 / 664.0, 0.8 / 91.0), 1e-3, 0.0);
    assert_close(forecast_value(*state, open, 6, "rail_voltage").u, 3.0 * sqrt(2.0), 1e-9, 0.0);
    assert_close(forecast_value(*state, open, 6, "tank_capacitance").u, 7e-9, 1e-9, 0.0);
    assert_close(forecast_value(*state, open, 6, "switching_frequency").u, 0.0, 0.0, 0.0);
}

/* The share of one input is half the difference of two forecasts, made here by hand. */
static void power_spreads_as_neighbouring_forecasts_differ(void **state) {
    static const char *const low[] = {"tank.capacitance=654 nF"}, *const high[] = {"tank.capacitance=674 nF"},
                             *const both[] = {"tank.capacitance=664 nF (u=10 nF)"};
    const double down = forecast_value(*state, low, 1, "real_power").value;
    const double up = forecast_value(*state, high, 1, "real_power").value;
    assert_close(forecast_value(*state, both, 1, "real_power").u, 0.5 * fabs(up - down), 1e-9, 0.0);
}

static void a_verdict_that_hangs_on_a_tolerance_is_told(void **state) {
    static const char *const near[] = {"bridge.frequency=24.75 kHz", "tank.capacitance=664 nF ± 7 %"};
    const tw_rig rig = rig_with(*state, near, 2), sure = rig_with(*state, near, 1);
    tw_reading reading;
    assert_ok(tw_study_forecast(*state, &rig, &reading), *state);
    assert_true(tw_warnings_has(&reading.warnings, "verdict_within_uncertainty"));
    tw_reading_dispose(&reading);
    assert_ok(tw_study_forecast(*state, &sure, &reading), *state);
    assert_false(tw_warnings_has(&reading.warnings, "verdict_within_uncertainty"));
    tw_reading_dispose(&reading);
}

/* A dead time that would turn negative one uncertainty down: the other side alone tells the share. */
static void a_neighbour_that_cannot_be_is_no_failure(void **state) {
    static const char *const edge[] = {"bridge.dead_time=0.5 us (u=0.6 us)"};
    assert_close(forecast_value(*state, edge, 1, "dead_time").u, 0.6e-6, 1e-9, 0.0);
    assert_int_equal(tw_ctx_error(*state)->status, TW_OK);
}

static void failing_allocations_leave_nothing_behind(void **state) {
    static const char *const open[] = {"tank.capacitance=664 nF ± 5 %"};
    const tw_rig rig = rig_with(*state, open, 1);
    tw_status status = TW_NO_MEMORY;
    for (size_t n = 1; status != TW_OK; n++) {
        tw_reading reading;
        assert_true(n < 10000);
        tw_ctx_fail_allocation(*state, n);
        status = tw_study_forecast(*state, &rig, &reading);
        tw_ctx_fail_allocation(*state, 0);
        if (status == TW_OK) {
            tw_reading_dispose(&reading);
        } else {
            assert_int_equal(status, TW_NO_MEMORY);
            tw_ctx_clear_error(*state);
        }
    }
}

static void worst_edge_is_the_one_with_less_margin(void **state) {
    (void)state;
    tw_reading reading = {0};
    tw_study__add_edge(&reading.edges[0], TW_STUDY_EDGE_MARGIN, tw_exactly(3e-6));
    tw_study__add_edge(&reading.edges[1], TW_STUDY_EDGE_MARGIN, tw_exactly(-2e-6));
    tw_study__add_edge(&reading.edges[1], TW_STUDY_EDGE_TURN_OFF_CURRENT, tw_exactly(-4.0));
    tw_study__add_worst_edge(&reading);
    assert_close(tw_reading_field(&reading, "zero_crossing_margin")->value.value, -2e-6, 1e-15, 0.0);
    assert_close(tw_reading_field(&reading, "turn_off_current")->value.value, -4.0, 1e-15, 0.0);
    assert_true(isnan(tw_reading_field(&reading, "swing_time")->value.value));
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(rail_is_the_stated_one_else_the_supplys, make_context, drop_context),
        cmocka_unit_test_setup_teardown(priors_are_what_the_user_wrote, make_context, drop_context),
        cmocka_unit_test_setup_teardown(pan_kinds_give_their_loads, make_context, drop_context),
        cmocka_unit_test_setup_teardown(what_is_missing_is_named, make_context, drop_context),
        cmocka_unit_test(marks_repeat_and_stay_on_the_axis),
        cmocka_unit_test_setup_teardown(forecast_holds_every_shared_name_once, make_context, drop_context),
        cmocka_unit_test_setup_teardown(forecast_axis_is_ascending_and_periodic, make_context, drop_context),
        cmocka_unit_test_setup_teardown(forecast_meets_the_ideal_series_circuit, make_context, drop_context),
        cmocka_unit_test_setup_teardown(exact_rigs_give_exact_forecasts, make_context, drop_context),
        cmocka_unit_test_setup_teardown(stated_uncertainties_reach_the_forecast, make_context, drop_context),
        cmocka_unit_test_setup_teardown(power_spreads_as_neighbouring_forecasts_differ, make_context, drop_context),
        cmocka_unit_test_setup_teardown(a_verdict_that_hangs_on_a_tolerance_is_told, make_context, drop_context),
        cmocka_unit_test_setup_teardown(a_neighbour_that_cannot_be_is_no_failure, make_context, drop_context),
        cmocka_unit_test_setup_teardown(failing_allocations_leave_nothing_behind, make_context, drop_context),
        cmocka_unit_test(worst_edge_is_the_one_with_less_margin),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

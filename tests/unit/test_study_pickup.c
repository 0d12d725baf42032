/* The pick-ups' use case: numbers by hand, what contradicts itself, what is missing, a Rogowski coil through rehearse
 * and the priors, failing memory. */
#include "testing.h"

#include <math.h>
#include <string.h>

#include "study_pickup_internal.h"

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
                            "tank: {capacitance: 664 nF}\n"
                            "coil: {inductance: 91 uH, resistance: 118 mohm, turns: 24, inner_diameter: 52 mm,\n"
                            "  outer_diameter: 188 mm}\n"
                            "pan: {kind: coupled, coupling: 0.66, resistance: 5.2 ohm}\n"
                            "pickups:\n"
                            "  current: {kind: transformer, turns: 147, burden: 2.2 ohm ± 1 %, clamp_onset: 1.4 V,\n"
                            "    core: {outer_diameter: 25 mm, inner_diameter: 15 mm, height: 10 mm,\n"
                            "      inductance_factor: 2350 nH ± 25 %, saturation: 350 mT}, wire: {gauge: 30}}\n"
                            "  voltage: {kind: loop, diameter: 141 mm, distance: 5 mm}\n";

static tw_rig rig_with(tw_ctx *ctx, const char *const *overrides, size_t n) {
    tw_rig rig;
    assert_ok(tw_rig_parse(ctx, "plate.yaml", PLATE, strlen(PLATE), overrides, n, &rig), ctx);
    return rig;
}

static tw_pickup_plan plan_with(tw_ctx *ctx, const char *const *overrides, size_t n, const tw_pickup_opts *opts) {
    const tw_rig rig = rig_with(ctx, overrides, n);
    tw_pickup_plan plan;
    assert_ok(tw_study_pickup(ctx, &rig, opts, &plan), ctx);
    return plan;
}

static tw_value value(const tw_pickup_plan *plan, const char *key) {
    const tw_field *f = tw_pickup_plan_field(plan, key);
    if (f == NULL) {
        fail_msg("no field %s", key);
        return tw_unknown();
    }
    return f->value;
}

static void numbers_by_hand(void **state) {
    tw_pickup_plan plan = plan_with(*state, NULL, 0, NULL);
    const double lm = 2350e-9 * 147 * 147;
    /* wire gauge 30: 0.2546 mm (ASTM B258); once round 10 x 5 mm and the wire's own corners; 1/58 ohm mm2/m */
    const double length = 147 * (30e-3 + TW_PI * 0.2546e-3), rw = length / 58 / (TW_PI / 4 * 0.2546 * 0.2546);
    assert_close(value(&plan, "magnetizing_inductance").value, lm, 1e-12, 0);
    assert_close(value(&plan, "magnetizing_inductance").u, 0.25 / sqrt(3) * lm, 1e-12, 0);
    assert_close(value(&plan, "wire_length").value, length, 1e-5, 0);
    assert_close(value(&plan, "winding_resistance").value, rw, 5e-4, 0);
    assert_close(value(&plan, "current_scale").value, 2.2 / 147, 1e-12, 0);
    assert_close(value(&plan, "current_scale").u, 2.2 / 147 * 0.01 / sqrt(3), 1e-6, 0);
    assert_close(value(&plan, "clamp_limit").value, 1.4 * 147 / 2.2, 1e-12, 0);
    const double w = 2 * TW_PI * 26.3e3, phase = (2.2 + rw) / (w * lm) - w * 2.2 * 100e-12; /* the probe's 100 pF lag */
    assert_close(value(&plan, "phase_error").value, atan(phase) * 180 / TW_PI, 1e-3, 0);
    /* area of that ring by IEC 60205: 48.9268 mm2 */
    assert_close(value(&plan, "saturation_limit").value, 0.35 * 147 * 147 * w * 48.9268e-6 / (2.2 + rw), 1e-3, 0);
    const double rms = value(&plan, "coil_current_rms").value;
    assert_close(value(&plan, "burden_dissipation").value, pow(rms / 147, 2) * 2.2, 1e-4, 0);
    assert_close(value(&plan, "insertion_resistance").value, (2.2 + rw) / (147 * 147), 1e-3, 0);
    assert_int_equal(plan.warnings.count, 0);
    assert_int_equal(plan.n_points, 241);
    tw_reading forecast;
    const tw_rig rig = rig_with(*state, NULL, 0);
    assert_ok(tw_study_forecast(*state, &rig, &forecast), *state);
    assert_close(rms, tw_reading_field(&forecast, "coil_current_rms")->value.value, 1e-12, 0);
    const double lag = tw_reading_field(&forecast, "coil_phase_lag")->value.value * TW_PI / 180;
    assert_close(value(&plan, "real_power_error").value, phase * tan(lag), 0.02, 0);
    tw_reading_dispose(&forecast);
    tw_pickup_plan_dispose(&plan);
}

static void groups_ascend_and_keys_are_unique(void **state) {
    tw_pickup_plan plan = plan_with(*state, NULL, 0, NULL);
    for (size_t k = 0; k < plan.n_fields; k++) {
        assert_true(k == 0 || plan.fields[k].group >= plan.fields[k - 1].group);
        assert_ptr_equal(tw_pickup_plan_field(&plan, plan.fields[k].key), &plan.fields[k]);
        assert_true(isfinite(plan.fields[k].value.value));
    }
    tw_pickup_plan_dispose(&plan);
}

static void burdens_for_a_wanted_scale(void **state) {
    static const char *const open[] = {"pickups.current.burden=unknown"};
    tw_pickup_opts opts = tw_pickup_opts_default();
    opts.scale_v_per_a = 14.2e-3; /* 2.0874 ohm */
    tw_pickup_plan plan = plan_with(*state, open, 1, &opts);
    assert_int_equal(plan.n_burdens, 2);
    assert_close(plan.burdens[0].resistance_ohm, 2.0, 1e-15, 0); /* 2.0 : 2.0874 is nearer than 2.2 : 2.0874 */
    assert_close(plan.burdens[1].resistance_ohm, 2.10, 1e-15, 0);
    assert_close(plan.burdens[1].deviation, 2.10 / (147 * 14.2e-3) - 1, 1e-3, 0);
    assert_true(tw_warnings_has(&plan.warnings, "burden_chosen"));
    assert_close(value(&plan, "current_scale").value, 2.0 / 147, 1e-12, 0);
    tw_pickup_plan_dispose(&plan);
    const tw_rig rig = rig_with(*state, NULL, 0);
    opts.scale_v_per_a = 1e4; /* beyond any probe */
    assert_int_equal(tw_study_pickup(*state, &rig, &opts, &plan), TW_OUT_OF_RANGE);
    tw_ctx_clear_error(*state);
}

static void direct_current_and_low_frequency_cost_range(void **state) {
    tw_pickup_opts opts = tw_pickup_opts_default();
    tw_pickup_plan plan = plan_with(*state, NULL, 0, &opts);
    const double full = value(&plan, "saturation_limit").value;
    tw_pickup_plan_dispose(&plan);
    opts.lowest_hz = 2630;
    plan = plan_with(*state, NULL, 0, &opts);
    assert_close(value(&plan, "saturation_limit").value, full / 10, 1e-3, 0);
    tw_pickup_plan_dispose(&plan);
    /* B = L_m i/(N^2 A): half the flux density at N^2 A B/(2 L_m) = A B/(2 A_L) */
    opts = tw_pickup_opts_default();
    opts.direct_a = -0.35 * 48.9268e-6 / (2 * 2350e-9);
    plan = plan_with(*state, NULL, 0, &opts);
    assert_close(value(&plan, "saturation_limit").value, full / 2, 1e-4, 0);
    tw_pickup_plan_dispose(&plan);
}

static void what_is_wrong_is_warned_of(void **state) {
    static const struct {
        const char *override, *code;
    } CASES[] = {{"pickups.current.magnetizing_inductance=20 mH", "magnetizing_contradiction"},
                 {"pickups.current.winding_resistance=9 ohm", "winding_contradiction"},
                 {"pickups.current.core.effective_area=98 mm2", "core_contradiction"},
                 {"pickups.current.core.permeability=10000", "permeability_contradiction"},
                 {"pickups.current.burden=12 ohm", "clamp_conducts"},
                 {"pickups.current.core.effective_area=0.28 mm2", "start_saturates"},
                 {"pickups.current.core.effective_area=0.1 mm2", "core_saturates"},
                 {"pickups.current.core.saturation=unknown", "saturation_unknown"},
                 {"pickups.current.burden_rating=50 mW", "burden_overloaded"},
                 {"pickups.current.clamp_onset=unknown", "no_clamp"},
                 {"pickups.current.winding_capacitance=1 uF", "high_corner_near"},
                 {"pickups.voltage.gain=0.3", "loop_gain_contradiction"},
                 {"pickups.voltage.diameter=50 mm", "loop_phase"},
                 {"pickups.voltage.diameter=unknown", "loop_needs_geometry"},
                 {"tank.capacitance=unknown", "flow_unknown"}};
    for (size_t k = 0; k < sizeof CASES / sizeof CASES[0]; k++) {
        /* leakage makes a capacitance matter */
        const char *const overrides[] = {CASES[k].override, "pickups.current.leakage_inductance=9 uH"};
        tw_pickup_plan plan = plan_with(*state, overrides, 2, NULL);
        if (!tw_warnings_has(&plan.warnings, CASES[k].code)) {
            fail_msg("%s: no warning %s", CASES[k].override, CASES[k].code);
        }
        tw_pickup_plan_dispose(&plan);
    }
    /* consistent within the core's tolerance: no warning */
    static const char *const near[] = {"pickups.current.magnetizing_inductance=44 mH ± 5 %"};
    tw_pickup_plan plan = plan_with(*state, near, 1, NULL);
    assert_false(tw_warnings_has(&plan.warnings, "magnetizing_contradiction"));
    tw_pickup_plan_dispose(&plan);
}

static void what_is_missing_is_named(void **state) {
    static const struct {
        const char *override, *key;
    } CASES[] = {{"bridge.frequency=unknown", "bridge.frequency"},
                 {"pickups.current.turns=unknown", "pickups.current.turns"},
                 {"pickups.current.burden=unknown", "pickups.current.burden"},
                 {"pickups.current.kind=rogowski", "pickups.current.sensitivity"}};
    for (size_t k = 0; k < sizeof CASES / sizeof CASES[0]; k++) {
        const tw_rig rig = rig_with(*state, &CASES[k].override, 1);
        tw_pickup_plan plan = {.n_fields = 7};
        assert_int_not_equal(tw_study_pickup(*state, &rig, NULL, &plan), TW_OK);
        assert_string_equal(tw_ctx_error(*state)->key, CASES[k].key);
        assert_int_equal(plan.n_fields, 7);
        tw_ctx_clear_error(*state);
    }
    static const char *const none[] = {"pickups.current.kind=none", "pickups.voltage.kind=none"};
    const tw_rig rig = rig_with(*state, none, 2);
    tw_pickup_plan plan;
    assert_int_equal(tw_study_pickup(*state, &rig, NULL, &plan), TW_NEEDS_OPTION);
    tw_ctx_clear_error(*state);
}

static const char *const ROGOWSKI[] = {
    "pickups.current.kind=rogowski", "pickups.current.mutual_inductance=118 nH ± 2 %",
    "pickups.current.integrator.time_constant=11 us", "pickups.current.integrator.low_corner=170 Hz (u=9 Hz)"};

static void a_rogowski_coil_is_a_transformer_to_the_rest(void **state) {
    const tw_rig rig = rig_with(*state, ROGOWSKI, 4);
    tw_transformer t;
    assert_ok(tw_study__transformer(*state, &rig, &t), *state);
    const double s = 118e-9 / 11e-6;
    assert_close(tw_transformer_scale(&t), s, 1e-14, 0);
    assert_true(isnan(t.clamp_onset_v));
    double re, im;
    tw_transformer_transfer(&t, 2 * TW_PI * 170, &re, &im);
    assert_close(hypot(re, im), s / sqrt(2), 1e-12, 0);
    const tw_prior prior = tw_study__prior(&rig);
    assert_close(prior.burden_ohm.u / prior.burden_ohm.value, 0.02 / sqrt(3), 1e-12, 0);
    assert_close(prior.magnetizing_inductance_h.u / prior.magnetizing_inductance_h.value, 9.0 / 170, 1e-12, 0);
    tw_rehearsal rehearsal;
    assert_ok(tw_study_rehearse(*state, &rig, NULL, &rehearsal), *state);
    tw_pickup_plan plan = plan_with(*state, ROGOWSKI, 4, NULL);
    assert_close(rehearsal.current_peak_v, value(&plan, "coil_current_peak").value * s, 0.02, 0);
    assert_close(value(&plan, "current_scale").value, s, 1e-12, 0);
    assert_null(tw_pickup_plan_field(&plan, "burden_dissipation"));
    tw_pickup_plan_dispose(&plan);
    tw_rehearsal_dispose(&rehearsal);
}

/* Two loops of the winding's own turns' width, or one as the sum of its parts: the estimate against limits it must
 * keep. */
static void the_loop_estimate_keeps_its_limits(void **state) {
    tw_rig rig = rig_with(*state, NULL, 0);
    tw_half_bridge stage;
    tw_study__loop loop, half, far;
    assert_ok(tw_study_stage(*state, &rig, &stage), *state);
    assert_true(tw_study__loop_by_geometry(*state, &rig, &stage.load, 26.3e3, &loop));
    /* near one turn's share, somewhat above in the middle of the winding */
    assert_true(loop.gain_air > 0.9 / 24 && loop.gain_air < 1.5 / 24);
    rig.voltage_pickup.turns = tw_exactly(3);
    assert_true(tw_study__loop_by_geometry(*state, &rig, &stage.load, 26.3e3, &half));
    assert_close(half.gain, 3 * loop.gain, 1e-12, 0);
    assert_close(half.phase_lead_rad, loop.phase_lead_rad, 0, 1e-12);
    assert_close(half.inductance_h, 9 * loop.inductance_h, 1e-12, 0);
    rig.voltage_pickup.distance_m = tw_exactly(0.45);
    assert_true(tw_study__loop_by_geometry(*state, &rig, &stage.load, 26.3e3, &far));
    assert_true(far.gain_air < 0.1 * half.gain_air);
    /* no pan: the phase is the coil's own loss angle, the gain the one in air */
    rig = rig_with(*state, NULL, 0);
    rig.pan.kind = TW_PAN_NONE;
    rig.pan.coupling = rig.pan.resistance_ohm = tw_unknown();
    assert_ok(tw_study_stage(*state, &rig, &stage), *state);
    assert_true(tw_study__loop_by_geometry(*state, &rig, &stage.load, 26.3e3, &loop));
    const double angle = atan(0.118 / (2 * TW_PI * 26.3e3 * 91e-6));
    assert_close(loop.phase_lead_rad, angle, 1e-9, 0);
    assert_close(loop.gain, loop.gain_air * cos(angle), 1e-9, 0);
    assert_true(isinf(loop.mirror_m));
}

static void every_allocation_may_fail(void **state) {
    const tw_rig rig = rig_with(*state, NULL, 0);
    size_t failures = 0;
    for (size_t n = 1;; n++) {
        tw_pickup_plan plan = {.n_fields = 7};
        tw_ctx_fail_allocation(*state, n);
        const tw_status status = tw_study_pickup(*state, &rig, NULL, &plan);
        tw_ctx_fail_allocation(*state, 0);
        if (status == TW_OK) {
            tw_pickup_plan_dispose(&plan);
            break;
        }
        assert_int_equal(status, TW_NO_MEMORY);
        assert_int_equal(plan.n_fields, 7);
        tw_ctx_clear_error(*state);
        failures++;
        assert_true(failures < 1000);
    }
    assert_true(failures > 4);
}

/* Random pick-ups: what is told stays finite, and the laws that connect the numbers hold. */
static void laws_hold_over_random_pickups(void **state) {
    tw_random r = {20261125};
    const tw_rig plate = rig_with(*state, NULL, 0);
    for (int k = 0; k < 60; k++) {
        tw_rig rig = plate;
        tw_rig_current_pickup *p = &rig.current_pickup;
        p->turns = tw_exactly(floor(tw_random_log_uniform(&r, 20, 3000)));
        p->burden_ohm = (tw_value){tw_random_log_uniform(&r, 0.1, 200), 0};
        p->leakage_inductance_h = tw_exactly(tw_random_log_uniform(&r, 1e-8, 1e-4));
        p->winding_capacitance_f = tw_exactly(tw_random_log_uniform(&r, 1e-12, 1e-9));
        tw_pickup_plan plan;
        assert_ok(tw_study_pickup(*state, &rig, NULL, &plan), *state);
        const double scale = value(&plan, "current_scale").value, peak = value(&plan, "coil_current_peak").value;
        assert_close(value(&plan, "output_peak").value, scale * peak, 1e-12, 0);
        assert_true(value(&plan, "low_corner").value < value(&plan, "high_corner").value);
        assert_true(value(&plan, "insertion_resistance").value > 0);
        const bool clamps = peak > value(&plan, "clamp_limit").value;
        assert_int_equal(clamps, tw_warnings_has(&plan.warnings, "clamp_conducts"));
        /* flux density and the limit are one law, the waveform's flatness apart */
        const double share = value(&plan, "flux_density_peak").value / 0.35,
                     of_limit = peak / value(&plan, "saturation_limit").value;
        assert_true(share / of_limit > 0.8 && share / of_limit < 1.25);
        for (size_t n = 1; n < plan.n_points; n++) {
            assert_true(plan.frequency_hz[n] > plan.frequency_hz[n - 1]);
            assert_true(isfinite(plan.ratio_error[n]) && fabs(plan.phase_error_deg[n]) <= 180);
        }
        tw_pickup_plan_dispose(&plan);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(numbers_by_hand, make_context, drop_context),
        cmocka_unit_test_setup_teardown(groups_ascend_and_keys_are_unique, make_context, drop_context),
        cmocka_unit_test_setup_teardown(burdens_for_a_wanted_scale, make_context, drop_context),
        cmocka_unit_test_setup_teardown(direct_current_and_low_frequency_cost_range, make_context, drop_context),
        cmocka_unit_test_setup_teardown(what_is_wrong_is_warned_of, make_context, drop_context),
        cmocka_unit_test_setup_teardown(what_is_missing_is_named, make_context, drop_context),
        cmocka_unit_test_setup_teardown(a_rogowski_coil_is_a_transformer_to_the_rest, make_context, drop_context),
        cmocka_unit_test_setup_teardown(the_loop_estimate_keeps_its_limits, make_context, drop_context),
        cmocka_unit_test_setup_teardown(every_allocation_may_fail, make_context, drop_context),
        cmocka_unit_test_setup_teardown(laws_hold_over_random_pickups, make_context, drop_context),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

/* Valve logic, projection, bad input, extreme but legal input, failing memory, sampling rules. */
#include "testing.h"

#include <math.h>
#include <string.h>

#include "circuit_run.h"
#include "circuit_steady.h"

static int make_context(void **state) {
    *state = tw_ctx_create();
    return *state == NULL;
}

static int drop_context(void **state) {
    tw_ctx_destroy(*state);
    return 0;
}

static tw_half_bridge melter(void) {
    return (tw_half_bridge){.rail_v = 318.0,
                            .frequency_hz = 26e3,
                            .dead_time_s = 1.8e-6,
                            .snubber_capacitance_f = 10e-9,
                            .transistor = {0.9, 0.02},
                            .diode = {0.8, 0.015},
                            .capacitance_f = 660e-9,
                            .esr_ohm = 3e-3,
                            .split = true,
                            .load = tw_load_coupled(90e-6, 0.12, 0.67, 5.0)};
}

/* ---- valves ------------------------------------------------------------------------------------- */

/* A switch that closes on a floating midpoint takes it to its own drop; the loss is the integral of its voltage over
 * the charge, and it conducts only where the current is its own. */
static void closing_switch_projects_the_midpoint(void **state) {
    tw_ctx *ctx = *state;
    const tw_half_bridge s = melter();
    tw_half_bridge_model *model = tw_alloc(ctx, 1, sizeof *model);
    tw_run *run = tw_alloc(ctx, 1, sizeof *run);
    assert_non_null(model);
    assert_non_null(run);
    assert_ok(tw_half_bridge_build(ctx, &s, model), ctx);
    tw_run_init(ctx, &model->net, run);
    const double currents[] = {-12.5, 12.5};
    for (size_t k = 0; k < 2; k++) {
        const double x[TW_N] = {currents[k], 3.0, 140.0, 97.3};
        assert_ok(tw_run_begin(run, x, TW_FLOATING, 0), ctx);
        assert_ok(tw_run_close(run, TW_LOW_TRANSISTOR), ctx);
        const double drop = k == 0 ? 0.9 + 0.02 * 12.5 : 0.9; /* against the current: the bare threshold */
        const tw_piece *last = &run->pieces[run->n_pieces - 1];
        assert_close(run->x[3], drop, 1e-14, 0.0);
        assert_close(run->x[0], currents[k], 0.0, 0.0);
        assert_close(run->x[2], 140.0, 0.0, 0.0);
        assert_int_equal(run->mode, k == 0 ? TW_LOW_TRANSISTOR + 1 : TW_FLOATING);
        assert_int_equal(last->jump.valve, TW_LOW_TRANSISTOR);
        assert_close(last->jump.distance_v, 97.3 - drop, 1e-14, 0.0);
        assert_close(last->jump.energy_j, 0.5 * 20e-9 * (97.3 * 97.3 - drop * drop), 1e-13, 0.0);
    }
    /* Within the transistor's drop nothing is forced; a mate that conducts keeps conducting. */
    const double inside[TW_N] = {12.5, 3.0, 140.0, 0.4};
    assert_ok(tw_run_begin(run, inside, TW_FLOATING, 0), ctx);
    assert_ok(tw_run_close(run, TW_LOW_TRANSISTOR), ctx);
    assert_int_equal(run->pieces[run->n_pieces - 1].jump.valve, TW_NO_VALVE);
    assert_int_equal(run->mode, TW_FLOATING);
    assert_ok(tw_run_begin(run, inside, TW_LOW_DIODE + 1, 0), ctx);
    assert_close(run->x[3], -0.8 - 0.015 * 12.5, 1e-14, 0.0);
    assert_ok(tw_run_close(run, TW_LOW_TRANSISTOR), ctx);
    assert_int_equal(run->mode, TW_LOW_DIODE + 1);
    tw_run_dispose(run);
    tw_free(run);
    tw_free(model);
}

/* The exact derivative through swing, diode, hand-over and forced closing against central differences. */
static void derivative_matches_differences(void **state) {
    tw_ctx *ctx = *state;
    tw_half_bridge_model *model = tw_alloc(ctx, 1, sizeof *model);
    tw_run *run = tw_alloc(ctx, 1, sizeof *run);
    assert_non_null(model);
    assert_non_null(run);
    const double frequency_hz[] = {26e3, 23.1e3, 31e3, 24.6e3}, dead_s[] = {1.8e-6, 0.7e-6, 0.1e-6, 3.3e-6};
    for (size_t k = 0; k < 4; k++) {
        tw_half_bridge s = melter();
        s.frequency_hz = frequency_hz[k];
        s.dead_time_s = dead_s[k];
        assert_ok(tw_half_bridge_build(ctx, &s, model), ctx);
        tw_run_init(ctx, &model->net, run);
        double x[TW_N], end[2][TW_N];
        size_t mode;
        tw_half_bridge_guess(model, x, &mode);
        run->wants_derivative = true;
        assert_ok(tw_half_wave_run(&model->drive, x, mode, run), ctx);
        double s_matrix[TW_N][TW_N];
        memcpy(s_matrix, run->s, sizeof s_matrix);
        run->wants_derivative = false;
        for (size_t column = 0; column < 3; column++) {
            const double step = column == 2 ? 1e-3 : 1e-4;
            for (size_t side = 0; side < 2; side++) {
                double moved[TW_N];
                memcpy(moved, x, sizeof moved);
                moved[column] += side == 0 ? -step : step;
                assert_ok(tw_half_wave_run(&model->drive, moved, mode, run), ctx);
                memcpy(end[side], run->x, sizeof end[side]);
            }
            for (size_t row = 0; row < 4; row++) {
                const double difference = (end[1][row] - end[0][row]) / (2.0 * step);
                assert_close(s_matrix[row][column], difference, 1e-6, 1e-6);
            }
        }
        tw_run_dispose(run);
    }
    tw_free(run);
    tw_free(model);
}

/* ---- bad and extreme input ---------------------------------------------------------------------- */

static void expect_named(tw_ctx *ctx, const tw_half_bridge *s, const char *name) {
    tw_steady *steady = NULL;
    assert_int_equal(tw_steady_solve(ctx, s, NULL, &steady), TW_OUT_OF_RANGE);
    assert_string_equal(tw_ctx_error(ctx)->key, name);
    assert_null(steady);
    tw_ctx_clear_error(ctx);
}

static void each_field_out_of_range_is_named(void **state) {
    tw_ctx *ctx = *state;
    const struct {
        size_t offset;
        const char *name;
        double bad[3];
    } fields[] = {
        {offsetof(tw_half_bridge, rail_v), "rail", {0.0, -3.0, 1e7}},
        {offsetof(tw_half_bridge, frequency_hz), "frequency", {0.0, -1.0, 1e10}},
        {offsetof(tw_half_bridge, dead_time_s), "dead_time", {-1e-9, 0.5 / 26e3, 1.0}},
        {offsetof(tw_half_bridge, snubber_capacitance_f), "snubber_capacitance", {-1e-12, 2.0, -1.0}},
        {offsetof(tw_half_bridge, transistor.threshold_v), "transistor.threshold", {-0.1, 159.0, 400.0}},
        {offsetof(tw_half_bridge, transistor.slope_ohm), "transistor.slope", {-0.1, 1e7, -1.0}},
        {offsetof(tw_half_bridge, diode.threshold_v), "diode.threshold", {-0.1, 159.0, 400.0}},
        {offsetof(tw_half_bridge, diode.slope_ohm), "diode.slope", {-0.1, 1e7, -1.0}},
        {offsetof(tw_half_bridge, capacitance_f), "capacitance", {0.0, -1e-6, 1e4}},
        {offsetof(tw_half_bridge, esr_ohm), "esr", {-1e-3, 1e10, -1.0}},
        {offsetof(tw_half_bridge, load.resistance_ohm), "load.resistance", {-1e-3, 1e10, -1.0}},
        {offsetof(tw_half_bridge, load.inductance_h), "load.inductance", {0.0, -1e-6, 1e7}},
        {offsetof(tw_half_bridge, load.branches[0].inductance_h), "load.branches.inductance", {0.0, -1e-6, 1e7}},
        {offsetof(tw_half_bridge, load.branches[0].resistance_ohm), "load.branches.resistance", {0.0, -1.0, 1e10}},
    };
    for (size_t k = 0; k < sizeof fields / sizeof *fields; k++) {
        for (size_t b = 0; b < 5; b++) {
            tw_half_bridge s = melter();
            const double bad = b < 3 ? fields[k].bad[b] : b == 3 ? NAN : INFINITY;
            memcpy((char *)&s + fields[k].offset, &bad, sizeof bad);
            expect_named(ctx, &s, fields[k].name);
        }
    }
    tw_half_bridge s = melter();
    s.load.n_branches = TW_MAX_BRANCHES + 1;
    expect_named(ctx, &s, "load.branches");
    s = melter();
    tw_steady *steady = NULL;
    tw_steady_opts opts = tw_steady_opts_default();
    opts.tolerance = NAN;
    assert_int_equal(tw_steady_solve(ctx, &s, &opts, &steady), TW_OUT_OF_RANGE);
    tw_ctx_clear_error(ctx);
    opts = tw_steady_opts_default();
    opts.max_newton_steps = 0;
    assert_int_equal(tw_steady_solve(ctx, &s, &opts, &steady), TW_OUT_OF_RANGE);
}

static void lack_of_convergence_tells_the_residual(void **state) {
    tw_ctx *ctx = *state;
    tw_half_bridge s = melter();
    s.frequency_hz = 24.6e3;
    s.dead_time_s = 3.3e-6;
    const tw_steady_opts opts = {.max_newton_steps = 1, .tolerance = 1e-14};
    tw_steady *steady = NULL;
    assert_int_equal(tw_steady_solve(ctx, &s, &opts, &steady), TW_NO_CONVERGENCE);
    assert_non_null(strstr(tw_ctx_error(ctx)->message, "still changes by"));
    assert_null(steady);
}

/* Balanced, finite, periodic: what must hold however odd the stage. */
static void check_sound(tw_ctx *ctx, const tw_half_bridge *s) {
    tw_steady *steady = NULL;
    assert_ok(tw_steady_solve(ctx, s, NULL, &steady), ctx);
    const tw_operating_point *p = tw_steady_point(steady);
    assert_close(p->energy.residual, 0.0, 0.0, 1e-10 * p->energy.throughput);
    assert_close(p->energy.stored, 0.0, 0.0,
                 1e-10 * p->energy.throughput + 1e-11 * s->rail_v * s->rail_v * s->capacitance_f);
    assert_true(isfinite(p->coil_current_rms_a) && p->coil_current_peak_a >= p->coil_current_rms_a * (1.0 - 1e-9));
    assert_true(p->falling.verdict != TW_COMMUTATION_UNKNOWN);
    const double around[2] = {0.3 / s->frequency_hz, -0.7 / s->frequency_hz};
    double v[2];
    tw_steady_sample(steady, TW_SIGNAL_CAPACITOR_VOLTAGE, around, 2, v);
    assert_close(v[0], v[1], 1e-9, 1e-9 * s->rail_v);
    tw_steady_destroy(steady);
}

static void extreme_but_legal_stages_work(void **state) {
    tw_ctx *ctx = *state;
    tw_half_bridge s = melter();
    s.snubber_capacitance_f = 0.0;
    check_sound(ctx, &s);
    s.dead_time_s = 0.0;
    check_sound(ctx, &s);
    s.transistor = s.diode = (tw_device){0.0, 0.0};
    check_sound(ctx, &s);
    s.snubber_capacitance_f = 10e-9;
    check_sound(ctx, &s);
    s.dead_time_s = 0.499999 / s.frequency_hz; /* hardly ever on */
    check_sound(ctx, &s);
    s = melter();
    s.transistor.slope_ohm = 0.2; /* unequal slopes without thresholds: the lines cross */
    s.transistor.threshold_v = s.diode.threshold_v = 0.0;
    check_sound(ctx, &s);
    s.transistor.slope_ohm = 0.001;
    s.diode.slope_ohm = 0.3;
    check_sound(ctx, &s);
    s = melter();
    s.load = tw_load_coupled(90e-6, 0.12, 0.999, 5.0);
    check_sound(ctx, &s);
    s.load = tw_load_coupled(90e-6, 0.12, 0.999, 1e-6);
    check_sound(ctx, &s);
    s.load = tw_load_coupled(90e-6, 0.12, 0.5, 1e-8);
    check_sound(ctx, &s);
    s.load = tw_load_coupled(90e-6, 0.12, 0.5, 1e6);
    check_sound(ctx, &s);
    s = melter();
    s.frequency_hz = 260.0; /* the current rings out many times per half period */
    check_sound(ctx, &s);
    s.frequency_hz = 5e6;
    s.dead_time_s = 2e-8;
    check_sound(ctx, &s);
    s = melter();
    s.load = (tw_load){.resistance_ohm = 20.0, .inductance_h = 66e-6}; /* critical: 2 sqrt(66e-6/0.66e-6) = 20 */
    s.esr_ohm = 0.0;
    s.transistor = s.diode = (tw_device){0.0, 0.0};
    check_sound(ctx, &s);
    s.load.resistance_ohm = 20.0 * (1.0 + 1e-9);
    check_sound(ctx, &s);
    s.load.resistance_ohm = 1e-6; /* hardly any loss at all, off resonance */
    check_sound(ctx, &s);
    s.load.resistance_ohm = 1e5; /* hardly any current */
    check_sound(ctx, &s);
}

static void branches_up_to_the_limit(void **state) {
    tw_ctx *ctx = *state;
    tw_half_bridge s = melter();
    s.load = (tw_load){.resistance_ohm = 0.1, .inductance_h = 30e-6, .n_branches = TW_MAX_BRANCHES};
    for (size_t k = 0; k < TW_MAX_BRANCHES; k++) {
        s.load.branches[k] = (tw_chain_branch){5e-6 / (double)(k + 1), 0.4 * (double)(k + 1)};
    }
    check_sound(ctx, &s);
    for (size_t k = 0; k < TW_MAX_BRANCHES; k++) {
        s.load.branches[k] = (tw_chain_branch){4e-6, 2.0}; /* equal branches: repeated eigenvalues */
    }
    check_sound(ctx, &s);
}

static void failing_memory_is_reported(void **state) {
    tw_ctx *ctx = *state;
    const tw_half_bridge s = melter();
    tw_steady *steady = NULL;
    tw_ctx_fail_allocation(ctx, 1);
    assert_int_equal(tw_steady_solve(ctx, &s, NULL, &steady), TW_NO_MEMORY);
    assert_null(steady);
    tw_ctx_clear_error(ctx);
    tw_half_bridge rings = s; /* so many pieces that the record must grow */
    rings.frequency_hz = 600.0;
    rings.transistor = rings.diode = (tw_device){0.0, 0.0};
    tw_ctx_fail_allocation(ctx, 2);
    assert_int_equal(tw_steady_solve(ctx, &rings, NULL, &steady), TW_NO_MEMORY);
    tw_ctx_clear_error(ctx);
    tw_ctx_fail_allocation(ctx, 0);
    assert_ok(tw_steady_solve(ctx, &rings, NULL, &steady), ctx);
    tw_steady_destroy(steady);
    tw_steady_destroy(NULL);
}

/* ---- words and sampling ------------------------------------------------------------------------- */

static void words_and_order_of_verdicts(void **state) {
    (void)state;
    assert_string_equal(tw_commutation_word(TW_COMMUTATION_FULL_ZVS), "full-zvs");
    assert_string_equal(tw_commutation_word(TW_COMMUTATION_PARTIAL_ZVS), "partial-zvs");
    assert_string_equal(tw_commutation_word(TW_COMMUTATION_REBOUND), "rebound");
    assert_string_equal(tw_commutation_word(TW_COMMUTATION_HARD), "hard");
    assert_string_equal(tw_commutation_word(TW_COMMUTATION_UNKNOWN), "unknown");
    assert_int_equal(tw_commutation_worse(TW_COMMUTATION_REBOUND, TW_COMMUTATION_PARTIAL_ZVS),
                     TW_COMMUTATION_PARTIAL_ZVS);
    assert_int_equal(tw_commutation_worse(TW_COMMUTATION_UNKNOWN, TW_COMMUTATION_FULL_ZVS), TW_COMMUTATION_FULL_ZVS);
    assert_int_equal(tw_commutation_worse(TW_COMMUTATION_HARD, TW_COMMUTATION_REBOUND), TW_COMMUTATION_HARD);
    assert_string_equal(tw_signal_key(TW_SIGNAL_PAN_CURRENT), "pan_current");
    assert_string_equal(tw_signal_unit(TW_SIGNAL_COIL_VOLTAGE), "V");
}

static void sampling_takes_the_later_value_at_a_jump(void **state) {
    tw_ctx *ctx = *state;
    tw_half_bridge s = melter();
    s.dead_time_s = 0.1e-6; /* too short: forced */
    tw_steady *steady = NULL;
    assert_ok(tw_steady_solve(ctx, &s, NULL, &steady), ctx);
    const tw_operating_point *p = tw_steady_point(steady);
    assert_string_equal(tw_commutation_word(p->commutation), "partial-zvs");
    const double half = 0.5 * p->period_s;
    const double t[4] = {half, half - 1e-15, 0.0, -1e-15};
    double v[4];
    tw_steady_sample(steady, TW_SIGNAL_MIDPOINT_VOLTAGE, t, 4, v);
    assert_close(v[0], 0.9, 1e-9, 0.0); /* against the current: on the bare threshold */
    assert_close(v[1] - v[0], p->falling.forced_voltage_v, 1e-6, 0.0);
    assert_close(v[2], 318.0 - 0.9, 1e-9, 0.0);
    assert_close(v[2] - v[3], p->falling.forced_voltage_v, 1e-6, 0.0);
    double breaks[64];
    const size_t n = tw_steady_breaks(steady, breaks, 64);
    assert_true(n >= 6 && n <= 64);
    assert_int_equal(tw_steady_breaks(steady, NULL, 0), n);
    for (size_t k = 0; k < n; k++) {
        assert_true(breaks[k] < p->period_s && (k == 0 ? breaks[k] == 0.0 : breaks[k] > breaks[k - 1]));
    }
    tw_steady_destroy(steady);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(closing_switch_projects_the_midpoint, make_context, drop_context),
        cmocka_unit_test_setup_teardown(derivative_matches_differences, make_context, drop_context),
        cmocka_unit_test_setup_teardown(each_field_out_of_range_is_named, make_context, drop_context),
        cmocka_unit_test_setup_teardown(lack_of_convergence_tells_the_residual, make_context, drop_context),
        cmocka_unit_test_setup_teardown(extreme_but_legal_stages_work, make_context, drop_context),
        cmocka_unit_test_setup_teardown(branches_up_to_the_limit, make_context, drop_context),
        cmocka_unit_test_setup_teardown(failing_memory_is_reported, make_context, drop_context),
        cmocka_unit_test_setup_teardown(words_and_order_of_verdicts, make_context, drop_context),
        cmocka_unit_test_setup_teardown(sampling_takes_the_later_value_at_a_jump, make_context, drop_context),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

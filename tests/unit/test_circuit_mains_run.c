/* Mains run and other arrangements: balance, consistency of what is reported, limits, bad input. */
#include <math.h>
#include <string.h>

#include "tankwright/circuit.h"
#include "testing.h"

static int setup(void **state) {
    *state = tw_ctx_create();
    return *state == NULL;
}

static int teardown(void **state) {
    tw_ctx_destroy(*state);
    return 0;
}

static tw_half_bridge a_stage(void) {
    return (tw_half_bridge){.frequency_hz = 26.7e3,
                            .dead_time_s = 1.8e-6,
                            .snubber_capacitance_f = 10e-9,
                            .transistor = {0.9, 0.02},
                            .diode = {0.8, 0.015},
                            .capacitance_f = 660e-9,
                            .esr_ohm = 3e-3,
                            .split = true,
                            .load = tw_load_coupled(90e-6, 0.12, 0.67, 5.0)};
}

static tw_mains_supply a_supply(void) {
    return (tw_mains_supply){.voltage_rms_v = 231.0,
                             .frequency_hz = 50.0,
                             .source_inductance_h = 0.3e-3,
                             .source_resistance_ohm = 0.4,
                             .rail_capacitance_f = 6.8e-6,
                             .rectifier = {0.7, 0.02}};
}

typedef struct record {
    size_t n;
    double interval_s, sum_ei, sum_i2, largest, last_t;
} record;

static bool add_sample(double t, const double *v, void *user) {
    record *r = user;
    assert_close(t, (double)r->n * r->interval_s, 1e-12, 1e-15);
    r->n++;
    r->sum_ei += v[TW_MAINS_SOURCE_VOLTAGE] * v[TW_MAINS_SOURCE_CURRENT];
    r->sum_i2 += v[TW_MAINS_SOURCE_CURRENT] * v[TW_MAINS_SOURCE_CURRENT];
    r->largest = fmax(r->largest, fabs(v[TW_MAINS_COIL_CURRENT]));
    r->last_t = t;
    return false;
}

static void sums_agree_with_samples_and_with_the_table(void **state) {
    tw_ctx *ctx = *state;
    const tw_half_bridge s = a_stage();
    const tw_mains_supply m = a_supply();
    record rec = {.interval_s = 1e-7};
    tw_mains_opts o = tw_mains_opts_default();
    o.sample = add_sample;
    o.user = &rec;
    o.sample_interval_s = rec.interval_s;
    o.harmonics = 40;
    tw_mains_result r;
    assert_ok(tw_mains_run(ctx, &s, &m, &o, &r), ctx);
    assert_true(r.settled);
    assert_close(r.energy.residual, 0.0, 0.0, 1e-10 * r.energy.throughput);
    assert_int_equal(rec.n, 100000);
    assert_close(rec.sum_ei / (double)rec.n, r.source_power_w, 1e-5, 0.0);
    assert_close(sqrt(rec.sum_i2 / (double)rec.n), r.source_current_rms_a, 1e-5, 0.0);
    assert_true(rec.largest <= r.coil_current_peak_a * (1.0 + 1e-9));
    assert_close(rec.largest, r.coil_current_peak_a, 1e-4, 0.0);
    assert_true(r.n_cycles >= 266 && r.n_cycles <= 268);
    double power = 0.0, peak = 0.0;
    for (size_t k = 0; k < r.n_cycles; k++) {
        power += r.cycles[k].real_power_w / 26.7e3;
        peak = fmax(peak, r.cycles[k].coil_current_peak_a);
        assert_true(r.cycles[k].coil_current_rms_a < r.cycles[k].coil_current_peak_a);
        assert_true(r.cycles[k].verdict[0] != TW_COMMUTATION_UNKNOWN &&
                    r.cycles[k].verdict[1] != TW_COMMUTATION_UNKNOWN);
    }
    assert_close(power / 0.01, r.real_power_w, 1e-3, 0.0); /* a period's part stands over at the ends */
    assert_close(peak, r.coil_current_peak_a, 0.0, 0.0);
    /* Harmonics: the real part of the fundamental carries the power; all of them make up the rms value but for what
     * lies above the 40th. */
    double squares = 0.0;
    for (unsigned n = 1; n <= r.n_harmonics; n++) {
        squares += r.harmonic_a[n] * r.harmonic_a[n];
        assert_true(n % 2 == 1 || r.harmonic_a[n] == 0.0);
    }
    assert_true(sqrt(squares) <= r.source_current_rms_a);
    assert_close(sqrt(squares), r.source_current_rms_a, 2e-3, 0.0);
    assert_true(r.power_factor > 0.9 && r.power_factor < 1.0);
    /* Common practice, no source: it is weakest near the mains zero. */
    assert_true(r.weakest_phase_rad < 0.2 * TW_PI || r.weakest_phase_rad > 0.8 * TW_PI);
    tw_mains_result_dispose(&r);
}

/* On a huge rail capacitor without source impedance to speak of, the rail stays and the periods are those of a constant
 * rail. */
static void large_capacitor_gives_a_constant_rail(void **state) {
    tw_ctx *ctx = *state;
    for (int split = 0; split < 2; split++) {
        tw_half_bridge s = a_stage();
        s.split = split == 1;
        tw_mains_supply m = a_supply();
        m.rail_capacitance_f = 0.9;
        m.voltage_rms_v = 230.0;
        tw_mains_result r;
        assert_ok(tw_mains_run(ctx, &s, &m, NULL, &r), ctx);
        const tw_mains_cycle *last = &r.cycles[r.n_cycles - 2];
        s.rail_v = last->rail_v;
        tw_steady *steady = NULL;
        assert_ok(tw_steady_solve(ctx, &s, NULL, &steady), ctx);
        const tw_operating_point *p = tw_steady_point(steady);
        assert_close(last->coil_current_rms_a, p->coil_current_rms_a, 2e-5, 0.0);
        assert_close(last->coil_current_peak_a, p->coil_current_peak_a, 2e-5, 0.0);
        assert_close(last->real_power_w, p->real_power_w, 5e-5, 0.0);
        for (int e = 0; e < 2; e++) {
            assert_close(last->turn_off_current_a[e], p->falling.turn_off_current_a, 2e-4, 0.0);
            assert_close(last->zero_crossing_margin_s[e], p->falling.zero_crossing_margin_s, 2e-4, 0.0);
            assert_int_equal(last->verdict[e], p->commutation);
        }
        tw_steady_destroy(steady);
        tw_mains_result_dispose(&r);
    }
}

/* With a small rail capacitor it matters whether the resonant capacitor is split. */
static void split_and_single_capacitor_differ(void **state) {
    tw_ctx *ctx = *state;
    tw_half_bridge s = a_stage();
    tw_mains_supply m = a_supply();
    m.rail_capacitance_f = 3.3e-6;
    double power[2];
    for (int split = 0; split < 2; split++) {
        s.split = split == 1;
        tw_mains_result r;
        assert_ok(tw_mains_run(ctx, &s, &m, NULL, &r), ctx);
        assert_close(r.energy.residual, 0.0, 0.0, 1e-10 * r.energy.throughput);
        power[split] = r.real_power_w;
        tw_mains_result_dispose(&r);
    }
    assert_true(fabs(power[0] / power[1] - 1.0) > 0.01);
}

/* Twice the impedance level, or twice the voltage, scales everything. */
static void scaling_laws(void **state) {
    tw_ctx *ctx = *state;
    tw_half_bridge s = a_stage();
    s.transistor.threshold_v = s.diode.threshold_v = 0.0;
    tw_mains_supply m = a_supply();
    m.rectifier.threshold_v = 0.0;
    tw_mains_opts o = tw_mains_opts_default();
    tw_mains_result a, b;
    assert_ok(tw_mains_run(ctx, &s, &m, &o, &a), ctx);
    m.voltage_rms_v *= 2.0;
    assert_ok(tw_mains_run(ctx, &s, &m, &o, &b), ctx);
    assert_close(b.real_power_w, 4.0 * a.real_power_w, 1e-9, 0.0);
    assert_close(b.coil_current_peak_a, 2.0 * a.coil_current_peak_a, 1e-9, 0.0);
    assert_int_equal(b.weakest, a.weakest);
    tw_mains_result_dispose(&a);
    tw_mains_result_dispose(&b);
}

static void expect_refused(tw_ctx *ctx, const tw_half_bridge *s, const tw_mains_supply *m, const tw_mains_opts *o,
                           const char *key) {
    tw_mains_result r = {.n_cycles = 77};
    assert_int_equal(tw_mains_run(ctx, s, m, o, &r), TW_OUT_OF_RANGE);
    assert_string_equal(tw_ctx_error(ctx)->key, key);
    assert_int_equal(r.n_cycles, 77);
    tw_ctx_clear_error(ctx);
}

static void bad_input_is_refused_by_name(void **state) {
    tw_ctx *ctx = *state;
    const tw_half_bridge s = a_stage();
    const double bad[] = {0.0, -1.0, NAN, INFINITY};
    for (size_t k = 0; k < 4; k++) {
        tw_mains_supply m = a_supply();
        m.voltage_rms_v = bad[k];
        expect_refused(ctx, &s, &m, NULL, "voltage");
        m = a_supply();
        m.source_inductance_h = bad[k];
        expect_refused(ctx, &s, &m, NULL, "source_inductance");
        m = a_supply();
        m.rail_capacitance_f = bad[k];
        expect_refused(ctx, &s, &m, NULL, "rail_capacitance");
        m = a_supply();
        m.frequency_hz = bad[k];
        expect_refused(ctx, &s, &m, NULL, "frequency");
        tw_half_bridge t = s;
        t.frequency_hz = bad[k];
        m = a_supply();
        expect_refused(ctx, &t, &m, NULL, "frequency");
        t = s;
        t.load.inductance_h = bad[k];
        expect_refused(ctx, &t, &m, NULL, "load.inductance");
    }
    tw_mains_supply m = a_supply();
    m.frequency_hz = 20e3;
    expect_refused(ctx, &s, &m, NULL, "supply.frequency");
    tw_mains_opts o = tw_mains_opts_default();
    o.half_cycles = 0;
    m = a_supply();
    expect_refused(ctx, &s, &m, &o, "half_cycles");
    tw_stage g = {.arrangement = TW_ARRANGEMENT_SINGLE, .bridge = s, .duty = 0.4};
    g.bridge.rail_v = 300.0;
    tw_cycle *c = NULL;
    assert_int_equal(tw_cycle_solve(ctx, &g, NULL, &c), TW_OUT_OF_RANGE);
    assert_string_equal(tw_ctx_error(ctx)->key, "esr");
    tw_ctx_clear_error(ctx);
    g.arrangement = TW_ARRANGEMENT_FULL;
    g.duty = 0.01; /* less than the dead time */
    assert_int_equal(tw_cycle_solve(ctx, &g, NULL, &c), TW_OUT_OF_RANGE);
    assert_string_equal(tw_ctx_error(ctx)->key, "duty");
    tw_ctx_clear_error(ctx);
}

/* Far below resonance a tank without a pan rings hundred thousands of times: given up, with the valve that does it. */
static void a_storm_of_events_is_named(void **state) {
    tw_ctx *ctx = *state;
    tw_half_bridge s = a_stage();
    s.rail_v = 318.0;
    s.frequency_hz = 0.5;
    s.transistor = s.diode = (tw_device){0.0, 0.0};
    s.esr_ohm = 0.0;
    s.load = (tw_load){.inductance_h = 90e-6, .resistance_ohm = 1e-4};
    tw_steady *steady = NULL;
    assert_int_equal(tw_steady_solve(ctx, &s, NULL, &steady), TW_TOO_LARGE);
    assert_non_null(strstr(tw_ctx_error(ctx)->message, "high transistor starts conducting every 4.8"));
    tw_ctx_clear_error(ctx);
}

static bool stop_at_once(double fraction, const char *what, void *user) {
    (void)what;
    ++*(int *)user;
    assert_true(fraction >= 0.0 && fraction <= 1.0);
    return *(int *)user == 2;
}

static void cancelling_leaves_nothing(void **state) {
    tw_ctx *ctx = *state;
    const tw_half_bridge s = a_stage();
    const tw_mains_supply m = a_supply();
    tw_mains_result r;
    int calls = 0;
    tw_ctx_set_progress(ctx, stop_at_once, &calls);
    assert_int_equal(tw_mains_run(ctx, &s, &m, NULL, &r), TW_CANCELLED);
    assert_int_equal(calls, 2);
    tw_ctx_set_progress(ctx, NULL, NULL);
    tw_ctx_clear_error(ctx);
}

/* The single-switch stage: with enough energy in the coil the node comes down by itself, with too little it does not.
 */
static void single_switch_comes_down_with_enough_current(void **state) {
    tw_ctx *ctx = *state;
    tw_stage g = {.arrangement = TW_ARRANGEMENT_SINGLE,
                  .bridge = {.rail_v = 300.0,
                             .frequency_hz = 24e3,
                             .transistor = {1.0, 0.02},
                             .diode = {0.8, 0.02},
                             .capacitance_f = 0.3e-6,
                             .load = tw_load_coupled(90e-6, 0.1, 0.45, 4.0)},
                  .duty = 0.55};
    size_t soft = 0, forced = 0;
    for (int k = 0; k < 12; k++) {
        g.duty = 0.25 + 0.03 * k;
        tw_cycle *c = NULL;
        assert_ok(tw_cycle_solve(ctx, &g, NULL, &c), ctx);
        const tw_operating_point *p = tw_cycle_point(c);
        assert_close(p->energy.residual, 0.0, 0.0, 1e-10 * p->energy.throughput);
        assert_true(tw_cycle_multiplier(c) < 1.0);
        const bool arrived = p->falling.verdict == TW_COMMUTATION_FULL_ZVS;
        soft += arrived;
        forced += p->falling.verdict == TW_COMMUTATION_PARTIAL_ZVS;
        assert_true(!arrived || p->energy.forced == 0.0);
        assert_true(p->falling.verdict != TW_COMMUTATION_PARTIAL_ZVS || p->falling.forced_voltage_v > 0.0);
        assert_close(p->supply_power_w,
                     p->real_power_w + (p->energy.transistor + p->energy.diode + p->energy.forced) / p->period_s, 1e-9,
                     0.0);
        tw_cycle_destroy(c);
    }
    assert_true(soft > 0 && forced > 0);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(sums_agree_with_samples_and_with_the_table),
        cmocka_unit_test(large_capacitor_gives_a_constant_rail),
        cmocka_unit_test(split_and_single_capacitor_differ),
        cmocka_unit_test(scaling_laws),
        cmocka_unit_test(bad_input_is_refused_by_name),
        cmocka_unit_test(a_storm_of_events_is_named),
        cmocka_unit_test(cancelling_leaves_nothing),
        cmocka_unit_test(single_switch_comes_down_with_enough_current),
    };
    return cmocka_run_group_tests(tests, setup, teardown);
}

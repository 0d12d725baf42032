/* Full bridge, any duty, single switch and transients against published and closed-form values. Published examples were
 * recomputed from closed periodic solutions and harmonic sums; the exact figures stand here, sources beside them. */
#include <math.h>

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

/* Ideal switches, no dead time. */
static tw_stage ideal(tw_arrangement arrangement, double rail_v, double frequency_hz, double r, double l, double c) {
    return (tw_stage){.arrangement = arrangement,
                      .bridge = {.rail_v = rail_v,
                                 .frequency_hz = frequency_hz,
                                 .capacitance_f = c,
                                 .load = {.resistance_ohm = r, .inductance_h = l}},
                      .duty = 0.5,
                      .phase_shift_rad = TW_PI};
}

static tw_cycle *solve(tw_ctx *ctx, const tw_stage *stage) {
    tw_cycle *c = NULL;
    assert_ok(tw_cycle_solve(ctx, stage, NULL, &c), ctx);
    const tw_operating_point *p = tw_cycle_point(c);
    assert_close(p->energy.residual, 0.0, 0.0, 1e-10 * p->energy.throughput);
    assert_close(p->energy.stored, 0.0, 0.0, 1e-10 * p->energy.throughput);
    assert_true(tw_cycle_multiplier(c) < 1.0);
    return c;
}

/* D. W. Hart, Power Electronics (2011), examples 8-1 and 8-2 (from memory; recomputed): square wave of a full bridge on
 * R and L. The blocking capacitor is so large that it does not show. */
static void full_bridge_on_resistance_and_inductance(void **state) {
    const tw_stage s = ideal(TW_ARRANGEMENT_FULL, 100.0, 60.0, 10.0, 25e-3, 1e3);
    tw_cycle *c = solve(*state, &s);
    const tw_operating_point *p = tw_cycle_point(c);
    assert_close(p->coil_current_peak_a, 9.311096, 1e-6, 0.0);
    assert_close(p->coil_current_rms_a, 6.643299, 1e-6, 0.0);
    assert_close(p->energy.coil / p->period_s, 441.33423, 1e-6, 0.0);
    assert_close(p->supply_power_w / 100.0, 4.413342, 1e-6, 0.0);
    const double at[3] = {1e-3, 4e-3, 7.5e-3};
    double i[3];
    tw_cycle_sample(c, TW_SIGNAL_COIL_CURRENT, at, 3, i);
    for (int k = 0; k < 3; k++) {
        assert_close(i[k], 10.0 - 19.311096 * exp(-at[k] / 2.5e-3), 0.0, 3e-6);
    }
    tw_cycle_destroy(c);
    /* The fundamental alone: 9.2657 A and 429.2669 W (8-2). */
    double v = 400.0 / TW_PI, z = hypot(10.0, 2.0 * TW_PI * 60.0 * 25e-3);
    assert_close(v / z, 9.2657, 1e-5, 0.0);
    assert_close(0.5 * v / z * v / z * 10.0, 429.2669, 1e-5, 0.0);
}

/* M. H. Rashid, Power Electronics, 4th ed., example 7.6, all harmonics (recomputed). At 20 kHz the current at switching
 * is the sum of -(4 E/(n pi)) X_n/(R^2 + X_n^2) over odd n = -0.913603 A. */
static void full_bridge_on_series_tank(void **state) {
    const struct {
        double f, p, rms, peak, at_switching, v_c;
    } rows[] = {{20e3, 1001.2126, 10.006061, 14.133538, -0.913603, 545.924},
                {16e3, 252.1466, 5.021420, 7.464053, 4.937279, 340.970},
                {25e3, 250.7196, 5.007191, 7.062289, -6.837884, 217.218}};
    /* L and C from Q = 3.849002 and 20 kHz with the exact relations of the example. */
    const double w0 = 2.0 * TW_PI * 20e3, e = TW_PI / (2.0 * sqrt(2.0)) * 100.0;
    const double q = sqrt(3.0) / (1.0 / 0.8 - 0.8), l = q * 10.0 / w0, cap = 1.0 / (w0 * q * 10.0);
    assert_close(e, 111.0721, 1e-6, 0.0);
    assert_close(l, 306.2938e-6, 1e-6, 0.0);
    for (int k = 0; k < 3; k++) {
        const tw_stage s = ideal(TW_ARRANGEMENT_FULL, e, rows[k].f, 10.0, l, cap);
        tw_cycle *c = solve(*state, &s);
        const tw_operating_point *p = tw_cycle_point(c);
        const double zero = 0.0;
        double i0;
        tw_cycle_sample(c, TW_SIGNAL_COIL_CURRENT, &zero, 1, &i0);
        assert_close(p->energy.coil / p->period_s, rows[k].p, 1e-6, 0.0);
        assert_close(p->coil_current_rms_a, rows[k].rms, 1e-6, 0.0);
        assert_close(p->coil_current_peak_a, rows[k].peak, 1e-6, 0.0);
        assert_close(i0, rows[k].at_switching, 2e-6, 0.0);
        assert_close(p->capacitor_voltage_peak_v, rows[k].v_c, 2e-6, 0.0);
        tw_cycle_destroy(c);
    }
}

/* Rashid, 4th ed., example 13.4: resonance of 20 uH with twice 1 uF. */
static void resonance_of_a_split_capacitor(void **state) {
    const tw_load load = {.inductance_h = 20e-6};
    double f;
    assert_ok(tw_load_resonance(*state, &load, 2e-6, &f), (tw_ctx *)*state);
    assert_close(f, 25164.606, 1e-7, 0.0);
}

/* Half bridge, 300 V, 80 uH, 0.66 uF, 2 ohm, 25 kHz (computed from closed solutions and harmonic sums). */
static void asymmetric_duty(void **state) {
    const struct {
        double duty, rms, p, on, off;
    } rows[] = {{0.5, 38.177391, 2915.0263, -48.246911, 48.246911},
                {0.4, 36.352519, 2643.0113, -36.142063, 53.704307},
                {0.3, 31.035199, 1926.3672, -21.425797, 50.119337},
                {0.2, 22.685041, 1029.2222, -8.484303, 37.654976}};
    for (int k = 0; k < 4; k++) {
        tw_stage s = ideal(TW_ARRANGEMENT_HALF, 300.0, 25e3, 2.0, 80e-6, 0.66e-6);
        s.duty = rows[k].duty;
        tw_cycle *c = solve(*state, &s);
        const tw_operating_point *p = tw_cycle_point(c);
        const double at[2] = {0.0, s.duty / 25e3};
        double i[2];
        tw_cycle_sample(c, TW_SIGNAL_COIL_CURRENT, at, 2, i);
        assert_close(p->coil_current_rms_a, rows[k].rms, 1e-7, 0.0);
        assert_close(p->energy.coil / p->period_s, rows[k].p, 1e-7, 0.0);
        assert_close(i[0], rows[k].on, 1e-6, 0.0);
        assert_close(i[1], rows[k].off, 1e-6, 0.0);
        assert_close(p->capacitor_voltage_mean_v, 300.0 * s.duty, 1e-9, 0.0);
        tw_cycle_destroy(c);
    }
}

/* With half duty both solvers must agree on everything, lossy devices and every verdict included. */
static void half_duty_agrees_with_the_symmetric_solver(void **state) {
    tw_ctx *ctx = *state;
    tw_random r = {4711};
    for (int k = 0; k < 150; k++) {
        tw_half_bridge b = {.rail_v = tw_random_uniform(&r, 50.0, 400.0),
                            .dead_time_s = tw_random_uniform(&r, 2e-7, 4e-6),
                            .snubber_capacitance_f = tw_random_log_uniform(&r, 3e-10, 4e-8),
                            .transistor = {tw_random_uniform(&r, 0.2, 2.0), tw_random_uniform(&r, 0.0, 0.1)},
                            .diode = {tw_random_uniform(&r, 0.2, 2.0), tw_random_uniform(&r, 0.0, 0.1)},
                            .capacitance_f = tw_random_log_uniform(&r, 1e-7, 2e-6),
                            .esr_ohm = tw_random_uniform(&r, 0.0, 0.05)};
        b.load = tw_load_coupled(tw_random_log_uniform(&r, 3e-5, 2e-4), tw_random_uniform(&r, 0.02, 0.3),
                                 tw_random_uniform(&r, 0.2, 0.9), tw_random_log_uniform(&r, 1.0, 30.0));
        double f0;
        assert_ok(tw_load_resonance(ctx, &b.load, b.capacitance_f, &f0), ctx);
        b.frequency_hz = f0 * tw_random_uniform(&r, 0.8, 1.9);
        b.dead_time_s = fmin(b.dead_time_s, 0.2 / b.frequency_hz);
        const tw_stage s = {.arrangement = TW_ARRANGEMENT_HALF, .bridge = b, .duty = 0.5};
        tw_steady *steady = NULL;
        assert_ok(tw_steady_solve(ctx, &b, NULL, &steady), ctx);
        const tw_operating_point *want = tw_steady_point(steady);
        tw_cycle *c = solve(ctx, &s);
        const tw_operating_point *got = tw_cycle_point(c);
        const double power = want->apparent_power_va, current = want->coil_current_peak_a;
        assert_close(got->coil_current_rms_a, want->coil_current_rms_a, 1e-9, 0.0);
        assert_close(got->coil_current_peak_a, current, 1e-9, 0.0);
        assert_close(got->coil_voltage_peak_v, want->coil_voltage_peak_v, 1e-9, 0.0);
        assert_close(got->coil_voltage_rms_v, want->coil_voltage_rms_v, 1e-9, 0.0);
        assert_close(got->capacitor_voltage_peak_v, want->capacitor_voltage_peak_v, 1e-9, 0.0);
        assert_close(got->real_power_w, want->real_power_w, 0.0, 1e-9 * power);
        assert_close(got->reactive_power_var, want->reactive_power_var, 0.0, 1e-9 * power);
        assert_close(got->supply_power_w, want->supply_power_w, 0.0, 1e-9 * power);
        assert_close(got->bridge_phase_lag_rad, want->bridge_phase_lag_rad, 0.0, 1e-9);
        assert_close(got->low.transistor_rms_a, want->low.transistor_rms_a, 0.0, 1e-9 * current);
        assert_close(got->high.diode_average_a, want->high.diode_average_a, 0.0, 1e-9 * current);
        const tw_edge *edges[2][2] = {{&got->falling, &want->falling}, {&got->rising, &want->rising}};
        for (int e = 0; e < 2; e++) {
            const tw_edge *a = edges[e][0], *w = edges[e][1];
            assert_int_equal(a->verdict, w->verdict);
            assert_close(a->turn_off_current_a, w->turn_off_current_a, 0.0, 1e-9 * current);
            assert_close(a->swing_time_s, w->swing_time_s, 0.0, 1e-9 * got->period_s);
            assert_close(a->forced_energy_j, w->forced_energy_j, 1e-8, 1e-9 * want->energy.throughput);
            if (isnan(w->zero_crossing_margin_s)) {
                assert_true(isnan(a->zero_crossing_margin_s));
            } else {
                assert_close(a->zero_crossing_margin_s, w->zero_crossing_margin_s, 0.0, 1e-9 * got->period_s);
            }
        }
        tw_cycle_destroy(c);
        tw_steady_destroy(steady);
    }
}

/* Opposite legs see the same as one leg on twice the rail with drops twice as large and half the snubbers. */
static void opposite_legs_are_one_on_twice_the_rail(void **state) {
    tw_ctx *ctx = *state;
    tw_random r = {2718};
    size_t verdicts[5] = {0};
    for (int k = 0; k < 150; k++) {
        tw_half_bridge b = {.rail_v = tw_random_uniform(&r, 50.0, 400.0),
                            .snubber_capacitance_f = tw_random_log_uniform(&r, 3e-10, 2e-8),
                            .transistor = {tw_random_uniform(&r, 0.2, 2.0), tw_random_uniform(&r, 0.0, 0.1)},
                            .diode = {tw_random_uniform(&r, 0.2, 2.0), tw_random_uniform(&r, 0.0, 0.1)},
                            .capacitance_f = tw_random_log_uniform(&r, 1e-7, 2e-6),
                            .esr_ohm = tw_random_uniform(&r, 0.0, 0.05)};
        b.load = tw_load_coupled(tw_random_log_uniform(&r, 3e-5, 2e-4), tw_random_uniform(&r, 0.02, 0.3),
                                 tw_random_uniform(&r, 0.2, 0.9), tw_random_log_uniform(&r, 1.0, 30.0));
        double f0;
        assert_ok(tw_load_resonance(ctx, &b.load, b.capacitance_f, &f0), ctx);
        b.frequency_hz = f0 * tw_random_uniform(&r, 0.85, 1.9);
        b.dead_time_s = tw_random_uniform(&r, 0.005, 0.1) / b.frequency_hz;
        const tw_stage s = {.arrangement = TW_ARRANGEMENT_FULL, .bridge = b, .duty = 0.5, .phase_shift_rad = TW_PI};
        b.rail_v *= 2.0;
        b.snubber_capacitance_f *= 0.5;
        b.transistor = (tw_device){2.0 * b.transistor.threshold_v, 2.0 * b.transistor.slope_ohm};
        b.diode = (tw_device){2.0 * b.diode.threshold_v, 2.0 * b.diode.slope_ohm};
        tw_steady *steady = NULL;
        assert_ok(tw_steady_solve(ctx, &b, NULL, &steady), ctx);
        const tw_operating_point *want = tw_steady_point(steady);
        tw_cycle *c = solve(ctx, &s);
        const tw_operating_point *got = tw_cycle_point(c);
        assert_close(got->coil_current_rms_a, want->coil_current_rms_a, 1e-8, 0.0);
        assert_close(got->coil_current_peak_a, want->coil_current_peak_a, 1e-8, 0.0);
        assert_close(got->supply_power_w, want->supply_power_w, 0.0, 1e-8 * want->apparent_power_va);
        assert_close(got->capacitor_voltage_peak_v, want->capacitor_voltage_peak_v, 1e-8, 0.0);
        assert_close(got->energy.forced, want->energy.forced, 1e-6, 1e-8 * want->energy.throughput);
        assert_close(got->energy.diode, want->energy.diode, 0.0, 1e-8 * want->energy.throughput);
        tw_edge edges[2];
        tw_device_stress high, low;
        for (size_t leg = 0; leg < 2; leg++) {
            tw_cycle_leg(c, leg, &edges[0], &edges[1], &high, &low);
            for (int e = 0; e < 2; e++) {
                assert_int_equal(edges[e].verdict, want->commutation);
            }
            assert_close(high.transistor_rms_a, want->high.transistor_rms_a, 0.0, 1e-8 * want->coil_current_peak_a);
        }
        verdicts[want->commutation]++;
        tw_cycle_destroy(c);
        tw_steady_destroy(steady);
    }
    assert_true(verdicts[TW_COMMUTATION_FULL_ZVS] > 20 && verdicts[TW_COMMUTATION_HARD] > 10);
    assert_true(verdicts[TW_COMMUTATION_PARTIAL_ZVS] + verdicts[TW_COMMUTATION_REBOUND] > 5);
}

/* A phase-shifted bridge of ideal switches: harmonic sum of its three-level voltage, V_n = (4 V/(n pi)) sin(n phi/2).
 */
static void phase_shift_against_the_harmonic_sum(void **state) {
    const double angles[] = {0.4, 1.3, 2.6};
    for (int k = 0; k < 3; k++) {
        tw_stage s = ideal(TW_ARRANGEMENT_FULL, 310.0, 31e3, 3.1, 70e-6, 0.47e-6);
        s.phase_shift_rad = angles[k];
        tw_cycle *c = solve(*state, &s);
        double i2 = 0.0;
        for (int n = 200001; n >= 1; n -= 2) {
            const double w = 2.0 * TW_PI * 31e3 * n, x = w * 70e-6 - 1.0 / (w * 0.47e-6);
            const double v = 4.0 * 310.0 / (n * TW_PI) * sin(0.5 * n * angles[k]);
            i2 += 0.5 * v * v / (3.1 * 3.1 + x * x);
        }
        const tw_operating_point *p = tw_cycle_point(c);
        assert_close(p->coil_current_rms_a, sqrt(i2), 1e-8, 0.0);
        assert_close(p->energy.coil / p->period_s, 3.1 * i2, 1e-7, 0.0);
        tw_cycle_destroy(c);
    }
}

/* The periodic state is where a run from rest ends up, in all arrangements. */
static void transients_end_in_the_periodic_state(void **state) {
    tw_ctx *ctx = *state;
    tw_random r = {77};
    for (int k = 0; k < 24; k++) {
        tw_half_bridge b = {.rail_v = 300.0,
                            .dead_time_s = tw_random_uniform(&r, 5e-7, 1.5e-6),
                            .snubber_capacitance_f = tw_random_log_uniform(&r, 1e-9, 2e-8),
                            .transistor = {0.9, 0.03},
                            .diode = {0.8, 0.02},
                            .capacitance_f = tw_random_log_uniform(&r, 2e-7, 8e-7),
                            .load = tw_load_coupled(tw_random_uniform(&r, 6e-5, 1e-4), 0.1,
                                                    tw_random_uniform(&r, 0.4, 0.7), tw_random_uniform(&r, 3.0, 8.0))};
        double f0;
        assert_ok(tw_load_resonance(ctx, &b.load, b.capacitance_f, &f0), ctx);
        b.frequency_hz = f0 * tw_random_uniform(&r, 0.9, 1.5);
        tw_stage s = {.bridge = b, .duty = tw_random_uniform(&r, 0.3, 0.6), .phase_shift_rad = 2.2};
        s.arrangement = (tw_arrangement)(k % 3);
        tw_cycle *c = solve(ctx, &s);
        tw_transient *t = NULL;
        const tw_transient_state rest = tw_transient_rest(&s);
        assert_ok(tw_transient_create(ctx, &s, &rest, &t), ctx);
        const double period = 1.0 / b.frequency_hz;
        assert_ok(tw_transient_advance(ctx, t, 400.0 * period, true), ctx);
        double residual, throughput;
        tw_transient_balance(t, &residual, &throughput);
        assert_close(residual, 0.0, 0.0, 1e-10 * throughput);
        const double peak = tw_cycle_point(c)->coil_current_peak_a;
        for (int q = 0; q < 12; q++) {
            const double in = (q + 0.37) / 12.0 * period, at = 399.0 * period + in;
            double got, want;
            tw_transient_sample(t, TW_SIGNAL_COIL_CURRENT, &at, 1, &got);
            tw_cycle_sample(c, TW_SIGNAL_COIL_CURRENT, &in, 1, &want);
            assert_close(got, want, 0.0, 1e-8 * peak);
            tw_transient_sample(t, TW_SIGNAL_COIL_VOLTAGE, &at, 1, &got);
            tw_cycle_sample(c, TW_SIGNAL_COIL_VOLTAGE, &in, 1, &want);
            assert_close(got, want, 0.0, 1e-6 * tw_cycle_point(c)->coil_voltage_peak_v);
        }
        tw_transient_destroy(t);
        tw_cycle_destroy(c);
    }
}

/* ---- ring-down ---------------------------------------------------------------------------------- */

/* Rashid, 4th ed., example 2.7: 220 V step on 160 ohm, 2 mH, 0.05 uF. */
static void step_on_a_damped_tank(void **state) {
    tw_ctx *ctx = *state;
    const tw_stage s = ideal(TW_ARRANGEMENT_HALF, 220.0, 1e3, 160.0, 2e-3, 0.05e-6);
    tw_transient_state start = tw_transient_rest(&s);
    tw_transient *t = NULL;
    assert_ok(tw_transient_create(ctx, &s, &start, &t), ctx);
    assert_ok(tw_transient_hold(ctx, t, 1u, 60e-6), ctx);
    const double wr = 91651.51;
    for (int k = 1; k < 20; k++) {
        const double at = k * 3e-6;
        double i;
        tw_transient_sample(t, TW_SIGNAL_COIL_CURRENT, &at, 1, &i);
        assert_close(i, 1.2002 * exp(-40000.0 * at) * sin(wr * at), 2e-5, 1e-6);
    }
    const double half = 34.2776e-6, before = half - 1e-9, after = half + 1e-9;
    double a, b;
    tw_transient_sample(t, TW_SIGNAL_COIL_CURRENT, &before, 1, &a);
    tw_transient_sample(t, TW_SIGNAL_COIL_CURRENT, &after, 1, &b);
    assert_true(a > 0.0 && b < 0.0);
    tw_transient_destroy(t);
}

/* Example 2.6: 220 V on 20 uF discharges through 80 uH without loss: 110 A, half period 125.6637 us, voltage reversed.
 */
static void lossless_discharge(void **state) {
    tw_ctx *ctx = *state;
    const tw_stage s = ideal(TW_ARRANGEMENT_HALF, 300.0, 1e3, 0.0, 80e-6, 20e-6);
    tw_transient_state start = {.capacitor_v = 220.0};
    tw_transient *t = NULL;
    assert_ok(tw_transient_create(ctx, &s, &start, &t), ctx);
    assert_ok(tw_transient_hold(ctx, t, 2u, 125.663706e-6), ctx);
    const double quarter = 0.5 * 125.663706e-6;
    double i;
    tw_transient_sample(t, TW_SIGNAL_COIL_CURRENT, &quarter, 1, &i);
    assert_close(i, -110.0, 1e-9, 0.0);
    const tw_transient_state end = tw_transient_now(t);
    assert_close(end.capacitor_v, -220.0, 1e-9, 0.0);
    assert_close(end.coil_current_a, 0.0, 0.0, 1e-5);
    tw_transient_destroy(t);
}

/* Decrement and frequency of three tanks ringing through the low switch: definitions, computed. */
static void decrement_and_frequency(void **state) {
    tw_ctx *ctx = *state;
    const struct {
        double r, l, c, decrement, frequency, per_half;
    } rows[] = {{160.0, 2e-3, 0.05e-6, 2.74220688, 14586.7915, 0.253827},
                {2.0, 50e-6, 6e-6, 2.32021994, 8619.8725, 0.313452},
                {2.0, 80e-6, 0.66e-6, 0.57306745, 21812.4413, 0.750862}};
    for (int k = 0; k < 3; k++) {
        const tw_stage s = ideal(TW_ARRANGEMENT_HALF, 300.0, 1e3, rows[k].r, rows[k].l, rows[k].c);
        tw_transient_state start = {.capacitor_v = 100.0};
        tw_transient *t = NULL;
        assert_ok(tw_transient_create(ctx, &s, &start, &t), ctx);
        const double period = 1.0 / rows[k].frequency;
        assert_ok(tw_transient_hold(ctx, t, 2u, 4.0 * period), ctx);
        double residual, throughput;
        tw_transient_balance(t, &residual, &throughput);
        assert_close(residual, 0.0, 0.0, 1e-10 * throughput);
        const double at[3] = {0.2 * period, 0.7 * period, 1.2 * period};
        double i[3];
        tw_transient_sample(t, TW_SIGNAL_COIL_CURRENT, at, 3, i);
        assert_close(log(i[0] / i[2]), rows[k].decrement, 2e-8, 0.0);
        assert_close(-i[1] / i[0], rows[k].per_half, 2e-6, 0.0);
        tw_transient_destroy(t);
    }
    /* A decrement of 0.25: damping ratio, quality, what is left after ten periods. */
    const double zeta = 0.25 / hypot(2.0 * TW_PI, 0.25);
    assert_close(zeta, 0.03975728, 1e-7, 0.0);
    const tw_stage s = ideal(TW_ARRANGEMENT_HALF, 300.0, 1e3, 2.0 * zeta * 10.0, 1e-4, 1e-6); /* Z0 10 ohm */
    tw_transient_state start = {.capacitor_v = 100.0};
    tw_transient *t = NULL;
    assert_ok(tw_transient_create(ctx, &s, &start, &t), ctx);
    const double period = 2.0 * TW_PI * 1e-5 / sqrt(1.0 - zeta * zeta), at[2] = {0.3 * period, 10.3 * period};
    double i[2];
    assert_ok(tw_transient_hold(ctx, t, 2u, 11.0 * period), ctx);
    tw_transient_sample(t, TW_SIGNAL_COIL_CURRENT, at, 2, i);
    assert_close(i[1] / i[0], 0.08208500, 1e-7, 0.0);
    tw_transient_destroy(t);
}

/* 80 uH to a stiff 150 V, node 10 nF, from 0 V with 2 A flowing into the node: v = 150 (1 - cos wt) + 2 Z sin wt
 * reaches 300 V after 1248.253 ns (closed form). */
static void free_swing_of_the_node(void **state) {
    tw_ctx *ctx = *state;
    tw_stage s = ideal(TW_ARRANGEMENT_HALF, 300.0, 1e3, 0.0, 80e-6, 1e3);
    s.bridge.snubber_capacitance_f = 5e-9;
    tw_transient_state start = {.capacitor_v = 150.0, .coil_current_a = -2.0};
    tw_transient *t = NULL;
    assert_ok(tw_transient_create(ctx, &s, &start, &t), ctx);
    assert_ok(tw_transient_hold(ctx, t, 0u, 2e-6), ctx);
    const double at[3] = {0.6e-6, 1248.2525e-9, 1248.2535e-9}, w = 1.0 / sqrt(80e-6 * 10e-9);
    double v[3];
    tw_transient_sample(t, TW_SIGNAL_MIDPOINT_VOLTAGE, at, 3, v);
    assert_close(v[0], 150.0 * (1.0 - cos(w * at[0])) + 2.0 * sqrt(80e-6 / 10e-9) * sin(w * at[0]), 1e-9, 0.0);
    assert_true(v[1] < 300.0);
    assert_close(v[2], 300.0, 1e-12, 0.0);
    tw_transient_destroy(t);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(full_bridge_on_resistance_and_inductance),
        cmocka_unit_test(full_bridge_on_series_tank),
        cmocka_unit_test(resonance_of_a_split_capacitor),
        cmocka_unit_test(asymmetric_duty),
        cmocka_unit_test(half_duty_agrees_with_the_symmetric_solver),
        cmocka_unit_test(opposite_legs_are_one_on_twice_the_rail),
        cmocka_unit_test(phase_shift_against_the_harmonic_sum),
        cmocka_unit_test(transients_end_in_the_periodic_state),
        cmocka_unit_test(step_on_a_damped_tank),
        cmocka_unit_test(lossless_discharge),
        cmocka_unit_test(decrement_and_frequency),
        cmocka_unit_test(free_swing_of_the_node),
    };
    return cmocka_run_group_tests(tests, setup, teardown);
}

/* Laws that every stage must obey, on random ones: scaling, symmetry, superposition, shift, energy; and the trade's
 * facts (common practice, no source). */
#include "testing.h"

#include <math.h>
#include <string.h>

#include "circuit_steady.h"

enum { RIGS = 120 };

static int make_context(void **state) {
    *state = tw_ctx_create();
    return *state == NULL;
}

static int drop_context(void **state) {
    tw_ctx_destroy(*state);
    return 0;
}

/* One draw per statement: the order of draws inside an initializer would be the compiler's choice. */
static tw_half_bridge random_stage(tw_ctx *ctx, tw_random *r) {
    tw_half_bridge s = {.rail_v = tw_random_uniform(r, 60.0, 400.0)};
    double resonance = 0.0;
    s.split = tw_random_below(r, 2) == 1;
    const double l = tw_random_log_uniform(r, 30e-6, 150e-6), resistance = tw_random_uniform(r, 0.05, 0.3);
    const double coupling = tw_random_uniform(r, 0.2, 0.8), pan = tw_random_log_uniform(r, 1.0, 20.0);
    s.load = tw_load_coupled(l, resistance, coupling, pan);
    s.capacitance_f = tw_random_log_uniform(r, 0.1e-6, 1.5e-6);
    assert_ok(tw_load_resonance(ctx, &s.load, s.capacitance_f, &resonance), ctx);
    s.frequency_hz = resonance * tw_random_uniform(r, 0.8, 1.8);
    s.dead_time_s = tw_random_uniform(r, 0.01, 0.12) / s.frequency_hz;
    s.snubber_capacitance_f = tw_random_log_uniform(r, 0.2e-9, 30e-9);
    s.esr_ohm = tw_random_uniform(r, 0.0, 0.02);
    s.transistor.threshold_v = tw_random_uniform(r, 0.2, 2.0);
    s.transistor.slope_ohm = tw_random_uniform(r, 0.0, 0.05);
    s.diode.threshold_v = tw_random_uniform(r, 0.3, 1.5);
    s.diode.slope_ohm = tw_random_uniform(r, 0.0, 0.04);
    return s;
}

static tw_steady *solve(tw_ctx *ctx, const tw_half_bridge *stage) {
    tw_steady *steady = NULL;
    assert_ok(tw_steady_solve(ctx, stage, NULL, &steady), ctx);
    return steady;
}

/* Volts times a, ohms times z, seconds times t: amperes times a/z, watts a^2/z, joules a^2 t/z. */
static tw_half_bridge rescaled(const tw_half_bridge *s, double a, double z, double t) {
    tw_half_bridge q = *s;
    q.rail_v *= a;
    q.frequency_hz /= t;
    q.dead_time_s *= t;
    q.snubber_capacitance_f *= t / z;
    q.capacitance_f *= t / z;
    q.esr_ohm *= z;
    q.transistor.threshold_v *= a;
    q.diode.threshold_v *= a;
    q.transistor.slope_ohm *= z;
    q.diode.slope_ohm *= z;
    q.load.resistance_ohm *= z;
    q.load.inductance_h *= z * t;
    for (size_t k = 0; k < q.load.n_branches; k++) {
        q.load.branches[k].inductance_h *= z * t;
        q.load.branches[k].resistance_ohm *= z;
    }
    return q;
}

static void volts_ohms_and_seconds_scale(void **state) {
    tw_ctx *ctx = *state;
    tw_random r = {31};
    for (int k = 0; k < RIGS; k++) {
        const tw_half_bridge s = random_stage(ctx, &r);
        const double a = tw_random_log_uniform(&r, 0.2, 7.0), z = tw_random_log_uniform(&r, 0.2, 7.0),
                     t = tw_random_log_uniform(&r, 0.3, 5.0);
        const tw_half_bridge q = rescaled(&s, a, z, t);
        tw_steady *one = solve(ctx, &s), *two = solve(ctx, &q);
        const tw_operating_point *p = tw_steady_point(one), *g = tw_steady_point(two);
        assert_close(g->coil_current_rms_a, p->coil_current_rms_a * a / z, 1e-10, 0.0);
        assert_close(g->coil_current_peak_a, p->coil_current_peak_a * a / z, 1e-10, 0.0);
        assert_close(g->real_power_w, p->real_power_w * a * a / z, 1e-10, 0.0);
        assert_close(g->bridge_phase_lag_rad, p->bridge_phase_lag_rad, 1e-10, 1e-10);
        assert_close(g->falling.swing_time_s, p->falling.swing_time_s * t, 1e-9, 1e-12 * t / s.frequency_hz);
        assert_close(g->forced_commutation_energy_j, p->forced_commutation_energy_j * a * a * t / z, 1e-8,
                     1e-12 * g->energy.throughput);
        assert_int_equal(g->commutation, p->commutation);
        tw_steady_destroy(one);
        tw_steady_destroy(two);
    }
}

static void half_wave_symmetry_and_kirchhoff_hold(void **state) {
    tw_ctx *ctx = *state;
    tw_random r = {32};
    for (int k = 0; k < RIGS; k++) {
        const tw_half_bridge s = random_stage(ctx, &r);
        tw_steady *steady = solve(ctx, &s);
        const double period = tw_steady_point(steady)->period_s;
        double t[60], v[TW_SIGNAL_COUNT][60];
        for (size_t n = 0; n < 30; n++) {
            t[n] = period * tw_random_uniform(&r, 0.0, 0.5);
            t[n + 30] = t[n] + 0.5 * period;
        }
        for (int signal = 0; signal < TW_SIGNAL_COUNT; signal++) {
            tw_steady_sample(steady, (tw_signal)signal, t, 60, v[signal]);
        }
        const double a = tw_steady_point(steady)->coil_current_peak_a;
        for (size_t n = 0; n < 30; n++) {
            assert_close(v[TW_SIGNAL_COIL_CURRENT][n + 30], -v[TW_SIGNAL_COIL_CURRENT][n], 0.0, 1e-9 * a);
            assert_close(v[TW_SIGNAL_MIDPOINT_VOLTAGE][n + 30], s.rail_v - v[TW_SIGNAL_MIDPOINT_VOLTAGE][n], 0.0,
                         1e-9 * s.rail_v);
            assert_close(v[TW_SIGNAL_LOW_DEVICE_CURRENT][n + 30], v[TW_SIGNAL_HIGH_DEVICE_CURRENT][n], 0.0, 1e-8 * a);
        }
        for (size_t n = 0; n < 60; n++) {
            const double i = v[TW_SIGNAL_COIL_CURRENT][n];
            assert_close(v[TW_SIGNAL_MIDPOINT_VOLTAGE][n],
                         v[TW_SIGNAL_COIL_VOLTAGE][n] + s.esr_ohm * i + v[TW_SIGNAL_CAPACITOR_VOLTAGE][n], 1e-12,
                         1e-11 * s.rail_v);
        }
        tw_steady_destroy(steady);
    }
}

/* Times are taken modulo the period; a whole number of periods changes nothing but rounding. */
static void whole_periods_do_not_matter(void **state) {
    tw_ctx *ctx = *state;
    tw_random r = {33};
    for (int k = 0; k < 20; k++) {
        const tw_half_bridge s = random_stage(ctx, &r);
        tw_steady *steady = solve(ctx, &s);
        const double period = tw_steady_point(steady)->period_s;
        for (int n = 0; n < 20; n++) {
            const double t = period * tw_random_uniform(&r, 0.0, 1.0);
            const double times[3] = {t, t + 3.0 * period, t - 5.0 * period};
            double i[3];
            tw_steady_sample(steady, TW_SIGNAL_COIL_CURRENT, times, 3, i);
            assert_close(i[1], i[0], 1e-9, 1e-9);
            assert_close(i[2], i[0], 1e-9, 1e-9);
        }
        tw_steady_destroy(steady);
    }
}

/* Inside one conduction state the motion is affine: differences of motions superpose. */
static void motions_superpose_inside_a_state(void **state) {
    tw_ctx *ctx = *state;
    tw_random r = {34};
    tw_half_bridge_model *model = tw_alloc(ctx, 1, sizeof *model);
    assert_non_null(model);
    for (int k = 0; k < RIGS; k++) {
        const tw_half_bridge s = random_stage(ctx, &r);
        assert_ok(tw_half_bridge_build(ctx, &s, model), ctx);
        const tw_network *net = &model->net;
        const tw_mode *mode = &net->modes[tw_random_below(&r, net->n_modes)];
        double x[4][TW_N] = {{0.0}}, end[4][TW_N];
        for (size_t j = 0; j < net->n; j++) {
            x[0][j] = tw_random_uniform(&r, -50.0, 300.0);
            x[1][j] = tw_random_uniform(&r, -50.0, 300.0);
            x[2][j] = tw_random_uniform(&r, -50.0, 300.0);
            x[3][j] = x[0][j] + 2.0 * (x[1][j] - x[0][j]) - 0.5 * (x[2][j] - x[0][j]);
        }
        const double t = tw_random_log_uniform(&r, 1e-8, 1e-5);
        for (size_t q = 0; q < 4; q++) {
            tw_counts counts = {0};
            tw_flow flow;
            tw_flow_start(&flow, net, mode, x[q], &counts);
            tw_flow_state(&flow, t, end[q]);
        }
        for (size_t j = 0; j < net->n; j++) {
            const double want = end[0][j] + 2.0 * (end[1][j] - end[0][j]) - 0.5 * (end[2][j] - end[0][j]);
            const double unit = 1000.0 * net->scale[model->v_c] / net->scale[j];
            assert_close(end[3][j], want, 1e-11, 1e-11 * fmax(unit, 1000.0));
        }
    }
    tw_free(model);
}

static void energy_closes(void **state) {
    tw_ctx *ctx = *state;
    tw_random r = {35};
    size_t seen[5] = {0};
    for (int k = 0; k < 4 * RIGS; k++) {
        const tw_half_bridge s = random_stage(ctx, &r);
        tw_steady *steady = solve(ctx, &s);
        const tw_operating_point *p = tw_steady_point(steady);
        const tw_energy *e = &p->energy;
        seen[p->commutation]++;
        assert_close(e->residual, 0.0, 0.0, 1e-11 * e->throughput);
        assert_close(e->stored, 0.0, 0.0, 1e-11 * e->throughput);
        assert_true(e->coil > 0.0 && e->pan > 0.0 && e->transistor > 0.0 && e->diode >= 0.0 && e->forced >= 0.0);
        assert_close(p->real_power_w * p->period_s, e->coil + e->pan, 0.0, 1e-12 * p->apparent_power_va * p->period_s);
        assert_close(p->supply_power_w * p->period_s, e->supplied, 1e-13, 0.0);
        tw_steady_destroy(steady);
    }
    for (int verdict = TW_COMMUTATION_FULL_ZVS; verdict <= TW_COMMUTATION_HARD; verdict++) {
        assert_true(seen[verdict] >= 20);
    }
}

/* Parseval: the coefficients hold the rms values and the power; a jump's charge belongs to the supply's spectrum. */
static void harmonics_hold_the_rms_and_the_power(void **state) {
    tw_ctx *ctx = *state;
    tw_random r = {36};
    for (int k = 0; k < 12; k++) {
        const tw_half_bridge s = random_stage(ctx, &r);
        tw_steady *steady = solve(ctx, &s);
        const tw_operating_point *p = tw_steady_point(steady);
        double i2 = 0.0, power = 0.0, reactive = 0.0;
        for (unsigned n = 1; n < 400; n += 2) {
            double i_re, i_im, v_re, v_im;
            tw_steady_harmonic(steady, TW_SIGNAL_COIL_CURRENT, n, &i_re, &i_im);
            tw_steady_harmonic(steady, TW_SIGNAL_COIL_VOLTAGE, n, &v_re, &v_im);
            i2 += 0.5 * (i_re * i_re + i_im * i_im);
            power += 0.5 * (v_re * i_re + v_im * i_im);
            reactive = n == 1 ? 0.5 * (v_im * i_re - v_re * i_im) : reactive;
        }
        assert_close(sqrt(i2), p->coil_current_rms_a, 1e-7, 0.0);
        assert_close(power, p->real_power_w, 1e-5, 0.0);
        assert_close(reactive, p->reactive_power_var, 1e-9, 0.0);
        assert_true(p->apparent_power_va >= p->real_power_w);
        double re, im, re2, im2;
        tw_steady_harmonic(steady, TW_SIGNAL_CAPACITOR_VOLTAGE, 3, &re, &im);
        tw_steady_harmonic(steady, TW_SIGNAL_COIL_CURRENT, 3, &re2, &im2);
        const double x = 1.0 / (6.0 * TW_PI * s.frequency_hz * s.capacitance_f); /* V = I/(j 3 w C) */
        assert_close(re, im2 * x, 1e-9, 1e-9);
        assert_close(im, -re2 * x, 1e-9, 1e-9);
        tw_steady_destroy(steady);
    }
}

/* Every number of the point against Simpson's rule over the sampled waveforms between the breaks. */
static void numbers_match_the_sampled_waveforms(void **state) {
    enum { STEPS = 400, MOST = 64 };
    tw_ctx *ctx = *state;
    tw_random r = {38};
    for (int k = 0; k < 30; k++) {
        const tw_half_bridge s = random_stage(ctx, &r);
        tw_steady *steady = solve(ctx, &s);
        const tw_operating_point *p = tw_steady_point(steady);
        double breaks[MOST + 1], i2 = 0.0, v2 = 0.0, vi = 0.0, pan = 0.0, supply = 0.0, v_c = 0.0;
        double average[2] = {0.0}, square[2] = {0.0}, loss[2] = {0.0}, i_peak = 0.0, v_peak = 0.0, c_peak = 0.0;
        const size_t n = tw_steady_breaks(steady, breaks, MOST);
        assert_true(n <= MOST);
        breaks[n] = p->period_s;
        for (size_t b = 0; b < n; b++) {
            /* A hair inside the piece, so that both ends belong to it. */
            const double width = breaks[b + 1] - breaks[b], edge = 1e-9 * width;
            for (int q = 0; q <= STEPS; q++) {
                const double weight = width * (q == 0 || q == STEPS ? 1.0 : q % 2 ? 4.0 : 2.0) / (3.0 * STEPS);
                const double t = fmin(fmax(breaks[b] + width * q / STEPS, breaks[b] + edge), breaks[b + 1] - edge);
                double x[TW_SIGNAL_COUNT];
                for (int signal = 0; signal < TW_SIGNAL_COUNT; signal++) {
                    tw_steady_sample(steady, (tw_signal)signal, &t, 1, &x[signal]);
                }
                const double i = x[TW_SIGNAL_COIL_CURRENT], v = x[TW_SIGNAL_COIL_VOLTAGE];
                const double high = x[TW_SIGNAL_HIGH_DEVICE_CURRENT], low = x[TW_SIGNAL_LOW_DEVICE_CURRENT];
                i2 += weight * i * i;
                v2 += weight * v * v;
                vi += weight * v * i;
                pan += weight * s.load.branches[0].resistance_ohm * pow(x[TW_SIGNAL_PAN_CURRENT], 2.0);
                supply += weight * x[TW_SIGNAL_SUPPLY_CURRENT];
                v_c += weight * x[TW_SIGNAL_CAPACITOR_VOLTAGE];
                average[0] += weight * fmax(high, 0.0);
                average[1] += weight * fmax(-high, 0.0);
                square[0] += weight * pow(fmax(high, 0.0), 2.0);
                square[1] += weight * pow(fmax(-high, 0.0), 2.0);
                const double up = fmax(high, 0.0) + fmax(low, 0.0), back = fmax(-high, 0.0) + fmax(-low, 0.0);
                loss[0] += weight * up * (s.transistor.threshold_v + s.transistor.slope_ohm * fabs(i));
                loss[1] += weight * back * (s.diode.threshold_v + s.diode.slope_ohm * fabs(i));
                i_peak = fmax(i_peak, fabs(i));
                v_peak = fmax(v_peak, fabs(v));
                c_peak = fmax(c_peak, fabs(x[TW_SIGNAL_CAPACITOR_VOLTAGE] - 0.5 * s.rail_v));
            }
        }
        const double period = p->period_s, a = p->coil_current_rms_a;
        assert_close(sqrt(i2 / period), a, 1e-7, 0.0);
        assert_close(sqrt(v2 / period), p->coil_voltage_rms_v, 1e-7, 0.0);
        assert_close(vi / period, p->real_power_w, 0.0, 1e-7 * p->apparent_power_va);
        assert_close(pan, p->energy.pan, 1e-6, 0.0);
        assert_close(v_c / period, p->capacitor_voltage_mean_v, 1e-7, 0.0);
        assert_close(average[0] / period, p->high.transistor_average_a, 0.0, 1e-6 * a);
        assert_close(average[1] / period, p->high.diode_average_a, 0.0, 1e-6 * a);
        assert_close(sqrt(square[0] / period), p->high.transistor_rms_a, 0.0, 1e-6 * a);
        assert_close(sqrt(square[1] / period), p->high.diode_rms_a, 0.0, 1e-5 * a);
        assert_close(loss[0], p->energy.transistor, 1e-5, 0.0);
        assert_close(loss[1], p->energy.diode, 1e-5, 1e-7 * p->energy.transistor);
        /* The supply's impulses: what a forced edge draws through the other snubber, both edges. */
        const double impulse = 2.0 * s.snubber_capacitance_f * p->falling.forced_voltage_v;
        assert_close(s.rail_v * (supply + impulse), p->energy.supplied, 0.0, 1e-6 * p->energy.throughput);
        assert_true(i_peak <= p->coil_current_peak_a * (1.0 + 1e-9) && i_peak > p->coil_current_peak_a * (1.0 - 1e-4));
        assert_true(v_peak <= p->coil_voltage_peak_v * (1.0 + 1e-9) && v_peak > p->coil_voltage_peak_v * (1.0 - 1e-4));
        assert_true(c_peak <= p->capacitor_voltage_peak_v * (1.0 + 1e-9) &&
                    c_peak > p->capacitor_voltage_peak_v * (1.0 - 1e-4));
        tw_steady_destroy(steady);
    }
}

/* ---- facts of the trade ------------------------------------------------------------------------- */

static tw_half_bridge plain_tank(double frequency_hz) {
    return (tw_half_bridge){.rail_v = 300.0,
                            .frequency_hz = frequency_hz,
                            .dead_time_s = 0.8e-6,
                            .snubber_capacitance_f = 2e-9,
                            .capacitance_f = 0.66e-6,
                            .load = {.resistance_ohm = 2.0, .inductance_h = 80e-6}};
}

static void power_falls_steadily_above_resonance(void **state) {
    tw_ctx *ctx = *state;
    double before = INFINITY, lag = 0.0;
    for (double f = 22.2e3; f < 80e3; f *= 1.02) {
        const tw_half_bridge s = plain_tank(f);
        tw_steady *steady = solve(ctx, &s);
        const tw_operating_point *p = tw_steady_point(steady);
        assert_true(p->real_power_w < before);
        assert_true(p->bridge_phase_lag_rad > lag && p->bridge_phase_lag_rad < 0.5 * TW_PI);
        before = p->real_power_w;
        lag = p->bridge_phase_lag_rad;
        tw_steady_destroy(steady);
    }
}

/* Without pan, far above resonance: a triangle with slope voltage over inductance, the coil voltage nearly square, the
 * capacitor voltage nearly gone. */
static void far_above_resonance_the_current_is_a_triangle(void **state) {
    tw_ctx *ctx = *state;
    tw_half_bridge s = plain_tank(200e3);
    s.load.resistance_ohm = 0.05;
    s.dead_time_s = 0.2e-6;
    s.snubber_capacitance_f = 0.2e-9;
    tw_steady *steady = solve(ctx, &s);
    const tw_operating_point *p = tw_steady_point(steady);
    const double t[2] = {0.6e-6, 1.9e-6};
    double i[2], v[2];
    tw_steady_sample(steady, TW_SIGNAL_COIL_CURRENT, t, 2, i);
    tw_steady_sample(steady, TW_SIGNAL_COIL_VOLTAGE, t, 2, v);
    assert_close((i[1] - i[0]) / (t[1] - t[0]), 150.0 / 80e-6, 0.02, 0.0);
    assert_close(v[0], 150.0, 0.03, 0.0);
    assert_close(v[1], 150.0, 0.03, 0.0);
    assert_close(p->coil_current_peak_a, 150.0 / 80e-6 * 0.25 / 200e3, 0.05, 0.0);
    assert_true(p->capacitor_voltage_peak_v < 5.0);
    assert_close(p->coil_voltage_rms_v, 150.0, 0.04, 0.0);
    tw_steady_destroy(steady);
}

static tw_half_bridge melter(double coupling, double frequency_hz) {
    return (tw_half_bridge){.rail_v = 318.0,
                            .frequency_hz = frequency_hz,
                            .dead_time_s = 1.5e-6,
                            .snubber_capacitance_f = 6e-9,
                            .transistor = {0.9, 0.02},
                            .diode = {0.8, 0.015},
                            .capacitance_f = 660e-9,
                            .split = true,
                            .load = tw_load_coupled(90e-6, 0.12, coupling, 5.0)};
}

static void lifting_the_pan_raises_the_lag_and_lowers_the_power(void **state) {
    tw_ctx *ctx = *state;
    double power = INFINITY, lag = -INFINITY;
    for (double coupling = 0.67; coupling > 0.15; coupling -= 0.04) {
        const tw_half_bridge s = melter(coupling, 28e3);
        tw_steady *steady = solve(ctx, &s);
        const tw_operating_point *p = tw_steady_point(steady);
        assert_true(p->real_power_w < power);
        assert_true(p->coil_phase_lag_rad > lag);
        power = p->real_power_w;
        lag = p->coil_phase_lag_rad;
        tw_steady_destroy(steady);
    }
}

/* Below resonance: turn-off costs nothing (no forced voltage while opening), turn-on happens at full voltage. */
static void below_resonance_is_hard(void **state) {
    tw_ctx *ctx = *state;
    const tw_half_bridge s = melter(0.67, 21e3);
    tw_steady *steady = solve(ctx, &s);
    const tw_operating_point *p = tw_steady_point(steady);
    assert_int_equal(p->commutation, TW_COMMUTATION_HARD);
    assert_true(p->bridge_phase_lag_rad < 0.0 && p->falling.turn_off_current_a < 0.0);
    assert_true(p->falling.forced_voltage_v > 0.99 * s.rail_v);
    assert_close(p->falling.forced_energy_j, 0.5 * 12e-9 * pow(p->falling.forced_voltage_v, 2.0), 0.02, 0.0);
    assert_true(p->falling.zero_crossing_margin_s < 0.0 && isnan(p->falling.window_longest_s));
    tw_steady_destroy(steady);
}

/* Near resonance with a long dead time the midpoint falls, the current reverses, the midpoint springs back. */
static void near_resonance_a_long_dead_time_rebounds(void **state) {
    tw_ctx *ctx = *state;
    tw_half_bridge s = melter(0.67, 25.3e3);
    s.dead_time_s = 3.0e-6;
    tw_steady *steady = solve(ctx, &s);
    const tw_operating_point *p = tw_steady_point(steady);
    assert_int_equal(p->commutation, TW_COMMUTATION_REBOUND);
    assert_true(p->falling.forced_voltage_v > 1.0);
    assert_true(p->falling.window_longest_s < s.dead_time_s && p->falling.window_shortest_s > 0.0);
    /* A dead time inside the window is soft. */
    const double middle = 0.5 * (p->falling.window_shortest_s + p->falling.window_longest_s);
    tw_steady_destroy(steady);
    s.dead_time_s = middle;
    steady = solve(ctx, &s);
    assert_int_equal(tw_steady_point(steady)->commutation, TW_COMMUTATION_FULL_ZVS);
    tw_steady_destroy(steady);
}

/* Impedance of the coupled coil: the text's formula; series R and L fall to the equivalent values. */
static void coupled_coil_follows_its_formula(void **state) {
    tw_ctx *ctx = *state;
    tw_random r = {37};
    for (int k = 0; k < 200; k++) {
        const double l1 = tw_random_log_uniform(&r, 1e-6, 1e-3), r1 = tw_random_uniform(&r, 0.0, 1.0),
                     kk = tw_random_uniform(&r, 0.01, 0.999), r2 = tw_random_log_uniform(&r, 1e-3, 1e3),
                     w = tw_random_log_uniform(&r, 1e3, 1e7);
        const tw_load load = tw_load_coupled(l1, r1, kk, r2);
        double re, im;
        tw_load_impedance(&load, w, &re, &im);
        const double lm = kk * kk * l1, q = r2 * r2 + w * w * lm * lm;
        assert_close(re, r1 + r2 * w * w * lm * lm / q, 1e-12, 0.0);
        assert_close(im, w * (l1 - lm) + w * lm * r2 * r2 / q, 1e-11, 1e-12 * w * l1);
        double f, rr, x;
        const double c = tw_random_log_uniform(&r, 1e-8, 1e-5);
        assert_ok(tw_load_resonance(ctx, &load, c, &f), ctx);
        tw_load_impedance(&load, 2.0 * TW_PI * f, &rr, &x);
        assert_close(x, 1.0 / (2.0 * TW_PI * f * c), 1e-12, 0.0);
    }
    double f;
    const tw_load load = tw_load_coupled(1e-4, 0.1, 0.0, 5.0);
    assert_int_equal(load.n_branches, 0);
    assert_int_equal(tw_load_resonance(ctx, &load, 1e6, &f), TW_OUT_OF_RANGE);
}

#define WITH_CONTEXT(test) cmocka_unit_test_setup_teardown(test, make_context, drop_context)

int main(void) {
    const struct CMUnitTest tests[] = {
        WITH_CONTEXT(volts_ohms_and_seconds_scale),
        WITH_CONTEXT(half_wave_symmetry_and_kirchhoff_hold),
        WITH_CONTEXT(whole_periods_do_not_matter),
        WITH_CONTEXT(motions_superpose_inside_a_state),
        WITH_CONTEXT(energy_closes),
        WITH_CONTEXT(harmonics_hold_the_rms_and_the_power),
        WITH_CONTEXT(numbers_match_the_sampled_waveforms),
        WITH_CONTEXT(power_falls_steadily_above_resonance),
        WITH_CONTEXT(far_above_resonance_the_current_is_a_triangle),
        WITH_CONTEXT(lifting_the_pan_raises_the_lag_and_lowers_the_power),
        WITH_CONTEXT(below_resonance_is_hard),
        WITH_CONTEXT(near_resonance_a_long_dead_time_rebounds),
        WITH_CONTEXT(coupled_coil_follows_its_formula),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

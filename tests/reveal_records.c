#include "reveal_records.h"

#include <math.h>

tw_test_rig tw_test_rig_default(void) {
    return (tw_test_rig){
        .stage = {.rail_v = 318.0,
                  .frequency_hz = 26e3,
                  .dead_time_s = 1.8e-6,
                  .snubber_capacitance_f = 10e-9,
                  .transistor = {0.9, 20e-3},
                  .diode = {0.8, 15e-3},
                  .capacitance_f = 660e-9,
                  .esr_ohm = 3e-3,
                  .split = true,
                  .load = tw_load_coupled(90e-6, 0.12, 0.67, 5.0)},
        .transformer = {.turns = 150,
                        .burden_ohm = 2.2,
                        .magnetizing_inductance_h = 22e-3,
                        .winding_resistance_ohm = 1.4,
                        .clamp_onset_v = (double)NAN},
        .loop_gain = 0.0203,
        .skew_s = 0.0,
        .interval_s = 10e-9,
        .cycles = 11.3,
        .start_phase = 0.37,
        .bits = 8,
        .noise = 0.004,
        .span = 1.1,
        .seed = 7,
    };
}

/* True when both edges carry the verdict and no deciding quantity is smaller than what 8 bits can show: 3 % of the rail
 * beyond the devices' own play in voltage, 4 % of the peak in current, 60 ns in the current's turn. */
static bool is_clear(const tw_half_bridge *stage, const tw_operating_point *p, tw_commutation wanted) {
    const tw_edge *const edges[2] = {&p->falling, &p->rising};
    /* at 86 degrees one nanosecond of skew, which is what 8 bits leave, is already 0.2 to 0.4 % of the power */
    if (p->coil_phase_lag_rad > 86.0 * TW_PI / 180.0) {
        return false;
    }
    const double play = 2.0 * (stage->transistor.threshold_v + stage->diode.threshold_v);
    for (int e = 0; e < 2; e++) {
        const tw_edge *const edge = edges[e];
        if (edge->verdict != wanted || fabs(edge->turn_off_current_a) < 0.04 * p->coil_current_peak_a) {
            return false;
        }
        if (wanted != TW_COMMUTATION_FULL_ZVS && edge->forced_voltage_v < 0.03 * stage->rail_v + play) {
            return false;
        }
        /* a swing that only just fails to arrive, or a turn just before the closing, looks complete */
        if (wanted == TW_COMMUTATION_FULL_ZVS && edge->zero_crossing_margin_s < 60e-9) {
            return false;
        }
    }
    return true;
}

/* One draw a statement: the order of draws inside an initializer is the compiler's choice. */
static tw_half_bridge random_stage(tw_random *r) {
    tw_half_bridge s = {.rail_v = 0};
    const double inductance = tw_random_log_uniform(r, 50e-6, 160e-6);
    const double coupling = tw_random_uniform(r, 0.35, 0.8);
    const double pan = tw_random_log_uniform(r, 2.0, 12.0);
    const double winding = tw_random_uniform(r, 0.05, 0.2);
    s.load = tw_load_coupled(inductance, winding, coupling, pan);
    s.capacitance_f = tw_random_log_uniform(r, 270e-9, 1.2e-6);
    s.rail_v = tw_random_uniform(r, 60.0, 330.0);
    s.dead_time_s = tw_random_log_uniform(r, 0.15e-6, 6e-6);
    s.snubber_capacitance_f = tw_random_log_uniform(r, 2e-9, 33e-9);
    s.transistor.threshold_v = tw_random_uniform(r, 0.5, 1.3);
    s.transistor.slope_ohm = tw_random_uniform(r, 5e-3, 40e-3);
    s.diode.threshold_v = tw_random_uniform(r, 0.5, 1.1);
    s.diode.slope_ohm = tw_random_uniform(r, 5e-3, 30e-3);
    s.esr_ohm = tw_random_uniform(r, 1e-3, 8e-3);
    s.split = tw_random_below(r, 2) != 0;
    return s;
}

/* Samples so that the faster edge has at least 25, and a hard one something like what a bench person would choose. */
static double choose_interval(const tw_operating_point *p) {
    double swing = INFINITY;
    const tw_edge *const edges[2] = {&p->falling, &p->rising};
    for (int e = 0; e < 2; e++) {
        if (edges[e]->verdict != TW_COMMUTATION_HARD && edges[e]->swing_time_s > 0) {
            swing = fmin(swing, edges[e]->swing_time_s);
        }
    }
    return isfinite(swing) ? fmin(swing / 25.5, p->period_s / 1500.0) : p->period_s / 3000.0;
}

tw_test_rig tw_test_rig_draw(tw_ctx *ctx, tw_random *r, tw_commutation wanted) {
    tw_test_rig rig = tw_test_rig_default();
    for (int tries = 0; tries < 20000; tries++) {
        rig.stage = random_stage(r);
        double f0;
        if (tw_load_resonance(ctx, &rig.stage.load, rig.stage.capacitance_f, &f0) != TW_OK) {
            tw_ctx_clear_error(ctx);
            continue;
        }
        rig.stage.frequency_hz =
            f0 * (wanted == TW_COMMUTATION_HARD ? tw_random_uniform(r, 0.85, 0.99) : tw_random_uniform(r, 1.0, 1.7));
        if (rig.stage.dead_time_s > 0.2 / rig.stage.frequency_hz) {
            continue;
        }
        tw_steady *steady;
        if (tw_steady_solve(ctx, &rig.stage, NULL, &steady) != TW_OK) {
            tw_ctx_clear_error(ctx);
            continue;
        }
        const tw_operating_point *p = tw_steady_point(steady);
        const bool clear = is_clear(&rig.stage, p, wanted) && choose_interval(p) > p->period_s / 40000.0;
        rig.interval_s = choose_interval(p);
        rig.cycles = tw_random_uniform(r, 10.2, 14.0);
        rig.start_phase = tw_random_uniform(r, 0.0, 1.0);
        rig.skew_s = tw_random_uniform(r, -40e-9, 40e-9);
        rig.loop_gain = tw_random_log_uniform(r, 2e-3, 0.1);
        rig.seed = 1 + tw_random_below(r, 1000000);
        tw_steady_destroy(steady);
        if (clear) {
            return rig;
        }
    }
    fail_msg("no rig with the verdict %s found", tw_commutation_word(wanted));
    return rig;
}

static void store(tw_ctx *ctx, const tw_test_rig *rig, size_t channel, double peak, double *v, size_t n) {
    const double half = rig->span * peak;
    const tw_recorder_channel recorder = {
        .bits = rig->bits, .range_low_v = -half, .range_high_v = half, .noise_rms_v = rig->noise * 2.0 * half};
    assert_ok(tw_recorder_store(ctx, &recorder, tw_recorder_channel_seed(rig->seed, channel), v, n, v, NULL, NULL),
              ctx);
}

static double peak_of(const double *v, size_t n) {
    double peak = 0;
    for (size_t k = 0; k < n; k++) {
        peak = fmax(peak, fabs(v[k]));
    }
    return peak;
}

/* The burden's voltage over one period on a fine grid, then read at the recorder's instants. */
static void sample_current(tw_ctx *ctx, const tw_test_rig *rig, const tw_steady *steady, size_t n, double *out) {
    enum { GRID = 40000 };
    const double period = 1.0 / rig->stage.frequency_hz;
    double *t = tw_alloc(ctx, GRID, sizeof *t), *i = tw_alloc(ctx, GRID, sizeof *i),
           *v = tw_alloc(ctx, GRID, sizeof *v);
    assert_true(t != NULL && i != NULL && v != NULL);
    for (size_t k = 0; k < GRID; k++) {
        t[k] = (double)k / GRID * period;
    }
    tw_steady_sample(steady, TW_SIGNAL_COIL_CURRENT, t, GRID, i);
    assert_ok(tw_transformer_forward(ctx, &rig->transformer, period, i, GRID, v), ctx);
    for (size_t k = 0; k < n; k++) {
        const double at = fmod(rig->start_phase + (double)k * rig->interval_s / period, 1.0) * GRID;
        const size_t a = (size_t)at % GRID;
        out[k] = v[a] + (at - floor(at)) * (v[(a + 1) % GRID] - v[a]);
    }
    tw_free(t);
    tw_free(i);
    tw_free(v);
}

void tw_test_record_make(tw_ctx *ctx, const tw_test_rig *rig, tw_test_record *out) {
    assert_ok(tw_steady_solve(ctx, &rig->stage, NULL, &out->steady), ctx);
    const double period = 1.0 / rig->stage.frequency_hz;
    const size_t n = (size_t)(rig->cycles * period / rig->interval_s);
    out->current_v = tw_alloc(ctx, n, sizeof(double));
    out->voltage_v = tw_alloc(ctx, n, sizeof(double));
    double *t = tw_alloc(ctx, n, sizeof *t);
    assert_true(out->current_v != NULL && out->voltage_v != NULL && t != NULL);
    sample_current(ctx, rig, out->steady, n, out->current_v);
    for (size_t k = 0; k < n; k++) {
        t[k] = rig->start_phase * period + (double)k * rig->interval_s - rig->skew_s;
    }
    tw_steady_sample(out->steady, TW_SIGNAL_COIL_VOLTAGE, t, n, out->voltage_v);
    for (size_t k = 0; k < n; k++) {
        out->voltage_v[k] *= rig->loop_gain;
    }
    store(ctx, rig, 0, peak_of(out->current_v, n), out->current_v, n);
    store(ctx, rig, 1, peak_of(out->voltage_v, n), out->voltage_v, n);
    tw_free(t);
    out->record = (tw_record){
        .samples = n, .interval_s = rig->interval_s, .current_v = out->current_v, .voltage_v = out->voltage_v};
}

void tw_test_record_dispose(tw_test_record *record) {
    tw_steady_destroy(record->steady);
    tw_free(record->current_v);
    tw_free(record->voltage_v);
}

tw_prior tw_test_prior(const tw_test_rig *rig) {
    return (tw_prior){
        .turns = tw_exactly(rig->transformer.turns),
        .burden_ohm = tw_exactly(rig->transformer.burden_ohm),
        .magnetizing_inductance_h = tw_exactly(rig->transformer.magnetizing_inductance_h),
        .winding_resistance_ohm = tw_exactly(rig->transformer.winding_resistance_ohm),
        .clamp_onset_v = rig->transformer.clamp_onset_v,
        .loop_gain = tw_unknown(),
        .rail_v = tw_exactly(rig->stage.rail_v),
        .capacitance_f = tw_unknown(),
        .esr_ohm = tw_exactly(rig->stage.esr_ohm),
        .skew_s = tw_unknown(),
        .transistor_threshold_v = tw_exactly(rig->stage.transistor.threshold_v),
        .transistor_slope_ohm = tw_exactly(rig->stage.transistor.slope_ohm),
        .diode_threshold_v = tw_exactly(rig->stage.diode.threshold_v),
        .diode_slope_ohm = tw_exactly(rig->stage.diode.slope_ohm),
        .midpoint_capacitance_f = tw_exactly(2.0 * rig->stage.snubber_capacitance_f),
    };
}

/* The record that the recorder would store: the engine's periodic solution through pick-ups, skew, noise and codes.
 *
 * The coil current passes the current transformer once, over one period on a fine grid; the recorder's instants, which
 * need not fit the period, are then read off that period linearly. The current's corners lie at the switching instants
 * and its steepest slope is V_r/L, so with GRID points a period the reading-off errs by less than 1e-7 of the peak. The
 * coil voltage is evaluated at the voltage channel's own instants, exactly. */
#include "study_internal.h"

#include <math.h>
#include <string.h>

#define GRID 16384

/* Volts of the loop per volt of the coil that a rehearsal assumes where the rig leaves the gain open: a few hundred
 * volts on the coil become a few volts at the recorder. */
#define ASSUMED_GAIN (1.0 / 50.0)

#define SAMPLES_PER_SWING 25.0
#define SAMPLES_PER_PERIOD 500.0
#define DEFAULT_PERIODS 12.0
#define SWEEP_PERIODS 10.0
#define MOST_DEFAULT_SAMPLES 500000.0
#define MOST_SAMPLES 100000000.0
#define HEADROOM 0.1

tw_rehearse_opts tw_rehearse_opts_default(void) {
    return (tw_rehearse_opts){.interval_s = NAN, .duration_s = NAN, .seed = 1, .skew_s = NAN, .start_phase = NAN};
}

/* The 1-2-5 step at or below x, or at or above it. */
static double round_step(double x, bool up) {
    const double decade = pow(10.0, floor(log10(x)));
    const double steps[] = {1.0, 2.0, 5.0, 10.0};
    const double mantissa = x / decade;
    for (size_t k = 0; k < 4; k++) {
        if (up && mantissa <= steps[k] * (1.0 + 1e-12)) {
            return steps[k] * decade;
        }
        if (!up && (k == 3 || mantissa < steps[k + 1] * (1.0 - 1e-12))) {
            return steps[k] * decade;
        }
    }
    return 10.0 * decade;
}

typedef struct plan {
    double period_s, interval_s, start_s, skew_s;
    size_t samples;
    uint64_t seed;
} plan;

/* The shorter of the two swings that go over by themselves; NaN where both are forced. */
static double free_swing(const tw_operating_point *point) {
    const tw_edge *edges[] = {&point->falling, &point->rising};
    double shortest = NAN;
    for (int k = 0; k < 2; k++) {
        if (edges[k]->verdict != TW_COMMUTATION_HARD && edges[k]->swing_time_s > 0.0) {
            shortest = fmin(shortest, edges[k]->swing_time_s);
        }
    }
    return shortest;
}

/* Small enough for the swing and for the period, yet the whole record stays within what recorders store. */
static double choose_interval(const tw_operating_point *point, double duration_s) {
    const double finest_s = fmin(free_swing(point) / SAMPLES_PER_SWING, point->period_s / SAMPLES_PER_PERIOD);
    const double interval_s = round_step(finest_s, false);
    return duration_s / interval_s <= MOST_DEFAULT_SAMPLES ? interval_s
                                                           : round_step(duration_s / MOST_DEFAULT_SAMPLES, true);
}

static tw_status check_opts(tw_ctx *ctx, const tw_rehearse_opts *opts) {
    if (!isnan(opts->interval_s) && !(opts->interval_s > 0.0 && isfinite(opts->interval_s))) {
        return TW_STUDY_FAIL_KEY(ctx, TW_OUT_OF_RANGE, "interval", "must be above 0 s, found %g s", opts->interval_s);
    }
    if (!isnan(opts->duration_s) && !(opts->duration_s > 0.0 && isfinite(opts->duration_s))) {
        return TW_STUDY_FAIL_KEY(ctx, TW_OUT_OF_RANGE, "duration", "must be above 0 s, found %g s", opts->duration_s);
    }
    if (isinf(opts->skew_s)) {
        return TW_STUDY_FAIL_KEY(ctx, TW_OUT_OF_RANGE, "skew", "must be finite");
    }
    if (!isnan(opts->start_phase) && !(opts->start_phase >= 0.0 && opts->start_phase <= 1.0)) {
        return TW_STUDY_FAIL_KEY(ctx, TW_OUT_OF_RANGE, "start_phase", "must lie in 0 .. 1, found %g",
                                 opts->start_phase);
    }
    if (opts->samples > 0 && !isnan(opts->interval_s) && !isnan(opts->duration_s)) {
        return TW_STUDY_FAIL_KEY(ctx, TW_BAD_ARGUMENT, "samples",
                                 "samples, interval and duration are given, but two of them settle the third");
    }
    return TW_OK;
}

static tw_status make_plan(tw_ctx *ctx, const tw_rig *rig, const tw_rehearse_opts *opts,
                           const tw_operating_point *point, plan *out) {
    TW_TRY(check_opts(ctx, opts));
    plan p = {.period_s = point->period_s, .seed = opts->seed, .interval_s = opts->interval_s};
    const double duration_s = isnan(opts->duration_s) ? DEFAULT_PERIODS * p.period_s : opts->duration_s;
    double samples = (double)opts->samples;
    if (isnan(p.interval_s)) {
        const bool shared_out = opts->samples > 0 && !isnan(opts->duration_s);
        p.interval_s = shared_out ? duration_s / samples : choose_interval(point, duration_s);
    }
    if (opts->samples == 0) {
        samples = ceil(duration_s / p.interval_s * (1.0 - 1e-12));
    }
    if (!(samples >= 2.0 && samples <= MOST_SAMPLES)) {
        return TW_STUDY_FAIL_KEY(ctx, TW_OUT_OF_RANGE, "samples", "a record of %.6g samples: 2 to %.0f are possible",
                                 samples, MOST_SAMPLES);
    }
    p.samples = (size_t)samples;
    p.start_s = p.period_s * (isnan(opts->start_phase) ? 0.3 : opts->start_phase);
    p.skew_s = opts->skew_s;
    if (isnan(p.skew_s)) {
        p.skew_s = tw_is_known(rig->recorder.skew_s) ? rig->recorder.skew_s.value : 0.0;
    }
    *out = p;
    return TW_OK;
}

/* n equally spaced instants from start_s. */
static void instants(double start_s, double interval_s, size_t n, double *out) {
    for (size_t k = 0; k < n; k++) {
        out[k] = start_s + interval_s * (double)k;
    }
}

/* Burden volts at the record's instants, into v[samples]. */
static tw_status current_channel(tw_ctx *ctx, const tw_steady *steady, const tw_transformer *ct, const plan *p,
                                 double *v) {
    double *grid = tw_alloc(ctx, 3 * GRID, sizeof(double));
    if (grid == NULL) {
        return TW_NO_MEMORY;
    }
    double *current = grid + GRID, *burden = grid + 2 * GRID;
    instants(0.0, p->period_s / GRID, GRID, grid);
    tw_steady_sample(steady, TW_SIGNAL_COIL_CURRENT, grid, GRID, current);
    const tw_status status = tw_transformer_forward(ctx, ct, p->period_s, current, GRID, burden);
    for (size_t k = 0; status == TW_OK && k < p->samples; k++) {
        const double periods = (p->start_s + p->interval_s * (double)k) / p->period_s;
        const double at = (periods - floor(periods)) * GRID;
        const size_t left = (size_t)at % GRID, right = (left + 1) % GRID;
        v[k] = burden[left] + (at - floor(at)) * (burden[right] - burden[left]);
    }
    tw_free(grid);
    return status;
}

/* Loop volts at the voltage channel's own instants: what happens at t stands in the record at t + skew. */
static tw_status voltage_channel(tw_ctx *ctx, const tw_steady *steady, double gain, const plan *p, double *v) {
    double *time_s = tw_alloc(ctx, p->samples, sizeof(double));
    if (time_s == NULL) {
        return TW_NO_MEMORY;
    }
    instants(p->start_s - p->skew_s, p->interval_s, p->samples, time_s);
    tw_steady_sample(steady, TW_SIGNAL_COIL_VOLTAGE, time_s, p->samples, v);
    tw_free(time_s);
    for (size_t k = 0; k < p->samples; k++) {
        v[k] *= gain;
    }
    return TW_OK;
}

/* A stored channel: `factor` is what one volt at the pick-up becomes at the recorder, sign included. */
static tw_status store(tw_ctx *ctx, const tw_rig *rig, double factor, uint64_t seed, size_t n, double *v,
                       double *peak_v, double *range_v, size_t *clipped) {
    double peak = 0.0;
    for (size_t k = 0; k < n; k++) {
        peak = fmax(peak, fabs(v[k]));
        v[k] *= factor;
    }
    if (!(peak > 0.0)) {
        return tw_fail(ctx, TW_BAD_DATA, "study", "a pick-up would give no signal at all");
    }
    const double range = tw_recorder_suggest_range(peak * fabs(factor), HEADROOM);
    const tw_recorder_channel channel = {.bits = rig->recorder.bits,
                                         .range_low_v = -0.5 * range,
                                         .range_high_v = 0.5 * range,
                                         .noise_rms_v = rig->recorder.noise * range};
    TW_TRY(tw_recorder_store(ctx, &channel, seed, v, n, v, NULL, clipped));
    *peak_v = peak * fabs(factor);
    *range_v = range;
    return TW_OK;
}

static double loop_gain(const tw_rig *rig) {
    return tw_is_known(rig->voltage_pickup.gain) ? rig->voltage_pickup.gain.value : ASSUMED_GAIN;
}

static double recorded_per_volt(const tw_rig_channel *channel, bool reversed) {
    const double factor = tw_is_known(channel->probe_factor) ? channel->probe_factor.value : 1.0;
    return (reversed ? -1.0 : 1.0) / factor;
}

static tw_status add_warnings(tw_ctx *ctx, const tw_rig *rig, const tw_transformer *ct, const tw_operating_point *point,
                              const plan *p, tw_rehearsal *out) {
    tw_warnings *list = &out->warnings;
    if (!tw_is_known(rig->voltage_pickup.gain)) {
        TW_TRY(
            tw_warn(ctx, list, "assumed_loop_gain",
                    "the rig leaves the loop's gain open: rehearsed with 1/%.0f; the true range follows from the true "
                    "gain",
                    1.0 / ASSUMED_GAIN));
    }
    if (point->coil_current_peak_a > tw_transformer_linear_limit(ct)) {
        TW_TRY(tw_warn(ctx, list, "clamp_conducting",
                       "the clamp conducts above %.3g A and the current peaks at %.3g A: take a smaller burden or more "
                       "turns",
                       tw_transformer_linear_limit(ct), point->coil_current_peak_a));
    }
    const double per_swing = free_swing(point) / p->interval_s;
    if (per_swing < SAMPLES_PER_SWING * (1.0 - 1e-9)) {
        TW_TRY(tw_warn(ctx, list, "few_samples_per_swing",
                       "%.3g samples on a swing of %.3g ns: the midpoint capacitance and the margin need some %.0f",
                       per_swing, free_swing(point) * 1e9, SAMPLES_PER_SWING));
    }
    if (p->interval_s * (double)(p->samples - 1) < 2.0 * p->period_s) {
        TW_TRY(tw_warn(ctx, list, "few_cycles", "the record holds fewer than two whole cycles"));
    }
    if (rig->recorder.current.channel > rig->recorder.voltage.channel && rig->recorder.voltage.channel > 0) {
        TW_TRY(
            tw_warn(ctx, list, "channel_order",
                    "the record is written with the current first: analyse it with --set recorder.channels.current=1 "
                    "--set recorder.channels.voltage=2"));
    }
    return TW_OK;
}

static tw_status fill(tw_ctx *ctx, const tw_rig *rig, const tw_rehearse_opts *opts, const tw_transformer *ct,
                      const tw_steady *steady, tw_rehearsal *out) {
    const tw_operating_point *point = tw_steady_point(steady);
    plan p = {0};
    TW_TRY(make_plan(ctx, rig, opts, point, &p));
    out->samples = p.samples;
    out->interval_s = p.interval_s;
    out->period_s = p.period_s;
    out->sweep_s = round_step(SWEEP_PERIODS * p.period_s, true);
    if ((out->current_v = tw_alloc(ctx, p.samples, sizeof(double))) == NULL ||
        (out->voltage_v = tw_alloc(ctx, p.samples, sizeof(double))) == NULL) {
        return TW_NO_MEMORY;
    }
    TW_TRY(tw_progress(ctx, 0.1, "rehearsing"));
    TW_TRY(current_channel(ctx, steady, ct, &p, out->current_v));
    TW_TRY(tw_progress(ctx, 0.4, "rehearsing"));
    TW_TRY(voltage_channel(ctx, steady, loop_gain(rig), &p, out->voltage_v));
    TW_TRY(tw_progress(ctx, 0.7, "rehearsing"));
    const double current_factor = recorded_per_volt(&rig->recorder.current, rig->current_pickup.reversed);
    const double voltage_factor = recorded_per_volt(&rig->recorder.voltage, rig->voltage_pickup.reversed);
    TW_TRY(store(ctx, rig, current_factor, tw_recorder_channel_seed(p.seed, 0), p.samples, out->current_v,
                 &out->current_peak_v, &out->current_range_v, &out->current_clipped));
    TW_TRY(store(ctx, rig, voltage_factor, tw_recorder_channel_seed(p.seed, 1), p.samples, out->voltage_v,
                 &out->voltage_peak_v, &out->voltage_range_v, &out->voltage_clipped));
    return add_warnings(ctx, rig, ct, point, &p, out);
}

tw_status tw_study_rehearse(tw_ctx *ctx, const tw_rig *rig, const tw_rehearse_opts *opts, tw_rehearsal *out) {
    const tw_rehearse_opts used = opts != NULL ? *opts : tw_rehearse_opts_default();
    tw_half_bridge stage;
    tw_transformer ct;
    tw_steady *steady = NULL;
    TW_TRY(tw_study_stage(ctx, rig, &stage));
    TW_TRY(tw_study__transformer(ctx, rig, &ct));
    if (rig->voltage_pickup.kind != TW_VOLTAGE_PICKUP_LOOP) {
        return TW_STUDY_FAIL_KEY(ctx, TW_NEEDS_OPTION, "pickups.voltage.kind",
                                 "a sense loop near the coil is needed, and the rig has none");
    }
    TW_TRY(tw_steady_solve(ctx, &stage, NULL, &steady));
    tw_rehearsal rehearsal = {0};
    const tw_status status = fill(ctx, rig, &used, &ct, steady, &rehearsal);
    tw_steady_destroy(steady);
    if (status != TW_OK) {
        tw_rehearsal_dispose(&rehearsal);
        return status;
    }
    *out = rehearsal;
    return TW_OK;
}

void tw_rehearsal_dispose(tw_rehearsal *rehearsal) {
    tw_free(rehearsal->current_v);
    tw_free(rehearsal->voltage_v);
    tw_warnings_dispose(&rehearsal->warnings);
    memset(rehearsal, 0, sizeof *rehearsal);
}

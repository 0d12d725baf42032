/* The record made ready: gaps, offsets, frequency, the stretch to analyse, coil current and charge.
 *
 * The current transformer is undone exactly (pickup room). Neither a transformer's burden nor a coil in series with
 * a capacitor carries a mean over whole periods, so the means of both channels are recorder offsets and are removed.
 */
#include "reveal_internal.h"

#include <math.h>
#include <string.h>

#include "tankwright/pickup.h"

static const char ROOM[] = "reveal";

void tw_reveal__release(tw_reveal__work *w) {
    tw_free(w->u);
    tw_free(w->i);
    tw_free(w->q);
    tw_free(w->i_v);
    tw_free(w->q_v);
    tw_free(w->level);
    tw_free(w->scratch);
    tw_free(w->gap);
    memset(w, 0, sizeof *w);
}

/* ---- gaps and clipping ---- */

/* Copies a channel, over-range markers put to the largest finite value of that sign, gaps bridged by straight lines. */
static tw_status copy_channel(tw_ctx *ctx, const char *name, const double *in, size_t n, double *out, bool *gap,
                              tw_warnings *warnings) {
    double low = INFINITY, high = -INFINITY;
    size_t finite = 0, over = 0, last = SIZE_MAX;
    for (size_t k = 0; k < n; k++) {
        if (isfinite(in[k])) {
            low = fmin(low, in[k]);
            high = fmax(high, in[k]);
            finite++;
        }
    }
    if (finite < n / 2 || finite < 16) {
        return tw_fail(ctx, TW_BAD_DATA, ROOM, "the %s channel has only %zu usable samples of %zu", name, finite, n);
    }
    if (!(high > low)) {
        return tw_fail(ctx, TW_BAD_DATA, ROOM, "the %s channel is constant at %g V", name, low);
    }
    for (size_t k = 0; k < n; k++) {
        gap[k] = gap[k] || !isfinite(in[k]);
        if (isinf(in[k])) {
            out[k] = in[k] > 0 ? high : low;
            over++;
        } else if (isnan(in[k])) {
            continue;
        } else {
            out[k] = in[k];
        }
        for (size_t j = last == SIZE_MAX ? 0 : last + 1; j < k; j++) {
            out[j] =
                last == SIZE_MAX ? out[k] : out[last] + (out[k] - out[last]) * (double)(j - last) / (double)(k - last);
        }
        last = k;
    }
    for (size_t j = last + 1; j < n; j++) {
        out[j] = out[last];
    }
    if (over > 0) {
        TW_TRY(tw_warn(ctx, warnings, strcmp(name, "current") == 0 ? "clipped_current" : "clipped_voltage",
                       "%zu samples of the %s channel are over range; use a larger vertical range", over, name));
    } else if (finite < n) {
        TW_TRY(tw_warn(ctx, warnings, "gaps", "%zu samples of the %s channel are missing and were bridged", n - finite,
                       name));
    }
    return TW_OK;
}

/* A clipped channel sits on its extreme for several samples in a row; a sine or a corner does not. Returns the longest
 * such run; where `gap` is given, marks the samples of runs over `limit` as unusable. */
static size_t runs_at(const double *y, size_t n, double value, size_t limit, bool *gap) {
    size_t longest = 0, run = 0;
    for (size_t k = 0; k < n; k++) {
        run = y[k] == value ? run + 1 : 0;
        longest = run > longest ? run : longest;
        if (gap != NULL && run > limit) {
            for (size_t j = run == limit + 1 ? k - limit : k; j <= k; j++) {
                gap[j] = true;
            }
        }
    }
    return longest;
}

static double quantisation_step(const double *y, size_t n) {
    double step = INFINITY;
    for (size_t k = 1; k < n; k++) {
        const double d = fabs(y[k] - y[k - 1]);
        step = d > 0 && d < step ? d : step;
    }
    return step;
}

/* Noise breaks the runs, but not the heap: without clipping the last level that noise reaches is rarer than the one
 * before it, and without noise the top of a sine fills its last level at most 1/(sqrt(2) - 1) = 2.4 times as often, in
 * one run a period. Twice as often in more than four runs a period is a heap. */
static bool is_heap(const tw_reveal__work *w, const double *y, double extreme, double step) {
    const double next = 1.5 * step;
    size_t here = 0, beside = 0, runs = 0;
    for (size_t k = 0; k < w->n; k++) {
        const bool at = y[k] == extreme;
        here += at;
        runs += at && (k == 0 || y[k - 1] != extreme);
        beside += !at && fabs(y[k] - extreme) < next;
    }
    const double periods = (double)w->n * w->interval_s / w->period_s;
    return (double)runs > 4.0 * periods && here > 2 * beside;
}

/* The top of a sine of amplitude a stays within one step for about sqrt(2 step/a)/pi of a half period; noise breaks
 * such runs. Twice that, and more than 4 samples, is clipping. */
#define SHORT_RUN 2
static tw_status check_clipping(tw_ctx *ctx, const tw_reveal__work *w, const double *y, const char *name,
                                const char *code, tw_warnings *warnings) {
    double low = INFINITY, high = -INFINITY;
    for (size_t k = 0; k < w->n; k++) {
        low = fmin(low, y[k]);
        high = fmax(high, y[k]);
    }
    const double step = quantisation_step(y, w->n);
    const double natural = sqrt(2.0 * step / (0.5 * (high - low))) / TW_PI * w->period_s / w->interval_s;
    const double limit = fmax(4.0, 2.0 * natural);
    const size_t run_low = runs_at(y, w->n, low, 0, NULL), run_high = runs_at(y, w->n, high, 0, NULL);
    const size_t run = run_low > run_high ? run_low : run_high;
    const bool heap = is_heap(w, y, low, step) || is_heap(w, y, high, step);
    if ((double)run > limit || heap) {
        (void)runs_at(y, w->n, low, heap ? 0 : SHORT_RUN, w->gap);
        (void)runs_at(y, w->n, high, heap ? 0 : SHORT_RUN, w->gap);
        TW_TRY(
            tw_warn(ctx, warnings, code,
                    "the %s channel sits on its extreme for %zu samples in a row: clipped, so power and verdict may be "
                    "wrong; use a larger range",
                    name, run));
    }
    return TW_OK;
}

/* ---- frequency and stretch ---- */

/* Cycles in the record over which a short record's frequency is looked for, and the step: a sine fit converges from
 * half of that away. */
#define SCAN_LEAST 0.5
#define SCAN_MOST 4.0
#define SCAN_STEP 0.1

/* A window's main lobe is wider than the distance to its mirror image in records of few cycles: there a sine is fitted
 * at a row of frequencies instead, and the one that leaves least counts. */
static tw_status scan_frequency(tw_ctx *ctx, const tw_reveal__work *w, double duration_s, double *frequency_hz) {
    double best = INFINITY;
    for (double cycles = SCAN_LEAST; cycles < SCAN_MOST; cycles += SCAN_STEP) {
        const double f = cycles / duration_s;
        if (f * w->interval_s > 0.4) {
            break;
        }
        tw_harmonics h;
        TW_TRY(tw_harmonics_fit_held(ctx, w->n, w->i, w->interval_s, f, 1, &h));
        if (h.residual_rms < best) {
            best = h.residual_rms;
            *frequency_hz = f;
        }
        tw_harmonics_dispose(&h);
    }
    return TW_OK;
}

static tw_status find_frequency(tw_ctx *ctx, tw_reveal__work *w) {
    double rough;
    TW_TRY(tw_spectrum_peak(ctx, w->n, w->i, w->interval_s, &rough));
    const double duration = (double)w->n * w->interval_s;
    if (rough * duration < 0.8 * SCAN_MOST) {
        TW_TRY(scan_frequency(ctx, w, duration, &rough));
    }
    if (rough * duration < 0.9) {
        return tw_fail(ctx, TW_BAD_DATA, ROOM,
                       "the record holds less than one whole cycle (strongest line at %.4g Hz, %.4g s long)", rough,
                       duration);
    }
    const double per_cycle = 1.0 / (rough * w->interval_s);
    size_t harmonics = w->n > 300000 || rough * duration < 2.0 ? 3 : 7;
    while (harmonics > 1 && (double)harmonics > 0.4 * per_cycle) {
        harmonics--;
    }
    tw_harmonics h;
    tw_status status = tw_harmonics_fit(ctx, w->n, w->i, w->interval_s, rough, harmonics, &h);
    if (status == TW_NO_CONVERGENCE || status == TW_SINGULAR) {
        tw_ctx_clear_error(ctx);
        return tw_fail(ctx, TW_BAD_DATA, ROOM, "no steady oscillation found in the current channel near %.4g Hz",
                       rough);
    }
    TW_TRY(status);
    w->frequency_hz = h.frequency_hz;
    w->frequency_u = sqrt(h.covariance[0]);
    tw_harmonics_dispose(&h);
    if (!(w->frequency_hz > 0) || w->frequency_hz * w->interval_s > 0.25) {
        return tw_fail(ctx, TW_BAD_DATA, ROOM,
                       "fewer than four samples per cycle (fundamental at %.4g Hz): no waveform to read",
                       w->frequency_hz);
    }
    w->period_s = 1.0 / w->frequency_hz;
    return TW_OK;
}

static double cycle_rms(const tw_reveal__work *w, size_t cycle) {
    const size_t per = (size_t)(w->period_s / w->interval_s);
    const size_t from = (size_t)((double)cycle * w->period_s / w->interval_s);
    double sum = 0, square = 0;
    for (size_t k = from; k < from + per && k < w->n; k++) {
        sum += w->i[k];
        square += w->i[k] * w->i[k];
    }
    const double m = sum / (double)per;
    return sqrt(fmax(0.0, square / (double)per - m * m));
}

/* Where the amplitude moves (rectified mains), keeps the cycles around the largest one that are within 1 % of it: over
 * them the rail may be taken as constant. */
static tw_status choose_stretch(tw_ctx *ctx, tw_reveal__work *w, tw_warnings *warnings) {
    const double per = w->period_s / w->interval_s;
    const size_t cycles = (size_t)((double)w->n / per + 1e-6);
    size_t best = 0;
    double largest = 0, smallest = INFINITY;
    for (size_t c = 0; c < cycles; c++) {
        const double r = cycle_rms(w, c);
        if (r > largest) {
            largest = r;
            best = c;
        }
        smallest = fmin(smallest, r);
    }
    if (cycles < 4 || smallest > 0.97 * largest) {
        return TW_OK;
    }
    size_t from = best, to = best + 1;
    while (from > 0 && cycle_rms(w, from - 1) > 0.99 * largest) {
        from--;
    }
    while (to < cycles && cycle_rms(w, to) > 0.99 * largest) {
        to++;
    }
    while (to - from < 3) { /* an isolated strong cycle: take its neighbours along */
        if (from > 0) {
            from--;
        } else {
            to++;
        }
    }
    const size_t first = (size_t)((double)from * per);
    size_t end = (size_t)((double)to * per) + 2;
    end = end < w->n ? end : w->n;
    memmove(w->u, w->u + first, (end - first) * sizeof *w->u);
    memmove(w->i, w->i + first, (end - first) * sizeof *w->i);
    memmove(w->gap, w->gap + first, (end - first) * sizeof *w->gap);
    w->start_s += (double)first * w->interval_s;
    w->n = end - first;
    return tw_warn(ctx, warnings, "envelope",
                   "the current's amplitude varies from %.3g to %.3g of its largest over the record; the reading is "
                   "for the %zu cycles "
                   "around the largest",
                   smallest / largest, 1.0, to - from);
}

/* ---- whole periods ---- */

/* Integral of y over [0, t] samples (fractional t), trapezoids. cumulative[k] = integral up to sample k. */
static double integral_to(const double *y, const double *cumulative, size_t n, double t) {
    const size_t k = t <= 0 ? 0 : (size_t)t;
    if (k >= n - 1) {
        return cumulative[n - 1];
    }
    const double part = t - (double)k;
    return cumulative[k] + part * (y[k] + 0.5 * part * (y[k + 1] - y[k]));
}

static void accumulate(const double *y, size_t n, double *cumulative) {
    cumulative[0] = 0;
    for (size_t k = 1; k < n; k++) {
        cumulative[k] = cumulative[k - 1] + 0.5 * (y[k - 1] + y[k]);
    }
}

/* Takes the mean over exactly `cycles` periods off. */
static void remove_mean(const tw_reveal__work *w, double *y, double *cumulative) {
    accumulate(y, w->n, cumulative);
    const double span = (double)w->cycles * w->period_s / w->interval_s;
    const double mean =
        integral_to(y, cumulative, w->n, fmin(span, (double)(w->n - 1))) / fmin(span, (double)(w->n - 1));
    for (size_t k = 0; k < w->n; k++) {
        y[k] -= mean;
    }
}

/* Takes the moving mean over one period off (held constant beyond the first and last half period): a slow drift, which
 * is integrated noise, goes; everything periodic stays. */
static void remove_drift(const tw_reveal__work *w, double *y, double *cumulative) {
    accumulate(y, w->n, cumulative);
    const double per = w->period_s / w->interval_s;
    const double last = (double)(w->n - 1);
    double *const mean = w->i_v; /* free at this time */
    for (size_t k = 0; k < w->n; k++) {
        const double from = fmin(fmax((double)k - 0.5 * per, 0.0), fmax(last - per, 0.0));
        const double to = fmin(from + per, last);
        mean[k] = (integral_to(y, cumulative, w->n, to) - integral_to(y, cumulative, w->n, from)) / (to - from);
    }
    for (size_t k = 0; k < w->n; k++) {
        y[k] -= mean[k];
    }
}

static tw_status make_current(tw_ctx *ctx, tw_reveal__work *w) {
    const tw_prior *p = &w->prior;
    const tw_transformer ct = {
        .turns = p->turns.value,
        .burden_ohm = p->burden_ohm.value,
        .magnetizing_inductance_h = p->magnetizing_inductance_h.value,
        .winding_resistance_ohm = p->winding_resistance_ohm.value,
        .clamp_onset_v = (double)NAN,
    };
    TW_TRY(tw_transformer_inverse(ctx, &ct, w->interval_s, w->i, w->n, 0, w->whole, w->i));
    remove_mean(w, w->i, w->scratch);
    for (size_t k = 0; k < w->n; k++) {
        w->q[k] = k == 0 ? 0.0 : w->q[k - 1] + 0.5 * w->interval_s * (w->i[k - 1] + w->i[k]);
    }
    remove_drift(w, w->q, w->scratch);
    return TW_OK;
}

static tw_status check_clamp(tw_ctx *ctx, const tw_reveal__work *w, tw_warnings *warnings) {
    double peak = 0;
    for (size_t k = 0; k < w->n; k++) {
        peak = fmax(peak, fabs(w->i[k]));
    }
    if (peak > w->prior.clamp_onset_v) { /* false for NaN: no clamp */
        TW_TRY(tw_warn(
            ctx, warnings, "clamp_conducting",
            "the burden reaches %.3g V, its clamp conducts from %.3g V: the current's peaks are cut; use a smaller "
            "burden or more turns",
            peak, w->prior.clamp_onset_v));
    }
    return TW_OK;
}

static tw_status allocate(tw_ctx *ctx, tw_reveal__work *w) {
    w->u = tw_alloc(ctx, w->n, sizeof *w->u);
    w->i = tw_alloc(ctx, w->n, sizeof *w->i);
    w->q = tw_alloc(ctx, w->n, sizeof *w->q);
    w->i_v = tw_alloc(ctx, w->n, sizeof *w->i_v);
    w->q_v = tw_alloc(ctx, w->n, sizeof *w->q_v);
    w->level = tw_alloc(ctx, w->n, sizeof *w->level);
    w->scratch = tw_alloc(ctx, w->n, sizeof *w->scratch);
    w->gap = tw_alloc(ctx, w->n, sizeof *w->gap);
    return w->u && w->i && w->q && w->i_v && w->q_v && w->level && w->scratch && w->gap ? TW_OK : TW_NO_MEMORY;
}

static tw_status orient(tw_ctx *ctx, tw_reveal__work *w) {
    tw_harmonics hu, hi;
    TW_TRY(tw_harmonics_fit_held(ctx, w->n, w->u, w->interval_s, w->frequency_hz, 1, &hu));
    tw_status status = tw_harmonics_fit_held(ctx, w->n, w->i, w->interval_s, w->frequency_hz, 1, &hi);
    if (status == TW_OK) {
        /* whatever stands over the coil, it stays inductive: its reactive power is the surest sign of polarity */
        const double lead = 2.0 * TW_PI * w->frequency_hz * w->offset_s;
        const double complex z = hu.phasor[0] * cexp(-I * lead) / hi.phasor[0];
        w->reversed = cimag(z) < 0;
        w->noise_i = hi.residual_rms;
        tw_harmonics_dispose(&hi);
    }
    tw_harmonics_dispose(&hu);
    TW_TRY(status);
    for (size_t k = 0; w->reversed && k < w->n; k++) {
        w->u[k] = -w->u[k];
    }
    return TW_OK;
}

tw_status tw_reveal__prepare(tw_ctx *ctx, const tw_record *record, const tw_prior *prior, tw_reveal__work *w,
                             tw_warnings *warnings) {
    TW_TRY(tw_reveal__check(ctx, record, prior));
    *w = (tw_reveal__work){.prior = tw_reveal__complete(prior),
                           .n = record->samples,
                           .interval_s = record->interval_s,
                           .start_s = record->start_s,
                           .offset_s = record->voltage_offset_s};
    TW_TRY(allocate(ctx, w));
    TW_TRY(copy_channel(ctx, "current", record->current_v, w->n, w->i, w->gap, warnings));
    TW_TRY(copy_channel(ctx, "voltage", record->voltage_v, w->n, w->u, w->gap, warnings));
    TW_TRY(find_frequency(ctx, w));
    TW_TRY(check_clipping(ctx, w, w->i, "current", "clipped_current", warnings));
    TW_TRY(check_clipping(ctx, w, w->u, "voltage", "clipped_voltage", warnings));
    const size_t before = w->n;
    TW_TRY(choose_stretch(ctx, w, warnings));
    if (w->n != before) {
        TW_TRY(find_frequency(ctx, w));
    }
    w->cycles = (size_t)((double)(w->n - 1) * w->interval_s / w->period_s + 1e-3);
    if (w->cycles < 1) {
        return tw_fail(ctx, TW_BAD_DATA, ROOM, "the record holds less than one whole cycle of %.4g Hz",
                       w->frequency_hz);
    }
    if (w->cycles < 2) {
        TW_TRY(tw_warn(ctx, warnings, "few_cycles", "only one whole cycle: frequency and averages are weak"));
    }
    w->whole = (size_t)floor((double)w->cycles * w->period_s / w->interval_s + 0.5);
    w->whole = w->whole < w->n ? w->whole : w->n;
    TW_TRY(check_clamp(ctx, w, warnings));
    remove_mean(w, w->i, w->scratch);
    remove_mean(w, w->u, w->scratch);
    TW_TRY(make_current(ctx, w));
    return orient(ctx, w);
}

/* ---- alignment ---- */

void tw_reveal__align(tw_reveal__work *w, double lead_s) {
    const double shift = lead_s / w->interval_s;
    const double last = (double)(w->n - 1);
    for (size_t k = 0; k < w->n; k++) {
        const double t = fmin(fmax((double)k + shift, 0.0), last);
        size_t a = (size_t)t;
        a = a < w->n - 1 ? a : w->n - 2;
        const double f = t - (double)a;
        w->i_v[k] = w->i[a] + f * (w->i[a + 1] - w->i[a]);
        /* the charge is the integral of the straight line between the samples */
        w->q_v[k] =
            w->q[a] + f * (w->q[a + 1] - w->q[a]) - 0.5 * f * (1.0 - f) * w->interval_s * (w->i[a + 1] - w->i[a]);
    }
}

double tw_reveal__phase(const tw_reveal__work *w, size_t k) {
    const double cycles = (double)k * w->interval_s * w->frequency_hz - w->phase_origin;
    return cycles - floor(cycles);
}

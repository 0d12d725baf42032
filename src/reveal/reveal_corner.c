/* Time between the channels from the corners of the coil current.
 *
 * Where the midpoint swings by V_r the slope of the current changes by V_r/L_s. Around an edge
 *     i(t) = smooth(t) + (V_r/L_s) [ M1(t) - M2(t)/tau + ... ],  M1 = integral of m, M2 = integral of M1,
 * with m the midpoint's course from 0 to 1 as the voltage channel shows it, and the pan's first reaction in M2. If the
 * voltage channel's lead is off by delta, M1(t + delta) = M1 + delta m: a linear fit of i on powers of t, M1, M2 and m
 * gives delta = coefficient(m)/coefficient(M1). Nothing about the devices, the ESR or the tank enters.
 * The fit runs on the folded cycles: m is a regressor, and its noise would bias the result were it not averaged before.
 */
#include "reveal_internal.h"

#include <math.h>

#define POWERS 5
#define COLUMNS (POWERS + 3)
/* Half of the view around an edge in periods: long enough for the slope on both sides, short enough for the powers. A
 * slow swing widens it, up to the second figure. */
#define HALF_VIEW 0.07
#define HALF_VIEW_MOST 0.14

/* The folded period: m, i and the samples in each bin. */
typedef struct ring {
    size_t n;
    double *m, *i, *count;
} ring;

static double course(const tw_reveal__work *w, size_t k) {
    const double m = (w->u[k] + w->alpha * w->q_v[k] - w->low) / (w->high - w->low);
    /* on a rail the noise is not part of the course */
    return w->level[k] == LEVEL_LOW ? 0.0 : w->level[k] == LEVEL_HIGH ? 1.0 : m;
}

static tw_status ring_make(tw_ctx *ctx, const tw_reveal__work *w, ring *out) {
    out->n = tw_reveal__bin_count(w);
    out->m = tw_alloc(ctx, 3 * out->n, sizeof *out->m);
    if (out->m == NULL) {
        return TW_NO_MEMORY;
    }
    out->i = out->m + out->n;
    out->count = out->i + out->n;
    for (size_t k = 0; k < w->n; k++) {
        if (!w->gap[k]) {
            const size_t b = (size_t)(tw_reveal__phase(w, k) * (double)out->n) % out->n;
            out->m[b] += course(w, k);
            out->i[b] += w->i_v[k];
            out->count[b] += 1.0;
        }
    }
    for (size_t b = 0; b < out->n; b++) {
        const double count = fmax(out->count[b], 1.0);
        out->m[b] /= count;
        out->i[b] /= count;
    }
    return TW_OK;
}

/* Rows of one edge: time x in -1..1 around bin `centre`, M1 and M2 in units of the half width. */
static tw_status add_edge(tw_ctx *ctx, const ring *f, size_t centre, size_t half, tw_lsq *fit) {
    double m1 = 0, m2 = 0, before_m = NAN, before_x = NAN, start = NAN;
    for (size_t j = 0; j <= 2 * half; j++) {
        const size_t b = (centre + f->n + j - half) % f->n;
        if (f->count[b] == 0) {
            continue;
        }
        const double x = ((double)j - (double)half) / (double)half;
        start = isnan(start) ? f->m[b] : start;
        const double m = f->m[b] - start;
        if (!isnan(before_x)) {
            const double old = m1, dx = x - before_x;
            m1 += 0.5 * dx * (before_m + m);
            m2 += 0.5 * dx * (old + m1);
        }
        before_m = m;
        before_x = x;
        double row[COLUMNS] = {1.0};
        for (int p = 1; p < POWERS; p++) {
            row[p] = row[p - 1] * x;
        }
        row[POWERS] = m1;
        row[POWERS + 1] = m2;
        row[POWERS + 2] = m;
        TW_TRY(tw_lsq_add(ctx, fit, row, f->i[b], f->count[b]));
    }
    return TW_OK;
}

/* The fit at the rise or the fall; adds delta and its weight to the sums. */
static tw_status fit_edge(tw_ctx *ctx, const tw_reveal__work *w, const ring *f, double phase, size_t half, double *sum,
                          double *weight) {
    tw_lsq *fit;
    TW_TRY(tw_lsq_create(ctx, COLUMNS, &fit));
    tw_status status = add_edge(ctx, f, (size_t)(phase * (double)f->n) % f->n, half, fit);
    double x[COLUMNS], covariance[COLUMNS * COLUMNS];
    tw_lsq_info info;
    if (status == TW_OK) {
        status = tw_lsq_solve(ctx, fit, x, covariance, &info);
        if (status == TW_OK && info.n_rows > 2 * COLUMNS) {
            const double variance = info.chi_square / (double)(info.n_rows - COLUMNS);
            const double scale = (double)half / (double)f->n * w->period_s / fabs(x[POWERS]);
            const double delta = x[POWERS + 2] * (x[POWERS] < 0 ? -scale : scale);
            const double u = sqrt(variance * covariance[COLUMNS * COLUMNS - 1]) * scale;
            if (isfinite(delta) && isfinite(u) && u > 0) {
                *sum += delta / (u * u);
                *weight += 1.0 / (u * u);
            }
        } else if (status == TW_SINGULAR) {
            tw_ctx_clear_error(ctx);
            status = TW_OK;
        }
    }
    tw_lsq_destroy(fit);
    return status;
}

tw_status tw_reveal__corner_lead(tw_ctx *ctx, const tw_reveal__work *w, double lead_s, double *corrected_s,
                                 double *u_s) {
    const double swing = (double)w->swing_samples * w->interval_s * w->frequency_hz;
    const double half_view = fmin(HALF_VIEW + fmax(0.0, 0.9 * swing - 0.3 * HALF_VIEW), HALF_VIEW_MOST);
    *u_s = INFINITY;
    *corrected_s = lead_s;
    if (half_view * w->period_s / w->interval_s < 6) {
        return TW_OK; /* too coarse to show a corner */
    }
    ring f = {.n = 0};
    TW_TRY(ring_make(ctx, w, &f));
    const size_t half = (size_t)(half_view * (double)f.n);
    double sum = 0, weight = 0;
    tw_status status = fit_edge(ctx, w, &f, 0.0, half, &sum, &weight);
    if (status == TW_OK) {
        status = fit_edge(ctx, w, &f, w->fall_phase, half, &sum, &weight);
    }
    if (status == TW_OK && weight > 0) {
        *corrected_s = lead_s - sum / weight;
        *u_s = 1.0 / sqrt(weight);
    }
    tw_free(f.m);
    return status;
}

/* Time between the channels from the corners of the coil current.
 *
 * Where the midpoint swings by V_r the slope of the current changes by V_r/L_s. Around an edge
 *     i(t) = smooth(t) + (V_r/L_s) [ M1(t) - M2(t)/tau + ... ],  M1 = integral of m, M2 = integral of M1,
 * with m the midpoint's course from 0 to 1 as the voltage channel shows it, and the pan's first reaction in M2. If the
 * voltage channel's lead is off by delta, M1(t + delta) = M1 + delta m: a linear fit of i on powers of t, M1, M2 and m
 * gives delta = coefficient(m)/coefficient(M1). Nothing about the devices, the ESR or the tank enters.
 */
#include "reveal_internal.h"

#include <math.h>

#define POWERS 5
#define COLUMNS (POWERS + 3)

typedef struct window {
    size_t from, to, centre;
} window;

static double course(const tw_reveal__work *w, size_t k) {
    const double m = (w->u[k] + w->alpha * w->q_v[k] - w->low) / (w->high - w->low);
    /* on a rail the noise is not part of the course */
    return w->level[k] == LEVEL_LOW ? 0.0 : w->level[k] == LEVEL_HIGH ? 1.0 : m;
}

/* Adds one edge's samples to the fit. Scaled time x in -1..1, M1 in units of the half width. */
static tw_status add_edge(tw_ctx *ctx, const tw_reveal__work *w, const window *at, tw_lsq *fit) {
    const double half = 0.5 * (double)(at->to - at->from);
    double m1 = 0, m2 = 0, before = course(w, at->from);
    const double start = before;
    before = 0;
    for (size_t k = at->from; k < at->to; k++) {
        const double m = course(w, k) - start;
        if (k > at->from) {
            const double old = m1;
            m1 += 0.5 * (before + m) / half;
            m2 += 0.5 * (old + m1) / half;
        }
        before = m;
        if (w->gap[k]) {
            continue;
        }
        const double x = ((double)k - (double)at->centre) / half;
        double row[COLUMNS] = {1.0};
        for (int p = 1; p < POWERS; p++) {
            row[p] = row[p - 1] * x;
        }
        row[POWERS] = m1;
        row[POWERS + 1] = m2;
        row[POWERS + 2] = m;
        TW_TRY(tw_lsq_add(ctx, fit, row, w->i_v[k], 1.0));
    }
    return TW_OK;
}

/* One fit for all rises or all falls; adds delta (samples of time) and its weight to the sums. */
static tw_status fit_kind(tw_ctx *ctx, const tw_reveal__work *w, double phase, double half_width_s, double *sum,
                          double *weight) {
    const double per = w->period_s / w->interval_s;
    const size_t half = (size_t)(half_width_s / w->interval_s);
    tw_lsq *fit;
    TW_TRY(tw_lsq_create(ctx, COLUMNS, &fit));
    tw_status status = TW_OK;
    size_t edges = 0;
    for (double c = (w->phase_origin + phase - floor(w->phase_origin + phase)) * per;
         c + (double)half < (double)w->n && status == TW_OK; c += per) {
        const size_t centre = (size_t)(c + 0.5);
        if (centre < half + 1) {
            continue;
        }
        const window at = {centre - half, centre + half, centre};
        status = add_edge(ctx, w, &at, fit);
        edges++;
    }
    double x[COLUMNS], covariance[COLUMNS * COLUMNS];
    tw_lsq_info info;
    if (status == TW_OK && edges > 0) {
        status = tw_lsq_solve(ctx, fit, x, covariance, &info);
        if (status == TW_OK && info.n_rows > 2 * COLUMNS) {
            const double variance = info.chi_square / (double)(info.n_rows - COLUMNS);
            const double delta = x[POWERS + 2] / x[POWERS] * half_width_s;
            const double u =
                sqrt(variance * covariance[(COLUMNS - 1) * COLUMNS + COLUMNS - 1]) / fabs(x[POWERS]) * half_width_s;
            if (isfinite(delta) && u > 0) {
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
    const double half_width = 0.07 * w->period_s;
    *u_s = INFINITY;
    *corrected_s = lead_s;
    if (half_width / w->interval_s < 6) {
        return TW_OK; /* too coarse to show a corner */
    }
    double sum = 0, weight = 0;
    TW_TRY(fit_kind(ctx, w, 0.0, half_width, &sum, &weight));
    TW_TRY(fit_kind(ctx, w, w->fall_phase, half_width, &sum, &weight));
    if (weight > 0) {
        *corrected_s = lead_s - sum / weight;
        *u_s = 1.0 / sqrt(weight);
    }
    return TW_OK;
}

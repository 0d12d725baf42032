/* The surroundings of one edge and the swing of the midpoint in them.
 *
 * With both switches off the midpoint follows C_m dv_m/dt = -i between the diodes' clamps, so that against the charge
 * Q = integral of i the swing is a straight line of slope -1/C_m, whatever the current does. The line is fitted to the
 * folded cycles; where it leaves the one rail is turn-off, where it meets the other is the end of the swing.
 */
#include "reveal_edge.h"

#include <math.h>
#include <string.h>

/* Shares of the rail between which samples belong to the swing for certain. */
#define RAMP_LOW 0.10
#define RAMP_HIGH 0.90

double tw_reveal__level_high(const tw_reveal__view *w, size_t b) {
    return w->rail - tw_reveal__drop(w->prior, true, w->i[b]);
}

double tw_reveal__level_low(const tw_reveal__view *w, size_t b) {
    return -tw_reveal__drop(w->prior, false, w->i[b]);
}

static double relative_covariance(const tw_reveal__solution *s, int a, int b) {
    return s->covariance[a * P_COUNT + b] / (s->p[a] * s->p[b]);
}

/* Relative standard uncertainty of kappa g^sign, their correlation kept. */
static double combined_u(const tw_reveal__solution *s, double sign) {
    return sqrt(fmax(0.0, relative_covariance(s, P_SCALE, P_SCALE) + relative_covariance(s, P_GAIN, P_GAIN) +
                              2.0 * sign * relative_covariance(s, P_SCALE, P_GAIN)));
}

tw_status tw_reveal__view_make(tw_ctx *ctx, const tw_reveal__work *w, const tw_reveal__solution *s,
                               const tw_reveal__fold *fold, bool rising, tw_reveal__view *out) {
    const double centre = rising ? 0.0 : w->fall_phase;
    const long before = (long)(REACH_BEFORE * (double)fold->n), after = (long)(REACH_AFTER * (double)fold->n);
    const long middle = (long)floor(centre * (double)fold->n);
    *out = (tw_reveal__view){.n = (size_t)(before + after + 1),
                             .bin_s = w->period_s / (double)fold->n,
                             .sample_s = w->interval_s,
                             .cycles = (double)w->cycles,
                             .period_s = w->period_s,
                             .middle = (size_t)before,
                             .rail = s->p[P_RAIL],
                             .noise_v = w->noise_u / s->p[P_GAIN],
                             .noise_bin = w->noise_u / s->p[P_GAIN] / sqrt(fmax(1.0, (double)w->n / (double)fold->n)),
                             .scale_u = sqrt(relative_covariance(s, P_SCALE, P_SCALE)),
                             .rail_u = sqrt(s->covariance[P_RAIL * P_COUNT + P_RAIL]),
                             .charge_u = combined_u(s, 1.0),
                             .energy_u = combined_u(s, -1.0),
                             .noise_i = w->noise_i * s->p[P_SCALE],
                             .lead_u = sqrt(s->covariance[P_LEAD * P_COUNT + P_LEAD]),
                             .prior = &w->prior};
    double *block = tw_alloc(ctx, out->n * 5, sizeof *block);
    if (block == NULL) {
        return TW_NO_MEMORY;
    }
    out->x = block;
    out->v = block + out->n;
    out->i = block + 2 * out->n;
    out->q = block + 3 * out->n;
    out->weight = block + 4 * out->n;
    const double sign = rising ? -1.0 : 1.0;
    for (size_t b = 0; b < out->n; b++) {
        const long at = middle - before + (long)b;
        const long n = (long)fold->n;
        const size_t j = (size_t)(((at % n) + n) % n);
        out->x[b] = ((double)at + 0.5) * out->bin_s;
        out->v[b] = rising ? out->rail - fold->v[j] : fold->v[j];
        out->i[b] = sign * fold->i[j] * s->p[P_SCALE];
        out->q[b] = sign * fold->q[j] * s->p[P_SCALE];
        out->weight[b] = fold->count[j];
    }
    return TW_OK;
}

/* First bin of the view's inner part after which the midpoint passes half rail downwards: a rebound passes it again. */
static size_t find_crossing(const tw_reveal__view *w) {
    const size_t reach = (size_t)(REACH_SWING * w->period_s / w->bin_s);
    for (size_t b = w->middle - reach; b + 1 < w->n && b < w->middle + reach; b++) {
        if (w->v[b] >= 0.5 * w->rail && w->v[b + 1] < 0.5 * w->rail) {
            return b;
        }
    }
    return w->middle;
}

/* First bin from the edge's start on the high rail at which the midpoint has arrived on the low one to stay for two
 * bins. */
static size_t find_arrival(const tw_reveal__view *w, size_t crossing) {
    const double near = fmax(4.0 * w->noise_bin, 0.012 * w->rail);
    size_t b = crossing;
    while (b + 2 < w->n && !(w->v[b] < tw_reveal__level_low(w, b) + near &&
                             w->v[b + 1] < tw_reveal__level_low(w, b + 1) + 2.0 * near)) {
        b++;
    }
    return b;
}

/* A forced jump takes one or two bins; a swing takes its time. True where bin b belongs to a jump. */
static bool is_jump(const tw_reveal__view *w, size_t b, double slope) {
    const size_t from = b > 0 ? b - 1 : 0, to = b + 1 < w->n ? b + 1 : w->n - 1;
    const double fall = w->v[from] - w->v[to];
    const double expected = slope * (w->q[to] - w->q[from]);
    return fall - expected > fmax(0.12 * w->rail, fabs(expected)) || (fall > 0.12 * w->rail && w->i[b] < 0);
}

static tw_status fit_line(tw_ctx *ctx, const tw_reveal__view *w, size_t from, size_t to, double slope,
                          tw_reveal__ramp *out) {
    double q_mean = 0, weight = 0;
    for (size_t b = from; b < to; b++) {
        const double m = w->v[b] / w->rail;
        if (m > RAMP_LOW && m < RAMP_HIGH && w->weight[b] > 0 && !is_jump(w, b, slope)) {
            q_mean += w->weight[b] * w->q[b];
            weight += w->weight[b];
            out->bins++;
        }
    }
    if (out->bins < 3) {
        out->bins = 0;
        return TW_OK;
    }
    out->q_mean = q_mean / weight;
    tw_lsq *fit;
    TW_TRY(tw_lsq_create(ctx, 2, &fit));
    tw_status status = TW_OK;
    const double variance = w->noise_bin * w->noise_bin * fmax(1.0, weight / (double)out->bins);
    for (size_t b = from; b < to && status == TW_OK; b++) {
        const double m = w->v[b] / w->rail;
        if (m > RAMP_LOW && m < RAMP_HIGH && w->weight[b] > 0 && !is_jump(w, b, slope)) {
            const double row[2] = {1.0, -(w->q[b] - out->q_mean) * 1e9};
            status = tw_lsq_add(ctx, fit, row, w->v[b], w->weight[b] / variance);
        }
    }
    double x[2], c[4];
    tw_lsq_info info;
    if (status == TW_OK) {
        status = tw_lsq_solve(ctx, fit, x, c, &info);
    }
    tw_lsq_destroy(fit);
    if (status == TW_SINGULAR) {
        tw_ctx_clear_error(ctx);
        return TW_OK;
    }
    TW_TRY(status);
    const double grow = fmax(1.0, info.chi_square / fmax(1.0, (double)info.n_rows - 2.0));
    out->found = x[1] > 0;
    out->a = x[0];
    out->slope = x[1] * 1e9;
    out->var_a = c[0] * grow;
    out->var_slope = c[3] * grow * 1e18;
    out->cov = c[1] * grow * 1e9;
    return TW_OK;
}

/* Slope of v against q over the moving bins as a weighted median, so that one or two jump bins do not count. */
static tw_status guess_slope(tw_ctx *ctx, const tw_reveal__view *w, size_t from, size_t to, double *slope) {
    double *ratio = tw_alloc(ctx, w->n, sizeof *ratio);
    if (ratio == NULL) {
        return TW_NO_MEMORY;
    }
    size_t count = 0;
    for (size_t b = from; b + 1 < to; b++) {
        const double m = 0.5 * (w->v[b] + w->v[b + 1]) / w->rail, dq = w->q[b + 1] - w->q[b];
        if (m > RAMP_LOW && m < RAMP_HIGH && dq != 0) {
            ratio[count++] = (w->v[b] - w->v[b + 1]) / dq;
        }
    }
    *slope = 0;
    tw_status status = TW_OK;
    if (count >= 3) {
        status = tw_median(ctx, count, ratio, slope);
        *slope = fmax(*slope, 0.0);
    }
    tw_free(ratio);
    return status;
}

double tw_reveal__line_at(const tw_reveal__ramp *r, double q) {
    return r->a - r->slope * (q - r->q_mean);
}

/* Time where the line passes a level (high or low rail): searched from bin `from` in steps of `step` (+-1) bins; NaN
 * when it never does. */
static double line_meets(const tw_reveal__view *w, const tw_reveal__ramp *r, size_t from, int step, bool high) {
    double before = NAN;
    for (long b = (long)from; b >= 0 && b < (long)w->n; b += step) {
        const size_t j = (size_t)b;
        const double miss =
            tw_reveal__line_at(r, w->q[j]) - (high ? tw_reveal__level_high(w, j) : tw_reveal__level_low(w, j));
        if (!isnan(before) && before * miss <= 0) {
            const double f = before == miss ? 0.0 : before / (before - miss);
            return w->x[j] - (double)step * w->bin_s * (1.0 - f);
        }
        before = miss;
    }
    return NAN;
}

double tw_reveal__interpolate(const tw_reveal__view *w, const double *y, double x) {
    const double t = fmin(fmax((x - w->x[0]) / w->bin_s, 0.0), (double)(w->n - 1));
    size_t b = (size_t)t;
    b = b + 1 < w->n ? b : w->n - 2;
    return y[b] + (t - (double)b) * (y[b + 1] - y[b]);
}

/* Standard uncertainty of the time where the line passes a level near time x: voltage over slope in time. */
double tw_reveal__meet_u(const tw_reveal__view *w, const tw_reveal__ramp *r, double x) {
    const double q = tw_reveal__interpolate(w, w->q, x) - r->q_mean;
    const double variance = r->var_a + q * q * r->var_slope - 2.0 * q * r->cov;
    const double rate = r->slope * fmax(fabs(tw_reveal__interpolate(w, w->i, x)), 1e-12);
    return sqrt(fmax(variance, 0.0)) / rate;
}

/* Mean midpoint over `reach` bins on each side, as a share of the rail. */
static double smooth_share(const tw_reveal__view *w, size_t b, size_t reach) {
    double sum = 0, weight = 0;
    for (size_t j = b > reach ? b - reach : 0; j <= b + reach && j < w->n; j++) {
        sum += w->weight[j] * w->v[j];
        weight += w->weight[j];
    }
    return weight > 0 ? sum / weight / w->rail : w->v[b] / w->rail;
}

/* First bin of the swing that passes half rail after bin `crossing`: backwards until the midpoint is near the high
 * rail. */
static size_t find_begin(const tw_reveal__view *w, size_t crossing) {
    size_t b = crossing;
    while (b > 0 && smooth_share(w, b, 2) < RAMP_HIGH) {
        b--;
    }
    return b;
}

tw_status tw_reveal__trace(tw_ctx *ctx, const tw_reveal__view *w, tw_reveal__course *c) {
    memset(c, 0, sizeof *c);
    c->turn_off = c->line_end = c->closing = NAN;
    c->crossing = find_crossing(w);
    c->arrival = find_arrival(w, c->crossing);
    const size_t begin = find_begin(w, c->crossing), end = c->arrival + 1;
    double slope;
    TW_TRY(guess_slope(ctx, w, begin, end, &slope));
    TW_TRY(fit_line(ctx, w, begin, end, slope, &c->line));
    if (c->line.found) { /* once more with the fitted slope deciding what is a jump */
        slope = c->line.slope;
        memset(&c->line, 0, sizeof c->line);
        TW_TRY(fit_line(ctx, w, begin, end, slope, &c->line));
    }
    return TW_OK;
}

/* Start of the swing: backwards from the deepest certain bin of the swing to where the line meets the high rail. */
void tw_reveal__place_ramp(const tw_reveal__view *w, tw_reveal__course *c) {
    size_t b = c->arrival;
    while (b > 0 && !(w->v[b] > RAMP_LOW * w->rail && w->v[b] < RAMP_HIGH * w->rail && !is_jump(w, b, c->line.slope))) {
        b--;
    }
    c->turn_off = line_meets(w, &c->line, b, -1, true);
    c->line_end = line_meets(w, &c->line, b, 1, false);
}

/* Each edge of the bridge: when the gate opened, how the midpoint swung, when the current turned, what the closing
 * switch had to force.
 *
 * With both switches off the midpoint follows C_m dv_m/dt = -i between the diodes' clamps, so that against the charge
 * Q = integral of i the swing is a straight line of slope -1/C_m, whatever the current does. The line is fitted to the
 * folded cycles; where it leaves the one rail is turn-off, where it meets the other is the end of the swing. A midpoint
 * that comes over before the line does was forced by the closing switch.
 *
 * A rising edge is a falling one seen from the rail: v -> V_r - v, i -> -i.
 */
#include "reveal_edge.h"

#include <math.h>
#include <string.h>

/* Reach in periods of the parabolas through the current around its turn and before turn-off. */
#define ZERO_VIEW 0.03
#define TURN_OFF_VIEW 0.025
/* How well the devices' drops are known at best (relative standard uncertainty): they move with temperature. Ours. */
#define DROP_RELATIVE_U 0.2
/* More bins than the folded period can have in those. */
#define MOST_BINS 1024
/* How far the midpoint may really be from where the model has it, as a share of the rail: drops, ringing, the level's
 * own uncertainty. Ours; without it a quiet record would turn every such trifle into a verdict. */
#define MODEL_FLOOR 0.003

/* ---- zero crossing of the current ---- */

/* Parabola through the current between two times, in x - centre; *sd: of one bin. n < 5: too few bins, nothing fitted.
 */
static tw_status fit_current(tw_ctx *ctx, const tw_reveal__view *w, double from, double to, double centre,
                             tw_polynomial *p, double *sd, size_t *n) {
    double x[MOST_BINS], y[MOST_BINS], weight = 0, chi = 0;
    *n = 0;
    for (size_t j = 0; j < w->n && *n < MOST_BINS; j++) {
        if (w->x[j] >= from && w->x[j] <= to && w->weight[j] > 0) {
            x[*n] = w->x[j] - centre;
            y[(*n)++] = w->i[j];
            weight += w->weight[j];
        }
    }
    if (*n < 5) {
        return TW_OK;
    }
    TW_TRY(tw_polynomial_fit(ctx, *n, x, y, NULL, 2, p, &chi));
    *sd = fmax(w->noise_i / sqrt(weight / (double)*n), sqrt(chi / (double)(*n - 3)));
    return TW_OK;
}

/* Local parabola around a sign change, kept clear of the corner at the edge's end. In the middle of its bins a parabola
 * is known to 3/2 sd/sqrt(n), at their end to 3 sd/sqrt(n). */
static tw_status refine_zero(tw_ctx *ctx, const tw_reveal__view *w, size_t b, double keep_off_x, tw_value *out) {
    const double guess = w->x[b] + w->bin_s * w->i[b] / (w->i[b] - w->i[b + 1]);
    const double distance = fabs(guess - keep_off_x);
    const double radius = fmin(ZERO_VIEW * w->period_s, fmax(distance, 3.0 * w->bin_s));
    double from = guess - radius, to = guess + radius, sd = 0;
    if (distance >= 3.0 * w->bin_s) {
        from = keep_off_x < guess ? fmax(from, keep_off_x) : from;
        to = keep_off_x > guess ? fmin(to, keep_off_x) : to;
    }
    *out = (tw_value){guess, w->bin_s};
    tw_polynomial p;
    size_t n;
    TW_TRY(fit_current(ctx, w, from, to, guess, &p, &sd, &n));
    if (n < 5) {
        return TW_OK;
    }
    double t = 0;
    for (int k = 0; k < 8; k++) {
        const double slope = tw_polynomial_slope(&p, t);
        if (slope == 0) {
            return TW_OK;
        }
        t -= tw_polynomial_value(&p, t) / slope;
    }
    if (fabs(t) < radius) {
        *out = (tw_value){guess + t, 1.5 * sd / fabs(tw_polynomial_slope(&p, t)) / sqrt((double)n)};
    }
    return TW_OK;
}

/* The current's reversal (from + to -): the first at or after `from_x`, or the last before when `backwards`. */
static tw_status find_zero(tw_ctx *ctx, const tw_reveal__view *w, double from_x, bool backwards, double keep_off_x,
                           tw_value *out) {
    *out = tw_unknown();
    const size_t start = (size_t)fmin(fmax((from_x - w->x[0]) / w->bin_s, 0.0), (double)(w->n - 2));
    for (size_t d = 0; d < w->n; d++) {
        if (backwards ? d > start : start + d + 1 >= w->n) {
            return TW_OK;
        }
        const size_t b = backwards ? start - d : start + d;
        if (w->i[b] > 0 && w->i[b + 1] <= 0) {
            return refine_zero(ctx, w, b, keep_off_x, out);
        }
    }
    return TW_OK;
}

/* ---- one edge ---- */

/* Whether the midpoint leaves the high rail and comes back before bin `end`: means over a few bins, six standard
 * deviations. */
static bool dips_before(const tw_reveal__view *w, size_t end) {
    const size_t reach = (size_t)(REACH_SWING * w->period_s / w->bin_s), width = 7;
    /* between the devices' drops the midpoint moves without being off the rail */
    const double play = w->prior->transistor_threshold_v.value + w->prior->diode_threshold_v.value;
    for (size_t b = end > reach ? end - reach : 0; b + width + 1 < end; b++) {
        double sum = 0, count = 0;
        for (size_t j = b; j < b + width; j++) {
            sum += w->weight[j] * (tw_reveal__level_high(w, j) - w->v[j]);
            count += w->weight[j];
        }
        if (count > 0 && sum / count > fmax(6.0 * w->noise_v / sqrt(count), 0.015 * w->rail + play)) {
            return true;
        }
    }
    return false;
}

/* What the midpoint does if the other switch never closes: the line down to the low rail's diode, there until the
 * current turns, then up again by the same law, at most to the high rail's diode. */
static double left_alone(const tw_reveal__view *w, const tw_reveal__course *c, double zero_x, double zero_q, size_t b) {
    const double low = tw_reveal__level_low(w, b), high = tw_reveal__level_high(w, b);
    if (isnan(c->line_end) || w->x[b] < c->line_end) {
        return fmin(fmax(tw_reveal__line_at(&c->line, w->q[b]), low), high);
    }
    return w->x[b] < zero_x ? low : fmin(low + c->line.slope * fmax(zero_q - w->q[b], 0.0), high);
}

static double bin_variance(const tw_reveal__view *w, size_t b) {
    return w->weight[b] > 0 ? w->noise_v * w->noise_v / w->weight[b] + pow(MODEL_FLOOR * w->rail, 2) : (double)INFINITY;
}

/* The instant at which the other switch closed, as far as the midpoint shows it: before, it is left alone, after, it is
 * on the low rail. Maximum likelihood over the bins; believed where it is worth five standard deviations against
 * closing unseen. Returns w->n where the closing does not show. */
static size_t find_closing(const tw_reveal__view *w, const tw_reveal__course *c, double zero_x) {
    const double zero_q = tw_reveal__interpolate(w, w->q, zero_x);
    const double last = (isnan(zero_x) ? c->turn_off : zero_x) + REACH_SWING * w->period_s;
    const double flat = isnan(c->line_end) ? c->turn_off : c->line_end;
    size_t begin = 0, middle = 0, end = w->n;
    while (begin + 1 < w->n && w->x[begin] < c->turn_off) {
        begin++;
    }
    while (middle + 1 < w->n && w->x[middle] < flat) {
        middle++;
    }
    while (end > middle && w->x[end - 1] > last) {
        end--;
    }
    /* misfit(closing at b) - misfit(closing unseen, anywhere on the flat part), growing away from the flat part */
    size_t best_at = w->n;
    double best = -25.0, early = 0, late = 0;
    for (size_t b = middle; b-- > begin;) { /* closing before the swing's end */
        const double free = left_alone(w, c, zero_x, zero_q, b), low = tw_reveal__level_low(w, b);
        early += (pow(w->v[b] - low, 2) - pow(w->v[b] - free, 2)) / bin_variance(w, b);
        if (early < best) {
            best = early;
            best_at = b;
        }
    }
    for (size_t b = middle; b < end; b++) { /* closing after the current's turn */
        const double free = left_alone(w, c, zero_x, zero_q, b), low = tw_reveal__level_low(w, b);
        late += (pow(w->v[b] - free, 2) - pow(w->v[b] - low, 2)) / bin_variance(w, b);
        if (late < best) {
            best = late;
            best_at = b + 1;
        }
    }
    return best_at;
}

/* Swing seen: complete, cut short by the closing switch, or undone by the current? */
static tw_commutation judge_ramp(const tw_reveal__view *w, double zero_x, tw_reveal__course *c) {
    const double turn = isnan(zero_x) ? w->x[w->n - 1] : zero_x;
    size_t at = find_closing(w, c, turn);
    const bool never = isnan(c->line_end);
    if (at >= w->n && !never) {
        return TW_COMMUTATION_FULL_ZVS;
    }
    at = at < w->n ? at : c->arrival;
    const size_t before = at > 0 ? at - 1 : 0;
    c->closing = w->x[at] - 0.5 * w->bin_s;
    c->forced_v = fmax(0.0, left_alone(w, c, turn, tw_reveal__interpolate(w, w->q, turn), before) -
                                tw_reveal__level_low(w, before));
    return never || c->closing < c->line_end ? TW_COMMUTATION_PARTIAL_ZVS : TW_COMMUTATION_REBOUND;
}

/* A swing cut short before it left the high rail by a tenth: too little for a line, but with the stated snubbers its
 * depth at the jump says how much charge has flowed since the gate opened. */
static void place_shallow(const tw_reveal__view *w, tw_reveal__course *c, double c_m) {
    const size_t last = c->crossing > 3 ? c->crossing - 1 : 2; /* the crossing's own bin may hold part of the jump */
    double depth = 0, count = 0;
    for (size_t b = last - 2; b <= last; b++) {
        depth += w->weight[b] * (tw_reveal__level_high(w, b) - w->v[b]);
        count += w->weight[b];
    }
    depth = count > 0 ? fmax(depth / count, 0.0) : 0.0;
    size_t b = last;
    while (b > 0 && w->q[last - 1] - w->q[b] < c_m * depth && w->i[b] > 0) {
        b--;
    }
    c->turn_off = fmin(w->x[b], c->closing);
    c->forced_v = w->rail - depth;
}

/* No swing seen, only a jump. */
static tw_commutation judge_jump(const tw_reveal__view *w, tw_reveal__course *c) {
    const double at = w->x[c->crossing] + 0.5 * w->bin_s;
    const double current = tw_reveal__interpolate(w, w->i, at);
    const double c_m = w->prior->midpoint_capacitance_f.value;
    if (current <= 0) {
        c->closing = at;
        c->forced_v = w->rail - tw_reveal__drop(w->prior, true, current) + tw_reveal__drop(w->prior, false, current);
        return dips_before(w, c->crossing) ? TW_COMMUTATION_PARTIAL_ZVS : TW_COMMUTATION_HARD;
    }
    /* a current that drives the swing: too fast to see, unless the stated snubbers would need more than three bins */
    c->turn_off = at;
    if (c_m * w->rail / current > 3.0 * w->bin_s) {
        c->closing = at;
        place_shallow(w, c, c_m);
        return TW_COMMUTATION_PARTIAL_ZVS;
    }
    c->line_end = at;
    return TW_COMMUTATION_FULL_ZVS;
}

/* An instant that falls between two samples: rectangular over a sample, better by the cycles that interleave. */
static double closing_u(const tw_reveal__view *w) {
    return hypot(w->sample_s / sqrt(12.0 * w->cycles), 0.29 * w->bin_s);
}

static tw_value minus(tw_value a, tw_value b) {
    return (tw_value){a.value - b.value, hypot(a.u, b.u)};
}

/* Swing from the line's two ends: their errors share the line's, and the tilt moves them apart. */
static double swing_u(const tw_reveal__view *w, const tw_reveal__ramp *r, double from, double to) {
    const double q0 = tw_reveal__interpolate(w, w->q, from) - r->q_mean,
                 q1 = tw_reveal__interpolate(w, w->q, to) - r->q_mean;
    const double i0 = fmax(fabs(tw_reveal__interpolate(w, w->i, from)), 1e-12),
                 i1 = fmax(fabs(tw_reveal__interpolate(w, w->i, to)), 1e-12);
    const double by_a = (1.0 / i1 - 1.0 / i0) / r->slope, by_slope = (q0 / i0 - q1 / i1) / r->slope;
    const double variance =
        by_a * by_a * r->var_a + by_slope * by_slope * r->var_slope + 2.0 * by_a * by_slope * r->cov;
    return sqrt(fmax(variance, 0.0));
}

/* The coil current when the gate opened. With the current against the swing (hard) nothing shows that instant: it lies
 * between the current's turn and the closing, the current between nothing and what the closing switch took over
 * (rectangular: JCGM 100, 4.3.7). */
static tw_status turn_off_current(tw_ctx *ctx, const tw_reveal__view *w, const tw_reveal__course *c,
                                  tw_commutation verdict, double time_u, tw_value *out) {
    *out = tw_unknown();
    if (verdict == TW_COMMUTATION_HARD) {
        const double taken = tw_reveal__interpolate(w, w->i, c->closing);
        *out = (tw_value){0.5 * taken, hypot(0.5 * taken / sqrt(3.0), taken * w->scale_u)};
        return TW_OK;
    }
    if (isnan(c->turn_off)) {
        return TW_OK;
    }
    const double end = isnan(c->line_end) || !c->line.found ? c->turn_off : c->line_end;
    const double from = c->turn_off - TURN_OFF_VIEW * w->period_s, to = c->turn_off + 0.1 * (end - c->turn_off);
    tw_polynomial p;
    size_t n;
    double sd = w->noise_i, current = tw_reveal__interpolate(w, w->i, c->turn_off), slope = 0, noise = sd;
    TW_TRY(fit_current(ctx, w, from, to, c->turn_off, &p, &sd, &n));
    if (n >= 5) {
        current = tw_polynomial_value(&p, 0.0);
        slope = tw_polynomial_slope(&p, 0.0);
        noise = 3.0 * sd / sqrt((double)n);
    }
    *out = (tw_value){current, hypot(noise, hypot(slope * time_u, current * w->scale_u))};
    return TW_OK;
}

/* What the closing switch had to force, and its energy 1/2 C_m v^2. A jump from rail to rail is as sure as the rail; a
 * part of the swing as sure as the place where it was cut off. */
static void fill_forced(const tw_reveal__view *w, const tw_reveal__course *c, tw_value c_m, tw_revealed_edge *e) {
    const double f = c->forced_v;
    e->forced_voltage_v = e->forced_energy_j = (tw_value){f > 0 ? f : 0.0, 0.0};
    if (!(f > 0)) {
        e->forced_energy_j.value = 0.0;
        return;
    }
    const double scale = f * w->rail_u / w->rail;
    double local = DROP_RELATIVE_U * fabs(f - w->rail);
    if (c->line.found) {
        const double rate = c->line.slope * tw_reveal__interpolate(w, w->i, c->closing);
        local = hypot(rate * closing_u(w), hypot(w->noise_bin, MODEL_FLOOR * w->rail));
    }
    e->forced_voltage_v.u = hypot(scale, local);
    e->forced_energy_j.value = 0.5 * c_m.value * f * f;
    /* C_m's own share without the scales, which C_m and v have in common: kappa g/g^2 */
    const double own = sqrt(fmax(0.0, pow(c_m.u / c_m.value, 2) - w->charge_u * w->charge_u));
    e->forced_energy_j.u = e->forced_energy_j.value * hypot(hypot(own, w->energy_u), 2.0 * local / f);
}

static tw_status fill_edge(tw_ctx *ctx, const tw_reveal__view *w, const tw_reveal__course *c, tw_value zero,
                           tw_value c_m, tw_revealed_edge *e) {
    const bool line = c->line.found;
    const bool forced = e->verdict == TW_COMMUTATION_PARTIAL_ZVS || e->verdict == TW_COMMUTATION_HARD;
    const double end = forced ? c->closing : c->line_end;
    const double fine = closing_u(w), grid = 0.05 * w->bin_s;
    /* without a line the opening is placed by the depth of a shallow swing: known to about a third of its length */
    const double unseen = isnan(c->turn_off) || isnan(c->closing) ? 0.0 : 0.3 * (c->closing - c->turn_off) + w->bin_s;
    e->turn_off_s =
        (tw_value){c->turn_off, line ? hypot(tw_reveal__meet_u(w, &c->line, c->turn_off), grid) : hypot(fine, unseen)};
    e->swing_end_s = (tw_value){end, line && !forced ? hypot(tw_reveal__meet_u(w, &c->line, end), grid) : fine};
    e->swing_time_s = minus(e->swing_end_s, e->turn_off_s);
    if (line && !forced) {
        e->swing_time_s.u = hypot(swing_u(w, &c->line, c->turn_off, end), 1.4 * grid);
    }
    TW_TRY(turn_off_current(ctx, w, c, e->verdict, e->turn_off_s.u, &e->turn_off_current_a));
    e->zero_crossing_s = (tw_value){zero.value, hypot(zero.u, w->lead_u)};
    e->zero_crossing_margin_s = minus(e->zero_crossing_s, e->swing_end_s);
    e->closing_s = (tw_value){c->closing, fine};
    e->window_shortest_s = e->window_longest_s = tw_unknown();
    if (!isnan(c->turn_off) && c->line_end < zero.value) {
        const double u = line ? swing_u(w, &c->line, c->turn_off, c->line_end) : M_SQRT2 * fine;
        e->window_shortest_s = (tw_value){c->line_end - c->turn_off, hypot(u, 1.4 * grid)};
        e->window_longest_s = minus(e->zero_crossing_s, e->turn_off_s);
    }
    fill_forced(w, c, c_m, e);
    return TW_OK;
}

static tw_status read_edge(tw_ctx *ctx, const tw_reveal__view *w, tw_reveal__course *c, tw_value *zero,
                           tw_commutation *verdict) {
    TW_TRY(tw_reveal__trace(ctx, w, c));
    if (c->line.found) {
        tw_reveal__place_ramp(w, c);
    }
    const bool ramp_seen = c->line.found && !isnan(c->turn_off);
    if (!ramp_seen) {
        c->line.found = false;
        *verdict = judge_jump(w, c);
        const double at = isnan(c->closing) ? c->line_end : c->closing;
        return find_zero(ctx, w, at, *verdict == TW_COMMUTATION_HARD || tw_reveal__interpolate(w, w->i, at) <= 0, at,
                         zero);
    }
    const double corner = isnan(c->line_end) ? w->x[c->arrival] : fmin(c->line_end, w->x[c->arrival]);
    TW_TRY(find_zero(ctx, w, c->turn_off, false, corner, zero));
    *verdict = judge_ramp(w, zero->value, c);
    return TW_OK;
}

/* Weighted mean of what the two edges say of C_m; the prior where neither shows it. */
static tw_value midpoint_capacitance(const tw_reveal__work *w, const tw_reveal__view v[2],
                                     const tw_reveal__course c[2]) {
    double sum = 0, weight = 0;
    for (int e = 0; e < 2; e++) {
        if (c[e].line.found) {
            const double u2 = c[e].line.var_slope / (c[e].line.slope * c[e].line.slope) + 1e-6;
            sum += 1.0 / c[e].line.slope / u2;
            weight += 1.0 / u2;
        }
    }
    if (weight == 0) {
        return w->prior.midpoint_capacitance_f;
    }
    const double value = sum / weight;
    return (tw_value){value, value * hypot(1.0 / sqrt(weight), v[0].charge_u)};
}

tw_status tw_reveal__edges(tw_ctx *ctx, const tw_reveal__work *w, const tw_reveal__solution *s,
                           const tw_reveal__fold *fold, tw_revealed *out) {
    tw_reveal__view v[2] = {{0}, {0}};
    tw_reveal__course c[2];
    tw_value zero[2];
    tw_revealed_edge *const edges[2] = {&out->falling, &out->rising};
    tw_status status = TW_OK;
    for (int e = 0; e < 2 && status == TW_OK; e++) {
        edges[e]->rising = e == 1;
        status = tw_reveal__view_make(ctx, w, s, fold, e == 1, &v[e]);
        if (status == TW_OK) {
            status = read_edge(ctx, &v[e], &c[e], &zero[e], &edges[e]->verdict);
        }
    }
    if (status == TW_OK) {
        const tw_value c_m = midpoint_capacitance(w, v, c);
        out->midpoint_capacitance_f = c[0].line.found || c[1].line.found ? c_m : tw_unknown();
        for (int e = 0; e < 2 && status == TW_OK; e++) {
            status = fill_edge(ctx, &v[e], &c[e], zero[e], c_m, edges[e]);
        }
        out->commutation = tw_commutation_worse(out->falling.verdict, out->rising.verdict);
        const tw_value a = out->falling.forced_energy_j, b = out->rising.forced_energy_j;
        out->forced_commutation_energy_j = (tw_value){a.value + b.value, hypot(a.u, b.u)};
        const double swing = fmax(out->falling.swing_time_s.value, out->rising.swing_time_s.value);
        out->samples_per_swing = swing / w->interval_s;
    }
    tw_free(v[0].x);
    tw_free(v[1].x);
    return status;
}

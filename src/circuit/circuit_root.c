/* First sign change of a wave, without a sampling grid.
 *
 * On [t, t + H] with |g''| <= M2 and |g'''| <= M3, a wave below zero stays below
 *     g + g' h + U h^2 / 2,   U = min(M2, g'' + M3 H),
 * so the first zero of that parabola is a step that cannot jump over a crossing. Near a simple root the step is
 * Newton's from the safe side (quadratic convergence); near a double root it shortens the distance by a constant
 * factor, and touching is told from crossing by the value at the top against rounding.
 * The idea is interval Newton's with Taylor bounds (R. E. Moore, Interval Analysis, 1966, ch. 7); derivation in
 * docs/theory.md, "Events".
 */
#include <float.h>
#include <math.h>

#include "circuit_flow.h"

static const double rounding = 64.0 * DBL_EPSILON;

/* First h > 0 where g + g1 h + u h^2/2 reaches zero from below (g <= 0); INFINITY where it never does. */
static double first_touch(double g, double g1, double u) {
    const double disc = g1 * g1 - 2.0 * u * g;
    if (disc < 0.0) {
        return INFINITY;
    }
    const double root = sqrt(disc);
    if (g1 > 0.0) {
        return -2.0 * g / (g1 + root);
    }
    return u > 0.0 ? (root - g1) / u : INFINITY;
}

/* A step over which the wave, taken to stand at g < 0, certainly stays below zero. */
static double safe_step(const tw_wave_point *at, double g, double remaining) {
    if (g + remaining * (at->g1 + 0.5 * at->m2 * remaining) < 0.0) {
        return INFINITY; /* a parabola open upward, below zero at both ends */
    }
    double h = first_touch(g, at->g1, at->m2);
    double reach = at->g2 < 0.0 && at->m3 > 0.0 ? tw_larger(8.0 * h, -at->g2 / at->m3) : 8.0 * h;
    for (int k = 0; k < 2 && h < remaining; k++) {
        reach = reach < remaining ? reach : remaining;
        const double u = at->g2 + at->m3 * reach;
        if (u >= at->m2) { /* no better than what is known */
            reach = 3.0 * h;
            continue;
        }
        double better = first_touch(g, at->g1, u);
        better = better < reach ? better : reach;
        h = better > h ? better : h;
        reach = 3.0 * h;
    }
    return h;
}

static inline void turn_sign(tw_wave_point *at, int sign) {
    if (sign > 0) {
        at->g = -at->g;
        at->g1 = -at->g1;
        at->g2 = -at->g2;
    }
}

static void eval_signed(const tw_wave *wave, int sign, double t, double t_end, tw_wave_point *at) {
    tw_wave_eval(wave, t, t_end, at);
    turn_sign(at, sign);
}

/* How far back the rising zero of the parabola through this point lies. */
static double settled(const tw_wave_point *at) {
    const double disc = at->g1 * at->g1 - 2.0 * at->g2 * at->g;
    return 2.0 * at->g / (at->g1 + sqrt(tw_larger(disc, 0.0)));
}

/* A search on the way: the wave is taken with the sign that makes it negative. */
typedef struct finder {
    const tw_wave *wave;
    int sign;
    double from, t_end, zero;
    double t;         /* how far it has come */
    tw_wave_point at; /* there */
    bool leaving;     /* within rounding of a zero that does not count: only a rise above `lifted` does */
    double lifted;
} finder;

/* Steps on to `end` (further while it is leaving a zero); true where a crossing was found, at f->t. */
static bool creep(finder *f, double end) {
    for (;;) {
        const double least = f->t > 0.0 ? 4.0 * DBL_EPSILON * f->t : DBL_EPSILON * DBL_EPSILON * f->t_end;
        const double g = f->leaving ? tw_smaller(f->at.g - f->lifted, -f->zero) : tw_smaller(f->at.g, 0.0);
        const double h = safe_step(&f->at, g, end - f->t);
        if (!(h < end - f->t)) {
            return false;
        }
        f->t += tw_larger(h, least);
        eval_signed(f->wave, f->sign, f->t, f->t_end, &f->at);
        if (f->leaving) {
            f->leaving = f->at.g >= -f->zero;
            if (f->at.g > f->lifted) {
                f->t = f->at.g1 > rounding * f->at.scale1 ? tw_larger(f->from, f->t - settled(&f->at)) : f->t;
                return true;
            }
            continue;
        }
        const bool near = f->at.g >= -f->zero;
        if (!near && !(f->at.g1 > 0.0 && -f->at.g <= f->at.g1 * least)) {
            continue;
        }
        /* At a zero, to rounding. The parabola through it tells whether the wave gets across; its first root settles
         * the last digits of the time. */
        const double top = f->at.g2 < 0.0 ? f->at.g - 0.5 * f->at.g1 * f->at.g1 / f->at.g2 : INFINITY;
        if (f->at.g1 > rounding * f->at.scale1 && top > f->zero) {
            f->t = tw_smaller(tw_larger(f->from, f->t - settled(&f->at)), f->t_end);
            return true;
        }
        if (f->at.g > f->zero || (f->at.g2 >= 0.0 && f->at.g1 >= -rounding * f->at.scale1)) {
            return true; /* rises from a flat zero */
        }
        f->leaving = near; /* the top of a graze: on from there as from any zero */
        f->lifted = 4.0 * f->zero;
    }
}

/* The only zero between two points where the wave rises steadily: the cubic through both points starts Halley's
 * iteration, which trebles the digits each time. NaN where rounding keeps it from settling. */
static double polish(const finder *f, double h, const tw_wave_point *b) {
    const tw_wave_point *a = &f->at;
    const double rise = b->g - a->g, s0 = h * a->g1, s1 = h * b->g1;
    const double c2 = 3.0 * rise - 2.0 * s0 - s1, c3 = s0 + s1 - 2.0 * rise;
    double z = -a->g / rise;
    for (int k = 0; k < 3; k++) {
        z -= (a->g + z * (s0 + z * (c2 + z * c3))) / (s0 + z * (2.0 * c2 + 3.0 * z * c3));
    }
    if (!(z > 0.0 && z < 1.0)) {
        z = -a->g / rise;
    }
    double t = f->t + z * h;
    for (int k = 0; k < 6; k++) {
        tw_wave_point at;
        tw_wave_eval_plain(f->wave, t, &at);
        turn_sign(&at, f->sign);
        if (fabs(at.g) <= f->zero) {
            return at.g1 > 0.0 ? t - at.g / at.g1 : NAN;
        }
        t -= 2.0 * at.g * at.g1 / (2.0 * at.g1 * at.g1 - at.g * at.g2);
        if (!(t > f->t && t < f->t + h)) {
            return NAN;
        }
    }
    return NAN;
}

/* What the values at the cell's two ends tell. */
typedef enum verdict { EMPTY, SINGLE, UNCLEAR } verdict;

static verdict judge_cell(const tw_wave_point *a, const tw_wave_point *b, double h, double zero) {
    const double curve = 0.125 * h * h;
    const bool steady = tw_smaller(a->g1, b->g1) > curve * a->m3 || tw_larger(a->g1, b->g1) < -curve * a->m3;
    if (b->g < -zero) {
        return steady || tw_larger(a->g, b->g) + curve * a->m2 < 0.0 ? EMPTY : UNCLEAR;
    }
    return steady && b->g > zero ? SINGLE : UNCLEAR;
}

/* tw_wave_next_change with the wave's point at `from` known. */
static bool search(const tw_wave *wave, int sign, double from, const tw_wave_point *start, double t_end,
                   double *t_out) {
    finder f = {
        .wave = wave, .sign = sign, .from = from, .t_end = t_end, .zero = rounding * wave->amplitude, .t = from};
    tw_flow *flow = wave->flow;
    f.at = *start;
    turn_sign(&f.at, sign);
    /* It starts from a zero: until it has left that by more than rounding, only a rise above `lifted` counts. */
    f.lifted = f.zero + 2.0 * tw_larger(f.at.g, 0.0);
    f.leaving = f.at.g >= -f.zero;
    const double span = t_end - from;
    if (!(safe_step(&f.at, f.leaving ? tw_smaller(f.at.g - f.lifted, -f.zero) : f.at.g, span) < span)) {
        return false;
    }
    bool found = false;
    if (flow->dec->modal && span > 0.0 && isfinite(span)) {
        tw_flow_lay_grid(flow, t_end);
        for (size_t k = 1 + (size_t)(from / flow->step_s); f.t < t_end; k++) {
            const tw_turn *turn = tw_flow_grid(flow, k);
            const double h = turn->t - f.t;
            if (h <= 0.0) {
                continue;
            }
            tw_wave_point b;
            tw_wave_eval_turn(wave, turn, tw_larger(t_end, turn->t), &b);
            turn_sign(&b, sign);
            verdict v = f.leaving ? UNCLEAR : judge_cell(&f.at, &b, h, f.zero);
            if (v == SINGLE) {
                const double t = polish(&f, h, &b);
                if (!isnan(t)) {
                    *t_out = tw_larger(from, t);
                    return t <= t_end;
                }
                v = UNCLEAR;
            }
            if (v == UNCLEAR) {
                found = creep(&f, tw_smaller(turn->t, t_end));
                if (found) {
                    break;
                }
                if (f.leaving) { /* still at the zero: on through the next cell */
                    if (turn->t >= t_end) {
                        return false;
                    }
                    continue;
                }
                if (b.g >= -f.zero) { /* a crossing stands on the border */
                    f.leaving = false;
                }
            }
            f.t = turn->t;
            f.at = b;
        }
    }
    found = found || (f.t < t_end && creep(&f, t_end));
    *t_out = f.t;
    return found && f.t <= t_end;
}

bool tw_wave_next_change(const tw_wave *wave, int sign, double from, double t_end, double *t_out) {
    tw_wave_point at;
    tw_wave_eval(wave, from, t_end + wave->flow->step_s, &at);
    return search(wave, sign, from, &at, t_end, t_out);
}

bool tw_wave_next_change_from(const tw_wave *wave, int sign, const tw_wave_point *start, double t_end, double *t_out) {
    return search(wave, sign, 0.0, start, t_end, t_out);
}

double tw_wave_guess(const tw_wave_point *start, int sign) {
    tw_wave_point at = *start;
    turn_sign(&at, sign);
    return first_touch(tw_smaller(at.g, 0.0), at.g1, at.g2);
}

bool tw_wave_first_rise_from(const tw_wave *wave, bool left, const tw_wave_point *start, double t_end, double *t) {
    int sign = -1;
    if (!left) {
        /* Value and slope may both be rounding at the start; then the curvature decides. */
        if (fabs(start->g) > rounding * wave->amplitude) {
            sign = start->g > 0.0 ? 1 : -1;
        } else if (fabs(start->g1) > rounding * start->scale1 ? start->g1 > 0.0 : start->g2 > 0.0) {
            *t = 0.0;
            return true;
        }
    }
    if (sign > 0) {
        double from;
        return search(wave, 1, 0.0, start, t_end, &from) && tw_wave_next_change(wave, -1, from, t_end, t);
    }
    return search(wave, -1, 0.0, start, t_end, t);
}

bool tw_wave_first_rise(const tw_wave *wave, bool left, double t_end, double *t) {
    tw_wave_point at;
    tw_wave_eval(wave, 0.0, t_end, &at);
    return tw_wave_first_rise_from(wave, left, &at, t_end, t);
}

/* Largest |g| inside a cell whose ends do not tell. */
static void scan_cell(const tw_wave *wave, double from, double to, double *peak) {
    tw_wave rate;
    double t = from;
    tw_wave_rate(&rate, wave);
    tw_wave_point at;
    tw_wave_eval(&rate, from, to, &at);
    for (int sign = at.g > 0.0 ? 1 : -1; tw_wave_next_change(&rate, sign, t, to, &t); sign = -sign) {
        *peak = tw_larger(*peak, fabs(tw_wave_value(wave, t)));
    }
}

/* Between two points where the slope changes sign once: Newton on the slope from the chord of it. An error d in time
 * costs the value only its square, which the last correction takes off. */
static bool climb(const tw_wave *wave, const tw_wave_point *a, const tw_wave_point *b, double from, double h,
                  double *peak) {
    double t = from + h * a->g1 / (a->g1 - b->g1);
    for (int k = 0; k < 4; k++) {
        tw_wave_point at;
        tw_wave_eval_plain(wave, t, &at);
        const double d = -at.g1 / at.g2;
        if (fabs(d) < 1e-5 * h) {
            *peak = tw_larger(*peak, fabs(at.g + 0.5 * at.g1 * d));
            return true;
        }
        t += d;
        if (!(t >= from && t <= from + h)) {
            return false;
        }
    }
    return false;
}

static void raise_by_matrix(const tw_wave *wave, double h, double *peak) {
    tw_functional f = {.d = wave->k0}, slope;
    for (size_t i = 0; i < wave->flow->dec->n; i++) {
        f.c[wave->flow->dec->index[i]] = wave->p[i];
    }
    tw_functional_rate(wave->flow->net, wave->flow->mode, &f, &slope);
    tw_wave rate;
    double t = 0.0;
    tw_wave_make(&rate, wave->flow, &slope);
    int sign = tw_wave_start_sign(&rate);
    for (; sign != 0 && tw_wave_next_change(&rate, sign, t, h, &t); sign = -sign) {
        *peak = tw_larger(*peak, fabs(tw_wave_value(wave, t)));
    }
}

void tw_wave_raise_peak(const tw_wave *wave, double h, double *peak) {
    tw_flow *flow = wave->flow;
    tw_wave_point a, b;
    tw_wave_eval(wave, 0.0, h, &a);
    *peak = tw_larger(*peak, tw_larger(fabs(a.g), fabs(tw_wave_value(wave, h))));
    if (flow->dec->modal && !flow->mode->drifts && wave->amplitude <= *peak) {
        return; /* |g| cannot exceed the sum of its decaying amplitudes */
    }
    if (fabs(a.g) + fabs(a.g1) * h + 0.5 * a.m2 * h * h <= *peak) {
        return;
    }
    if (!flow->dec->modal) {
        raise_by_matrix(wave, h, peak);
        return;
    }
    tw_flow_lay_grid(flow, h);
    double t = 0.0;
    for (size_t k = 1; t < h; k++) {
        const tw_turn *turn = flow->step_s * (double)k < h ? tw_flow_grid(flow, k) : tw_flow_turn(flow, h);
        const double width = turn->t - t, curve = 0.125 * width * width;
        tw_wave_eval_turn(wave, turn, h, &b);
        *peak = tw_larger(*peak, fabs(b.g));
        const bool steady = tw_smaller(a.g1, b.g1) > curve * a.m3 || tw_larger(a.g1, b.g1) < -curve * a.m3;
        if (!steady && tw_larger(fabs(a.g), fabs(b.g)) + curve * a.m2 > *peak) {
            const bool bent = tw_smaller(fabs(a.g2), fabs(b.g2)) > a.m3 * width && a.g2 * b.g2 > 0.0;
            const bool turns = (a.g1 > 0.0) != (b.g1 > 0.0);
            if (!(bent && !turns) && !(bent && turns && climb(wave, &a, &b, t, width, peak))) {
                scan_cell(wave, t, t + width, peak);
            }
        }
        t = turn->t;
        a = b;
    }
}

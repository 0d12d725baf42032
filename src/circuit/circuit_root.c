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
    double reach = at->g2 < 0.0 && at->m3 > 0.0 ? fmax(8.0 * h, -at->g2 / at->m3) : 8.0 * h;
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

static void eval_signed(const tw_wave *wave, int sign, double t, double t_end, tw_wave_point *at) {
    tw_wave_eval(wave, t, t_end, at);
    if (sign > 0) {
        at->g = -at->g;
        at->g1 = -at->g1;
        at->g2 = -at->g2;
    }
}

/* How far back the rising zero of the parabola through this point lies. */
static double settled(const tw_wave_point *at) {
    const double disc = at->g1 * at->g1 - 2.0 * at->g2 * at->g;
    return 2.0 * at->g / (at->g1 + sqrt(fmax(disc, 0.0)));
}

bool tw_wave_next_change(const tw_wave *wave, int sign, double from, double t_end, double *t_out) {
    const double zero = rounding * wave->amplitude;
    tw_wave_point at;
    double t = from;
    eval_signed(wave, sign, t, t_end, &at);
    /* It starts from a zero: until it has left that by more than rounding, only a rise above `lifted` counts. */
    double lifted = zero + 2.0 * fmax(at.g, 0.0);
    bool leaving = at.g >= -zero;
    for (;;) {
        const double least = t > 0.0 ? 4.0 * DBL_EPSILON * t : DBL_EPSILON * DBL_EPSILON * t_end;
        const double h = safe_step(&at, leaving ? fmin(at.g - lifted, -zero) : fmin(at.g, 0.0), t_end - t);
        if (!(h < t_end - t)) {
            return false;
        }
        t += fmax(h, least);
        eval_signed(wave, sign, t, t_end, &at);
        if (leaving) {
            leaving = at.g >= -zero;
            if (at.g > lifted) {
                *t_out = at.g1 > rounding * at.scale1 ? fmax(from, t - settled(&at)) : t;
                return true;
            }
            continue;
        }
        const bool near = at.g >= -zero;
        if (!near && !(at.g1 > 0.0 && -at.g <= at.g1 * least)) {
            continue;
        }
        /* At a zero, to rounding. The parabola through it tells whether the wave gets across; its first root settles
         * the last digits of the time. */
        const double top = at.g2 < 0.0 ? at.g - 0.5 * at.g1 * at.g1 / at.g2 : INFINITY;
        if (at.g1 > rounding * at.scale1 && top > zero) {
            *t_out = fmin(fmax(from, t - settled(&at)), t_end);
            return true;
        }
        if (at.g > zero || (at.g2 >= 0.0 && at.g1 >= -rounding * at.scale1)) { /* rises from a flat zero */
            *t_out = t;
            return true;
        }
        leaving = near; /* the top of a graze: on from there as from any zero */
        lifted = 4.0 * zero;
    }
}

bool tw_wave_first_rise(const tw_wave *wave, bool left, double t_end, double *t) {
    int sign = -1;
    if (!left) {
        const double zero = rounding * wave->amplitude;
        tw_wave_point at;
        tw_wave_eval(wave, 0.0, t_end, &at);
        /* Value and slope may both be rounding at the start; then the curvature decides. */
        if (fabs(at.g) > zero) {
            sign = at.g > 0.0 ? 1 : -1;
        } else if (fabs(at.g1) > rounding * at.scale1 ? at.g1 > 0.0 : at.g2 > 0.0) {
            *t = 0.0;
            return true;
        }
    }
    double from = 0.0;
    if (sign > 0) {
        if (!tw_wave_next_change(wave, 1, 0.0, t_end, &from)) {
            return false;
        }
    }
    return tw_wave_next_change(wave, -1, from, t_end, t);
}

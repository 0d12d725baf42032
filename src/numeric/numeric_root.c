/* Roots of one function of one variable: geometric bracketing, then Brent's method (R. P. Brent, Algorithms for
 * Minimization without Derivatives, 1973, chapter 4, procedure zero): inverse quadratic interpolation with bisection as
 * a guard.
 */
#include "numeric_private.h"

#include <float.h>
#include <math.h>

#define MOST_STEPS 400
#define MOST_DOUBLINGS 60

static bool opposite(double a, double b) {
    return (a <= 0.0 && b >= 0.0) || (a >= 0.0 && b <= 0.0);
}

static tw_status not_finite(tw_ctx *ctx, double x) {
    return tw_fail(ctx, TW_OUT_OF_RANGE, ROOM, "root search: the function is not finite at %g", x);
}

tw_status tw_root_bracket(tw_ctx *ctx, tw_function_1d *f, void *user, double min, double max, double *low,
                          double *high) {
    double a = *low, b = *high;
    if (!(min <= a && a < b && b <= max)) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "root search from [%g, %g] within [%g, %g]", a, b, min, max);
    }
    double fa = f(a, user), fb = f(b, user);
    for (int i = 0; i <= MOST_DOUBLINGS; i++) {
        if (!isfinite(fa) || !isfinite(fb)) {
            return not_finite(ctx, isfinite(fa) ? b : a);
        }
        if (opposite(fa, fb)) {
            *low = a;
            *high = b;
            return TW_OK;
        }
        if (a == min && b == max) {
            break;
        }
        const double width = b - a;
        /* the side with the smaller function value is the more promising one */
        const bool left = (fabs(fa) < fabs(fb) && a > min) || b == max;
        if (left) {
            a = fmax(min, a - width);
            fa = f(a, user);
        } else {
            b = fmin(max, b + width);
            fb = f(b, user);
        }
    }
    return tw_fail(ctx, TW_NO_CONVERGENCE, ROOM, "no change of sign between %g and %g", a, b);
}

typedef struct search {
    double a, b, c;    /* b: best so far, c: other side of the root, a: the one before b */
    double fa, fb, fc; /* function values */
    double step, before;
} search;

/* Step from b towards c by interpolation where it is trustworthy, else to the middle. */
static void choose_step(search *s, double tolerance) {
    const double half = 0.5 * (s->c - s->b);
    if (fabs(s->before) < tolerance || fabs(s->fa) <= fabs(s->fb)) {
        s->step = s->before = half;
        return;
    }
    const double r = s->fb / s->fa;
    double p, q;
    if (s->a == s->c) {
        p = 2.0 * half * r;
        q = 1.0 - r;
    } else {
        const double u = s->fa / s->fc, v = s->fb / s->fc;
        p = r * (2.0 * half * u * (u - v) - (s->b - s->a) * (v - 1.0));
        q = (u - 1.0) * (v - 1.0) * (r - 1.0);
    }
    if (p > 0.0) {
        q = -q;
    }
    p = fabs(p);
    if (2.0 * p < fmin(3.0 * half * q - fabs(tolerance * q), fabs(s->before * q))) {
        s->before = s->step;
        s->step = p / q;
    } else {
        s->step = s->before = half;
    }
}

static void keep_bracket(search *s) {
    if ((s->fb > 0.0) == (s->fc > 0.0)) {
        s->c = s->a;
        s->fc = s->fa;
        s->step = s->before = s->b - s->a;
    }
    if (fabs(s->fc) < fabs(s->fb)) {
        s->a = s->b;
        s->b = s->c;
        s->c = s->a;
        s->fa = s->fb;
        s->fb = s->fc;
        s->fc = s->fa;
    }
}

tw_status tw_root_solve(tw_ctx *ctx, tw_function_1d *f, void *user, double low, double high, double x_tolerance,
                        double *root) {
    if (!isfinite(low) || !isfinite(high) || !(low <= high) || !(x_tolerance >= 0.0)) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "root in [%g, %g] to %g", low, high, x_tolerance);
    }
    search s = {.a = low, .b = high, .fa = f(low, user), .fb = f(high, user)};
    if (!isfinite(s.fa) || !isfinite(s.fb)) {
        return not_finite(ctx, isfinite(s.fa) ? high : low);
    }
    if (!opposite(s.fa, s.fb)) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "no change of sign in [%g, %g]", low, high);
    }
    if (s.fa == 0.0) {
        *root = low;
        return TW_OK;
    }
    s.c = s.b;
    s.fc = s.fb;
    for (int i = 0; i < MOST_STEPS; i++) {
        keep_bracket(&s);
        const double tolerance = 2.0 * DBL_EPSILON * fabs(s.b) + 0.5 * x_tolerance;
        if (s.fb == 0.0 || fabs(0.5 * (s.c - s.b)) <= tolerance) {
            *root = s.b;
            return TW_OK;
        }
        choose_step(&s, tolerance);
        s.a = s.b;
        s.fa = s.fb;
        s.b += fabs(s.step) > tolerance ? s.step : copysign(tolerance, s.c - s.b);
        s.fb = f(s.b, user);
        if (!isfinite(s.fb)) {
            return not_finite(ctx, s.b);
        }
    }
    return tw_fail(ctx, TW_NO_CONVERGENCE, ROOM, "root in [%g, %g] not found in %d steps", low, high, MOST_STEPS);
}

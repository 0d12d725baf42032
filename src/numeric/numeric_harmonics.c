/* Least-squares fit of a fundamental and its harmonics to a sampled record (IEEE Std 1057-2017 annex A and B; IEEE Std
 * 1241): frequency by Gauss-Newton, everything else linear.
 *
 * With one harmonic these are the standards' three-parameter (frequency held) and four-parameter fits. Every step
 * solves J^T J d = J^T r with the residual r of a fresh pass over the record, so small errors of J^T J correct
 * themselves; J^T J has a closed form (numeric_sums.c). The covariance is noise^2 (J^T J)^-1, carried from the middle
 * of the record to its first sample. Weak region: records much shorter than one cycle, where the columns become
 * dependent.
 */
#include "numeric_private.h"

#include <complex.h>
#include <float.h>
#include <math.h>
#include <string.h>

#define MOST_PASSES 100
#define MOST_HALVINGS 30
#define PHASE_TOLERANCE 1e-12 /* rad at the record's ends: steps below are rounding */
#define MOST_HARMONICS 1000
#define FLAT 1e-9 /* of the sum of squares; its own rounding in a million samples is about 1e-12 */

typedef struct solver {
    tw_sums sums;
    const double *y;
    size_t n_params;
    bool held;
    double *p, *trial, *step, *gradient; /* n_params each; p[0] is the angle per sample */
    double *gram, *inverse;              /* n_params x n_params */
    double *scratch;
    double squares; /* sum of squared residuals at p */
    double least;   /* sum of squares that rounding alone leaves */
    size_t iterations;
} solver;

static void solver_dispose(solver *s) {
    tw_numeric__sums_dispose(&s->sums);
    tw_free(s->p);
    tw_free(s->gram);
    tw_free(s->scratch);
}

static tw_status solver_init(tw_ctx *ctx, size_t n, const double *y, size_t n_harmonics, solver *s) {
    const size_t m = 2 + 2 * n_harmonics;
    *s = (solver){.y = y, .n_params = m};
    s->p = tw_alloc(ctx, 4 * m, sizeof *s->p);
    s->gram = tw_alloc(ctx, 2 * m, m * sizeof *s->gram);
    s->scratch = tw_alloc(ctx, 6 * n_harmonics + 3 + m, sizeof *s->scratch);
    if (s->p == NULL || s->gram == NULL || s->scratch == NULL ||
        tw_numeric__sums_init(ctx, n, n_harmonics, &s->sums) != TW_OK) {
        solver_dispose(s);
        return TW_NO_MEMORY;
    }
    s->trial = s->p + m;
    s->step = s->trial + m;
    s->gradient = s->step + m;
    s->inverse = s->gram + m * m;
    return TW_OK;
}

static double evaluate(solver *s, const double *p) {
    tw_numeric__sums_set(&s->sums, p[0] / (2.0 * TW_PI));
    s->iterations++;
    return tw_numeric__sums_residual(&s->sums, s->y, p, s->gradient);
}

/* Inverse of J^T J and the step at p; false where the columns are dependent. */
static bool solve_step(solver *s, bool held) {
    const size_t n = s->n_params;
    tw_numeric__sums_gram(&s->sums, s->p, s->gram, s->scratch);
    if (held) { /* the frequency drops out */
        for (size_t j = 0; j < n; j++) {
            s->gram[j] = s->gram[j * n] = 0.0;
        }
        s->gram[0] = 1.0;
        s->gradient[0] = 0.0;
    }
    if (!tw_numeric__invert_symmetric(n, s->gram, s->inverse, s->scratch)) {
        return false;
    }
    if (held) {
        s->inverse[0] = 0.0;
    }
    tw_matrix_multiply(n, n, 1, s->inverse, s->gradient, s->step);
    return true;
}

/* The linear problem at the present frequency; twice, so that the second solution corrects the first one's rounding. */
static bool solve_linear(solver *s) {
    for (int round = 0; round < 2; round++) {
        s->squares = evaluate(s, s->p);
        if (!solve_step(s, true)) {
            return false;
        }
        for (size_t j = 1; j < s->n_params; j++) {
            s->p[j] += s->step[j];
        }
    }
    s->squares = evaluate(s, s->p);
    return true;
}

/* p + f step -> trial, and its residual. */
static double try_step(solver *s, double f) {
    for (size_t j = 0; j < s->n_params; j++) {
        s->trial[j] = s->p[j] + f * s->step[j];
    }
    return evaluate(s, s->trial);
}

typedef enum progress { GOING, ARRIVED, STUCK, DEPENDENT } progress;

/* One Gauss-Newton step, halved until the residual does not grow. */
static progress newton_step(solver *s) {
    if (!solve_step(s, false)) {
        return DEPENDENT;
    }
    const double half = 0.5 * (double)s->sums.n;
    const double most = TW_PI / (2.0 * half); /* a quarter of a turn at the record's ends */
    double f = fabs(s->step[0]) > most ? most / fabs(s->step[0]) : 1.0;
    double gain = 0.0; /* by which the step is expected to lower the sum of squares */
    for (size_t j = 0; j < s->n_params; j++) {
        gain += s->gradient[j] * s->step[j];
    }
    /* a double resolves the frequency no finer than 4 eps: steps below that would go to and fro */
    const double least_step = PHASE_TOLERANCE / half + 4.0 * DBL_EPSILON * s->p[0];
    const bool small = fabs(s->step[0]) < least_step || gain <= s->least;
    /* this close the sum of squares is flat to rounding and says nothing more about the step */
    const bool near = gain <= FLAT * s->squares;
    const double nyquist = TW_PI / (double)s->sums.n_harmonics;
    for (int i = 0; i < MOST_HALVINGS; i++, f *= 0.5) {
        const double omega = s->p[0] + f * s->step[0];
        if (!(omega > 0.0) || omega >= nyquist) {
            continue;
        }
        const double squares = try_step(s, f);
        if (small || near || squares <= s->squares * (1.0 + 1e-12) + s->least) {
            memcpy(s->p, s->trial, s->n_params * sizeof *s->p);
            s->squares = squares;
            return small ? ARRIVED : GOING;
        }
    }
    return STUCK;
}

static void phasors_at_start(const solver *s, double _Complex *phasor) {
    const double middle = 0.5 * (double)(s->sums.n - 1);
    for (size_t k = 0; k < s->sums.n_harmonics; k++) {
        double c, sine;
        tw_numeric__turn(s->sums.turns, middle, (double)(k + 1), &c, &sine);
        const double a = s->p[2 + 2 * k], b = s->p[3 + 2 * k];
        phasor[k] = tw_complex(a * c - b * sine, -(a * sine + b * c));
    }
}

/* Covariance of (f, offset, A, B, ...) at the first sample from the inverse at the middle: C = M inverse M^T noise^2
 * with A' = A cos - B sin, B' = A sin + B cos, angle k omega h. */
static void covariance_at_start(const solver *s, double interval_s, const tw_harmonics *h, double *m, double *work) {
    const size_t n = s->n_params;
    const double middle = 0.5 * (double)(s->sums.n - 1);
    memset(m, 0, n * n * sizeof *m);
    m[0] = 1.0 / (2.0 * TW_PI * interval_s);
    m[n + 1] = 1.0;
    for (size_t k = 0; k < h->n_harmonics; k++) {
        double c, sine;
        tw_numeric__turn(s->sums.turns, middle, (double)(k + 1), &c, &sine);
        double *a = m + (2 + 2 * k) * n, *b = a + n;
        a[2 + 2 * k] = c;
        a[3 + 2 * k] = -sine;
        b[2 + 2 * k] = sine;
        b[3 + 2 * k] = c;
        a[0] = (double)(k + 1) * middle * cimag(h->phasor[k]);
        b[0] = (double)(k + 1) * middle * creal(h->phasor[k]);
    }
    tw_matrix_multiply(n, n, n, m, s->inverse, work);
    for (size_t i = 0; i < n; i++) {
        for (size_t j = 0; j <= i; j++) {
            double sum = 0.0;
            for (size_t k = 0; k < n; k++) {
                sum += work[i * n + k] * m[j * n + k];
            }
            h->covariance[i * n + j] = h->covariance[j * n + i] = sum * h->noise * h->noise;
        }
    }
}

static tw_status make_result(tw_ctx *ctx, solver *s, double interval_s, double frequency_hz, tw_harmonics *out) {
    const size_t kk = s->sums.n_harmonics, n = s->n_params, samples = s->sums.n;
    const size_t free_params = s->held ? n - 1 : n;
    tw_harmonics h = {.n_harmonics = kk,
                      .n_params = n,
                      .n_samples = samples,
                      .offset = s->p[1],
                      .frequency_hz = s->held ? frequency_hz : s->p[0] / (2.0 * TW_PI * interval_s),
                      .residual_rms = sqrt(s->squares / (double)samples),
                      .noise = sqrt(s->squares / (double)(samples - free_params)),
                      .iterations = s->iterations};
    h.phasor = tw_alloc(ctx, kk, sizeof *h.phasor);
    h.covariance = tw_alloc(ctx, n, n * sizeof *h.covariance);
    double *work = tw_alloc(ctx, 2 * n, n * sizeof *work);
    if (h.phasor == NULL || h.covariance == NULL || work == NULL) {
        tw_free(work);
        tw_harmonics_dispose(&h);
        return TW_NO_MEMORY;
    }
    phasors_at_start(s, h.phasor);
    covariance_at_start(s, interval_s, &h, work, work + n * n);
    tw_free(work);
    *out = h;
    return TW_OK;
}

static tw_status check_record(tw_ctx *ctx, size_t n, const double *y, double interval_s, double frequency_hz,
                              size_t n_harmonics, bool held) {
    if (!(interval_s > 0.0) || !isfinite(interval_s) || !(frequency_hz > 0.0) || !isfinite(frequency_hz) ||
        n_harmonics == 0 || n_harmonics > MOST_HARMONICS) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "sine fit: interval %g s, frequency %g Hz, %zu harmonics",
                       interval_s, frequency_hz, n_harmonics);
    }
    const size_t free_params = 2 * n_harmonics + (held ? 1 : 2);
    if (n <= free_params) {
        return tw_fail(ctx, TW_BAD_DATA, ROOM, "sine fit: %zu samples for %zu unknowns", n, free_params);
    }
    if ((double)n_harmonics * frequency_hz * interval_s >= 0.5) {
        return tw_fail(ctx, TW_SINGULAR, ROOM,
                       "sine fit: harmonic %zu of %g Hz is not below half the sampling rate %g Hz", n_harmonics,
                       frequency_hz, 1.0 / interval_s);
    }
    return tw_numeric__check_finite(ctx, n, y, "samples");
}

static tw_status dependent(tw_ctx *ctx, const solver *s) {
    return tw_fail(ctx, TW_SINGULAR, ROOM, "sine fit: %zu samples at %g cycles do not determine %zu harmonics",
                   s->sums.n, (double)s->sums.n * s->sums.turns, s->sums.n_harmonics);
}

static tw_status find_frequency(tw_ctx *ctx, solver *s) {
    progress state = GOING;
    for (int pass = 0; pass < MOST_PASSES && state == GOING; pass++) {
        TW_TRY(tw_progress(ctx, 0.0, "sine fit"));
        state = newton_step(s);
    }
    if (state == DEPENDENT) {
        return dependent(ctx, s);
    }
    if (state != ARRIVED) {
        return tw_fail(ctx, TW_NO_CONVERGENCE, ROOM, "sine fit: the frequency did not settle");
    }
    return TW_OK;
}

static tw_status fit(tw_ctx *ctx, size_t n, const double *y, double interval_s, double frequency_hz, size_t n_harmonics,
                     bool held, tw_harmonics *out) {
    TW_TRY(check_record(ctx, n, y, interval_s, frequency_hz, n_harmonics, held));
    solver s;
    TW_TRY(solver_init(ctx, n, y, n_harmonics, &s));
    s.held = held;
    s.p[0] = 2.0 * TW_PI * (frequency_hz * interval_s);
    for (size_t i = 0; i < n; i++) {
        s.least += 256.0 * DBL_EPSILON * DBL_EPSILON * y[i] * y[i];
    }
    tw_status status = solve_linear(&s) ? TW_OK : dependent(ctx, &s);
    if (status == TW_OK && !held) {
        status = find_frequency(ctx, &s);
    }
    if (status == TW_OK && !solve_step(&s, held)) { /* the inverse at the solution */
        status = dependent(ctx, &s);
    }
    if (status == TW_OK) {
        status = make_result(ctx, &s, interval_s, frequency_hz, out);
    }
    solver_dispose(&s);
    return status;
}

tw_status tw_harmonics_fit_held(tw_ctx *ctx, size_t n, const double *y, double interval_s, double frequency_hz,
                                size_t n_harmonics, tw_harmonics *out) {
    return fit(ctx, n, y, interval_s, frequency_hz, n_harmonics, true, out);
}

tw_status tw_harmonics_fit(tw_ctx *ctx, size_t n, const double *y, double interval_s, double start_frequency_hz,
                           size_t n_harmonics, tw_harmonics *out) {
    return fit(ctx, n, y, interval_s, start_frequency_hz, n_harmonics, false, out);
}

void tw_harmonics_dispose(tw_harmonics *h) {
    tw_free(h->phasor);
    tw_free(h->covariance);
    *h = (tw_harmonics){0};
}

double tw_harmonics_value(const tw_harmonics *h, double t_s) {
    double sum = h->offset;
    for (size_t k = 0; k < h->n_harmonics; k++) {
        double c, s;
        tw_numeric__turn(h->frequency_hz, t_s, (double)(k + 1), &c, &s);
        sum += creal(h->phasor[k]) * c - cimag(h->phasor[k]) * s;
    }
    return sum;
}

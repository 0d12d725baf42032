/* Propagation of distributions by Monte Carlo (JCGM 101:2008, clause 7), with correlated inputs.
 *
 * Inputs come from correlated standard normals z = L g (L: Cholesky factor). A rectangular input is x + sqrt(3) u (2
 * Phi(z) - 1). Its linear correlation with another input is smaller than that of the normals; the exact relation is
 * inverted beforehand: r = (6/pi) asin(rho/2) for a rectangular pair (K. Pearson 1907, grade correlation), and
 * r = rho sqrt(3/pi) for a mixed one (Stein's identity: E[z Phi(z)] = 1/(2 sqrt pi)).
 */
#include "uncert_private.h"

#include "tankwright/numeric.h"

#include <math.h>
#include <string.h>

#define FEWEST 100
#define MOST 10000000
#define BETWEEN_REPORTS 256 /* trials between two progress reports */

tw_uncert_trials_opts tw_uncert_trials_opts_default(void) {
    return (tw_uncert_trials_opts){.n_trials = 20000, .seed = 1, .probability = 0.95};
}

/* Correlation of the normals behind inputs a and b for a wanted linear correlation r. */
static double correlation_of_normals(tw_distribution a, tw_distribution b, double r) {
    if (a == TW_DISTRIBUTION_RECTANGULAR && b == TW_DISTRIBUTION_RECTANGULAR) {
        return 2.0 * sin(TW_PI * r / 6.0);
    }
    return a == b ? r : r * sqrt(TW_PI / 3.0);
}

static tw_status factor_of_normals(tw_ctx *ctx, size_t n, const tw_uncert_input *inputs, const double *r, double *l) {
    for (size_t i = 0; i < n; i++) {
        for (size_t j = 0; j < n; j++) {
            const double wanted = r != NULL ? r[i * n + j] : 0.0;
            const double rho = correlation_of_normals(inputs[i].distribution, inputs[j].distribution, wanted);
            if (i != j && fabs(rho) > 1.0 + 1e-9) {
                return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "inputs %zu and %zu cannot have the correlation %g", i + 1,
                               j + 1, wanted);
            }
            l[i * n + j] = i == j ? 1.0 : rho;
        }
    }
    return tw_matrix_cholesky(ctx, n, l, l);
}

typedef struct draws {
    size_t n;
    const tw_uncert_input *inputs;
    const double *factor;
    tw_rng *rng;
    double *normal, *x;
} draws;

static void draw(const draws *d) {
    for (size_t i = 0; i < d->n; i++) {
        d->normal[i] = tw_rng_normal(d->rng);
    }
    for (size_t i = 0; i < d->n; i++) {
        double z = 0.0;
        for (size_t j = 0; j <= i; j++) {
            z += d->factor[i * d->n + j] * d->normal[j];
        }
        const tw_uncert_input *in = &d->inputs[i];
        const double unit =
            in->distribution == TW_DISTRIBUTION_NORMAL ? z : sqrt(3.0) * (2.0 * tw_normal_probability(z) - 1.0);
        d->x[i] = in->value + in->u * unit;
    }
}

/* samples: n_outputs rows of n_trials */
static tw_status run_trials(tw_ctx *ctx, const tw_uncert_model *model, const draws *d, size_t n_trials, double *y,
                            double *samples) {
    for (size_t t = 0; t < n_trials; t++) {
        if (t % BETWEEN_REPORTS == 0) {
            TW_TRY(tw_progress(ctx, (double)t / (double)n_trials, "Monte Carlo"));
        }
        draw(d);
        TW_TRY(tw_uncert__call(ctx, model, d->x, y));
        for (size_t i = 0; i < model->n_outputs; i++) {
            samples[i * n_trials + t] = y[i];
        }
    }
    return TW_OK;
}

static tw_status trials_init(tw_ctx *ctx, size_t m, size_t n_trials, tw_uncert_trials *t) {
    *t = (tw_uncert_trials){.n_outputs = m, .n_trials = n_trials};
    t->mean = tw_alloc(ctx, m, sizeof *t->mean);
    t->u = tw_alloc(ctx, m, sizeof *t->u);
    t->covariance = tw_alloc(ctx, m, m * sizeof *t->covariance);
    t->low = tw_alloc(ctx, m, sizeof *t->low);
    t->high = tw_alloc(ctx, m, sizeof *t->high);
    t->short_low = tw_alloc(ctx, m, sizeof *t->short_low);
    t->short_high = tw_alloc(ctx, m, sizeof *t->short_high);
    const bool good = t->mean != NULL && t->u != NULL && t->covariance != NULL && t->low != NULL && t->high != NULL &&
                      t->short_low != NULL && t->short_high != NULL;
    return good ? TW_OK : TW_NO_MEMORY;
}

void tw_uncert_trials_dispose(tw_uncert_trials *trials) {
    tw_free(trials->mean);
    tw_free(trials->u);
    tw_free(trials->covariance);
    tw_free(trials->low);
    tw_free(trials->high);
    tw_free(trials->short_low);
    tw_free(trials->short_high);
    *trials = (tw_uncert_trials){0};
}

static void moments(size_t n_trials, const double *samples, tw_uncert_trials *t) {
    const size_t m = t->n_outputs;
    for (size_t i = 0; i < m; i++) {
        const double *y = samples + i * n_trials;
        double sum = 0.0;
        for (size_t k = 0; k < n_trials; k++) {
            sum += y[k] - y[0];
        }
        t->mean[i] = y[0] + sum / (double)n_trials;
    }
    for (size_t i = 0; i < m; i++) {
        for (size_t j = 0; j <= i; j++) {
            const double *a = samples + i * n_trials, *b = samples + j * n_trials;
            double sum = 0.0;
            for (size_t k = 0; k < n_trials; k++) {
                sum += (a[k] - t->mean[i]) * (b[k] - t->mean[j]);
            }
            t->covariance[i * m + j] = t->covariance[j * m + i] = sum / (double)(n_trials - 1);
        }
        t->u[i] = sqrt(t->covariance[i * m + i]);
    }
}

/* JCGM 101, 7.7: q = p M values lie inside; symmetric: from r = (M - q)/2; shortest: over all r. Sorts y. */
static void intervals(size_t n_trials, double *y, double probability, size_t i, tw_uncert_trials *t) {
    tw_sort(n_trials, y);
    size_t q = (size_t)(probability * (double)n_trials + 0.5);
    q = q >= n_trials ? n_trials - 1 : q;
    const size_t middle = (n_trials - q) / 2;
    t->low[i] = y[middle];
    t->high[i] = y[middle + q];
    size_t best = 0;
    for (size_t r = 0; r + q < n_trials; r++) {
        if (y[r + q] - y[r] < y[best + q] - y[best]) {
            best = r;
        }
    }
    t->short_low[i] = y[best];
    t->short_high[i] = y[best + q];
}

static tw_status check_inputs(tw_ctx *ctx, const tw_uncert_model *model, const tw_uncert_input *inputs,
                              const double *correlation, const tw_uncert_trials_opts *o) {
    if (model->n_inputs == 0 || model->n_outputs == 0 || model->eval == NULL) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "model with %zu inputs and %zu outputs", model->n_inputs,
                       model->n_outputs);
    }
    if (o->n_trials < FEWEST || o->n_trials > MOST) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "%zu Monte Carlo trials, wanted %d to %d", o->n_trials, FEWEST,
                       MOST);
    }
    if (!(o->probability > 0.0 && o->probability < 1.0)) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "coverage probability %g", o->probability);
    }
    for (size_t i = 0; i < model->n_inputs; i++) {
        if (!isfinite(inputs[i].value) || !isfinite(inputs[i].u) || inputs[i].u < 0.0) {
            return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "input %zu: %g with standard uncertainty %g", i + 1,
                           inputs[i].value, inputs[i].u);
        }
    }
    return correlation != NULL ? tw_uncert__check_correlation(ctx, model->n_inputs, correlation) : TW_OK;
}

/* scratch: n x n + 2 n + m */
static tw_status simulate(tw_ctx *ctx, const tw_uncert_model *model, const tw_uncert_input *inputs,
                          const double *correlation, const tw_uncert_trials_opts *o, double *scratch, double *samples) {
    const size_t n = model->n_inputs;
    TW_TRY(factor_of_normals(ctx, n, inputs, correlation, scratch));
    draws d = {.n = n, .inputs = inputs, .factor = scratch, .normal = scratch + n * n, .x = scratch + n * n + n};
    TW_TRY(tw_rng_create(ctx, o->seed, &d.rng));
    const tw_status status = run_trials(ctx, model, &d, o->n_trials, d.x + n, samples);
    tw_rng_destroy(d.rng);
    return status;
}

tw_status tw_uncert_simulate(tw_ctx *ctx, const tw_uncert_model *model, const tw_uncert_input *inputs,
                             const double *correlation, const tw_uncert_trials_opts *opts, tw_uncert_trials *out) {
    const tw_uncert_trials_opts o = opts != NULL ? *opts : tw_uncert_trials_opts_default();
    TW_TRY(check_inputs(ctx, model, inputs, correlation, &o));
    const size_t n = model->n_inputs, m = model->n_outputs;
    tw_uncert_trials t;
    tw_status status = trials_init(ctx, m, o.n_trials, &t);
    double *scratch = tw_alloc(ctx, n * n + 2 * n + m, sizeof *scratch);
    double *samples = tw_alloc(ctx, o.n_trials, m * sizeof *samples);
    if (scratch == NULL || samples == NULL) {
        status = TW_NO_MEMORY;
    }
    if (status == TW_OK) {
        status = simulate(ctx, model, inputs, correlation, &o, scratch, samples);
    }
    if (status == TW_OK) {
        moments(o.n_trials, samples, &t);
        for (size_t i = 0; i < m; i++) {
            intervals(o.n_trials, samples + i * o.n_trials, o.probability, i, &t);
        }
        *out = t;
    } else {
        tw_uncert_trials_dispose(&t);
    }
    tw_free(samples);
    tw_free(scratch);
    return status;
}

/* Law of propagation of uncertainty with full covariance: JCGM 100:2008 eq. 13, for several outputs C_y = J C_x J^T
 * (JCGM 102:2011, 6.2.1.3). J by central differences (JCGM 100, 5.1.3 note 2, with a smaller step).
 *
 * Step u/10: its error is (u/10)^2 f'''/6, a hundredth of what the law itself neglects, while rounding in the model is
 * divided by a step far above it. Valid where f is close to linear over +-u; otherwise use tw_uncert_simulate.
 */
#include "uncert_private.h"

#include <math.h>
#include <string.h>

#define STEP_OF_U 0.1
#define LEAST_STEP 6.055454452393343e-06 /* of |x|: cube root of DBL_EPSILON */

tw_status tw_uncert__call(tw_ctx *ctx, const tw_uncert_model *model, const double *x, double *y) {
    TW_TRY(model->eval(x, y, model->user));
    for (size_t i = 0; i < model->n_outputs; i++) {
        if (!isfinite(y[i])) {
            return tw_fail(ctx, TW_BAD_DATA, ROOM, "the model's output %zu is not finite", i + 1);
        }
    }
    return TW_OK;
}

static tw_status check_covariance(tw_ctx *ctx, size_t n, const double *c) {
    for (size_t i = 0; i < n; i++) {
        if (!(c[i * n + i] >= 0.0) || !isfinite(c[i * n + i])) {
            return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "variance of input %zu is %g", i + 1, c[i * n + i]);
        }
    }
    for (size_t i = 0; i < n; i++) {
        for (size_t j = 0; j < i; j++) {
            const double a = c[i * n + j], b = c[j * n + i];
            const double most = sqrt(c[i * n + i]) * sqrt(c[j * n + j]);
            if (!(fabs(a - b) <= 1e-9 * most) || !(fabs(a) <= (1.0 + 1e-9) * most)) {
                return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "covariance of inputs %zu and %zu: %g and %g, at most %g",
                               i + 1, j + 1, a, b, most);
            }
        }
    }
    return TW_OK;
}

tw_status tw_uncert_propagate_linear(tw_ctx *ctx, size_t n_outputs, size_t n_inputs, const double *sensitivity,
                                     const double *covariance, double *out_covariance) {
    TW_TRY(check_covariance(ctx, n_inputs, covariance));
    double *column = tw_alloc(ctx, n_inputs, sizeof *column);
    if (column == NULL) {
        return TW_NO_MEMORY;
    }
    for (size_t i = 0; i < n_outputs; i++) {
        const double *ci = sensitivity + i * n_inputs;
        for (size_t k = 0; k < n_inputs; k++) {
            column[k] = 0.0;
            for (size_t l = 0; l < n_inputs; l++) {
                column[k] += covariance[k * n_inputs + l] * ci[l];
            }
        }
        for (size_t j = 0; j <= i; j++) {
            double sum = 0.0;
            for (size_t k = 0; k < n_inputs; k++) {
                sum += sensitivity[j * n_inputs + k] * column[k];
            }
            /* rounding can leave a variance that ought to vanish just below zero */
            out_covariance[i * n_outputs + j] = out_covariance[j * n_outputs + i] = i == j ? fmax(0.0, sum) : sum;
        }
    }
    tw_free(column);
    return TW_OK;
}

static tw_status budget_init(tw_ctx *ctx, const tw_uncert_model *model, tw_uncert_budget *b) {
    const size_t m = model->n_outputs, n = model->n_inputs;
    *b = (tw_uncert_budget){.n_inputs = n, .n_outputs = m};
    b->y = tw_alloc(ctx, m, sizeof *b->y);
    b->u = tw_alloc(ctx, m, sizeof *b->u);
    b->covariance = tw_alloc(ctx, m, m * sizeof *b->covariance);
    b->correlation = tw_alloc(ctx, m, m * sizeof *b->correlation);
    b->sensitivity = tw_alloc(ctx, m, n * sizeof *b->sensitivity);
    b->contribution = tw_alloc(ctx, m, n * sizeof *b->contribution);
    b->share = tw_alloc(ctx, m, n * sizeof *b->share);
    const bool good = b->y != NULL && b->u != NULL && b->covariance != NULL && b->correlation != NULL &&
                      b->sensitivity != NULL && b->contribution != NULL && b->share != NULL;
    return good ? TW_OK : TW_NO_MEMORY;
}

void tw_uncert_budget_dispose(tw_uncert_budget *budget) {
    tw_free(budget->y);
    tw_free(budget->u);
    tw_free(budget->covariance);
    tw_free(budget->correlation);
    tw_free(budget->sensitivity);
    tw_free(budget->contribution);
    tw_free(budget->share);
    *budget = (tw_uncert_budget){0};
}

/* work: n_inputs + 2 n_outputs */
static tw_status differentiate(tw_ctx *ctx, const tw_uncert_model *model, const double *x, const double *covariance,
                               double *work, tw_uncert_budget *b) {
    const size_t m = model->n_outputs, n = model->n_inputs;
    double *at = work, *high = work + n, *low = high + m;
    memcpy(at, x, n * sizeof *at);
    for (size_t j = 0; j < n; j++) {
        const double u = sqrt(covariance[j * n + j]);
        if (u == 0.0) {
            continue;
        }
        const double h = fmax(STEP_OF_U * u, LEAST_STEP * fabs(x[j]));
        const volatile double up = x[j] + h, down = x[j] - h; /* the step as it is really taken */
        at[j] = up;
        TW_TRY(tw_uncert__call(ctx, model, at, high));
        at[j] = down;
        TW_TRY(tw_uncert__call(ctx, model, at, low));
        at[j] = x[j];
        for (size_t i = 0; i < m; i++) {
            b->sensitivity[i * n + j] = (high[i] - low[i]) / (up - down);
        }
    }
    return TW_OK;
}

static void fill_lines(const double *covariance, tw_uncert_budget *b) {
    const size_t m = b->n_outputs, n = b->n_inputs;
    for (size_t i = 0; i < m; i++) {
        const double variance = b->covariance[i * m + i];
        const double *c = b->sensitivity + i * n;
        b->u[i] = sqrt(variance);
        for (size_t j = 0; j < n; j++) {
            double with_all = 0.0;
            for (size_t k = 0; k < n; k++) {
                with_all += covariance[j * n + k] * c[k];
            }
            b->contribution[i * n + j] = fabs(c[j]) * sqrt(covariance[j * n + j]);
            b->share[i * n + j] = variance > 0.0 ? c[j] * with_all / variance : 0.0;
        }
    }
    tw_uncert_correlation(m, b->covariance, b->correlation);
}

tw_status tw_uncert_propagate(tw_ctx *ctx, const tw_uncert_model *model, const double *x, const double *covariance,
                              tw_uncert_budget *out) {
    const size_t m = model->n_outputs, n = model->n_inputs;
    if (m == 0 || n == 0 || model->eval == NULL) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "model with %zu inputs and %zu outputs", n, m);
    }
    for (size_t j = 0; j < n; j++) {
        if (!isfinite(x[j])) {
            return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "input %zu is not finite", j + 1);
        }
    }
    TW_TRY(check_covariance(ctx, n, covariance));
    tw_uncert_budget b;
    double *work = tw_alloc(ctx, n + 2 * m, sizeof *work);
    tw_status status = budget_init(ctx, model, &b);
    if (work == NULL) {
        status = TW_NO_MEMORY;
    }
    if (status == TW_OK) {
        status = tw_uncert__call(ctx, model, x, b.y);
    }
    if (status == TW_OK) {
        status = differentiate(ctx, model, x, covariance, work, &b);
    }
    if (status == TW_OK) {
        status = tw_uncert_propagate_linear(ctx, m, n, b.sensitivity, covariance, b.covariance);
    }
    tw_free(work);
    if (status != TW_OK) {
        tw_uncert_budget_dispose(&b);
        return status;
    }
    fill_lines(covariance, &b);
    *out = b;
    return TW_OK;
}

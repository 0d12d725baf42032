/* Nonlinear least squares: Levenberg-Marquardt of GSL (multifit_nlinear, QR solver, scaling of More), with weights and
 * prior rows folded into the residuals, central differences where no Jacobian is given, and user failures passed
 * through.
 *
 * Prior knowledge of a parameter, value m with standard uncertainty u, is one more residual (p - m)/u.
 */
#include "numeric_private.h"

#include <float.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_multifit_nlinear.h>
#include <math.h>
#include <string.h>

#define STEP 6.055454452393343e-06 /* cube root of DBL_EPSILON: best step of a central difference */
#define REFUSED 1e100              /* residual where the user's is not finite: the step is not taken */
#define SMALL_ANGLE 1e-6           /* cosine between residual and columns below which "no progress" is the minimum */

tw_fit_opts tw_fit_opts_default(void) {
    return (tw_fit_opts){.max_iterations = 200, .x_tolerance = 1e-10, .g_tolerance = 1e-12};
}

typedef struct fit {
    tw_ctx *ctx;
    const tw_fit_problem *problem;
    size_t n_priors;
    double *params, *residual, *above, *jacobian; /* n_params, n_rows, n_rows, n_rows x n_params */
    tw_status status;                             /* what the user's function said */
    size_t residual_calls;
    bool started; /* a finite residual has been seen */
} fit;

static bool has_prior(const tw_fit_problem *p, size_t j) {
    return p->prior != NULL && tw_is_known(p->prior[j]) && p->prior[j].u > 0.0;
}

static tw_status call_residual(fit *f, const double *p, double *r) {
    f->residual_calls++;
    return f->problem->residual(p, r, f->problem->user);
}

static bool all_finite(size_t n, const double *x) {
    for (size_t i = 0; i < n; i++) {
        if (!isfinite(x[i])) {
            return false;
        }
    }
    return true;
}

static double root_weight(const tw_fit_problem *p, size_t i) {
    return p->weight != NULL ? sqrt(p->weight[i]) : 1.0;
}

static void fetch(const gsl_vector *x, double *out) {
    for (size_t j = 0; j < x->size; j++) {
        out[j] = gsl_vector_get(x, j);
    }
}

static int residual_rows(const gsl_vector *x, void *user, gsl_vector *out) {
    fit *f = user;
    const tw_fit_problem *p = f->problem;
    fetch(x, f->params);
    f->status = call_residual(f, f->params, f->residual);
    if (f->status != TW_OK) {
        return GSL_EBADFUNC;
    }
    const bool good = all_finite(p->n_rows, f->residual);
    if (!good && !f->started) {
        f->status = tw_fail(f->ctx, TW_BAD_DATA, ROOM, "fit: a residual is not finite at the start");
        return GSL_EBADFUNC;
    }
    f->started = true;
    for (size_t i = 0; i < p->n_rows; i++) {
        gsl_vector_set(out, i, good ? f->residual[i] * root_weight(p, i) : REFUSED);
    }
    size_t row = p->n_rows;
    for (size_t j = 0; j < p->n_params; j++) {
        if (has_prior(p, j)) {
            gsl_vector_set(out, row++, (f->params[j] - p->prior[j].value) / p->prior[j].u);
        }
    }
    return GSL_SUCCESS;
}

/* Step for parameter j: relative to the larger of its value and its typical size. */
static double step_of(const tw_fit_problem *p, const double *params, size_t j) {
    double size = fabs(params[j]);
    if (p->scale != NULL) {
        size = fmax(size, fabs(p->scale[j]));
    }
    if (size == 0.0) {
        size = has_prior(p, j) ? p->prior[j].u : 1.0;
    }
    return STEP * size;
}

/* Central differences; where the model is not finite on one side (edge of its domain), one-sided from the middle. */
static tw_status difference_column(fit *f, double *params, size_t j) {
    const tw_fit_problem *p = f->problem;
    const double middle = params[j], h = step_of(p, params, j);
    const volatile double up = middle + h, down = middle - h; /* the steps as they are really taken */
    double high = up, low = down;
    params[j] = up;
    tw_status status = call_residual(f, params, f->above);
    if (status == TW_OK && !all_finite(p->n_rows, f->above)) {
        high = middle;
        params[j] = middle;
        status = call_residual(f, params, f->above);
    }
    if (status == TW_OK) {
        params[j] = down;
        status = call_residual(f, params, f->residual);
        if (status == TW_OK && high > middle && !all_finite(p->n_rows, f->residual)) {
            low = middle;
            params[j] = middle;
            status = call_residual(f, params, f->residual);
        }
    }
    params[j] = middle;
    for (size_t i = 0; status == TW_OK && i < p->n_rows; i++) {
        f->jacobian[i * p->n_params + j] = (f->above[i] - f->residual[i]) / (high - low);
    }
    return status;
}

static int jacobian_rows(const gsl_vector *x, void *user, gsl_matrix *out) {
    fit *f = user;
    const tw_fit_problem *p = f->problem;
    fetch(x, f->params);
    f->status = TW_OK;
    if (p->jacobian != NULL) {
        f->status = p->jacobian(f->params, f->jacobian, p->user);
    }
    for (size_t j = 0; p->jacobian == NULL && j < p->n_params && f->status == TW_OK; j++) {
        f->status = difference_column(f, f->params, j);
    }
    if (f->status == TW_OK && !all_finite(p->n_rows * p->n_params, f->jacobian)) {
        f->status = tw_fail(f->ctx, TW_BAD_DATA, ROOM, "fit: a derivative is not finite");
    }
    if (f->status != TW_OK) {
        return GSL_EBADFUNC;
    }
    gsl_matrix_set_zero(out);
    for (size_t i = 0; i < p->n_rows; i++) {
        for (size_t j = 0; j < p->n_params; j++) {
            gsl_matrix_set(out, i, j, f->jacobian[i * p->n_params + j] * root_weight(p, i));
        }
    }
    size_t row = p->n_rows;
    for (size_t j = 0; j < p->n_params; j++) {
        if (has_prior(p, j)) {
            gsl_matrix_set(out, row++, j, 1.0 / p->prior[j].u);
        }
    }
    return GSL_SUCCESS;
}

/* Residual orthogonal to every column of J: the minimum, as far as rounding shows it (MINPACK's gradient test). */
static bool at_minimum(const gsl_multifit_nlinear_workspace *w) {
    const gsl_vector *r = gsl_multifit_nlinear_residual(w);
    const gsl_matrix *jacobian = gsl_multifit_nlinear_jac(w);
    double rr = 0.0;
    for (size_t i = 0; i < r->size; i++) {
        rr += gsl_vector_get(r, i) * gsl_vector_get(r, i);
    }
    for (size_t j = 0; j < jacobian->size2; j++) {
        double jj = 0.0, jr = 0.0;
        for (size_t i = 0; i < r->size; i++) {
            const double d = gsl_matrix_get(jacobian, i, j);
            jj += d * d;
            jr += d * gsl_vector_get(r, i);
        }
        if (fabs(jr) > SMALL_ANGLE * sqrt(jj * rr)) {
            return false;
        }
    }
    return true;
}

static tw_status iterate(fit *f, const tw_fit_opts *o, gsl_multifit_nlinear_workspace *w, tw_fit_result *result) {
    result->outcome = TW_FIT_ITERATIONS;
    while (result->iterations < o->max_iterations) {
        TW_TRY(tw_progress(f->ctx, (double)result->iterations / (double)o->max_iterations, "fit"));
        int code = gsl_multifit_nlinear_iterate(w);
        result->iterations++;
        if (f->status != TW_OK) {
            return f->status;
        }
        if (code == GSL_ENOPROG) {
            result->outcome = at_minimum(w) ? TW_FIT_CONVERGED : TW_FIT_NO_PROGRESS;
            return TW_OK;
        }
        if (code != GSL_SUCCESS) {
            return tw_numeric__gsl_fail(f->ctx, code, "fit");
        }
        int why = 0;
        code = gsl_multifit_nlinear_test(o->x_tolerance, o->g_tolerance, 0.0, &why, w);
        if (code == GSL_SUCCESS) {
            result->outcome = TW_FIT_CONVERGED;
            return TW_OK;
        }
    }
    return TW_OK;
}

/* (J^T J)^-1 by the rows of J, through the same QR and SVD as linear fits. */
static tw_status covariance_at(fit *f, const gsl_multifit_nlinear_workspace *w, double *covariance,
                               tw_fit_result *result) {
    const gsl_matrix *jacobian = gsl_multifit_nlinear_jac(w);
    const size_t n = f->problem->n_params;
    tw_lsq *q = NULL;
    TW_TRY(tw_lsq_create(f->ctx, n, &q));
    tw_status status = TW_OK;
    for (size_t i = 0; i < jacobian->size1 && status == TW_OK; i++) {
        status = tw_lsq_add(f->ctx, q, gsl_matrix_const_ptr(jacobian, i, 0), 0.0, 1.0);
    }
    double *x = f->params; /* the solution itself (zero) is of no interest */
    if (status == TW_OK && tw_numeric__lsq_solve(q, x, covariance, NULL) != TW_OK) {
        for (size_t i = 0; i < n * n; i++) {
            covariance[i] = (double)NAN;
        }
        if (result->outcome == TW_FIT_CONVERGED) {
            result->outcome = TW_FIT_NO_COVARIANCE;
        }
    }
    tw_lsq_destroy(q);
    return status;
}

static void summarise(const fit *f, const gsl_multifit_nlinear_workspace *w, tw_fit_result *result) {
    const tw_fit_problem *p = f->problem;
    const gsl_vector *r = gsl_multifit_nlinear_residual(w);
    size_t rows = 0;
    for (size_t i = 0; i < r->size; i++) {
        const double square = gsl_vector_get(r, i) * gsl_vector_get(r, i);
        result->chi_square += square;
        if (i < p->n_rows) {
            result->chi_square_data += square;
            rows += p->weight == NULL || p->weight[i] > 0.0;
        }
    }
    rows += f->n_priors;
    result->degrees_of_freedom = rows > p->n_params ? rows - p->n_params : 0;
    result->residual_calls = f->residual_calls;
}

static tw_status solve(fit *f, const tw_fit_opts *o, const double *start, double *params, double *covariance,
                       tw_fit_result *result) {
    const tw_fit_problem *p = f->problem;
    const size_t rows = p->n_rows + f->n_priors;
    gsl_multifit_nlinear_parameters how = gsl_multifit_nlinear_default_parameters();
    gsl_multifit_nlinear_workspace *w = gsl_multifit_nlinear_alloc(gsl_multifit_nlinear_trust, &how, rows, p->n_params);
    if (w == NULL) {
        return tw_numeric__gsl_fail(f->ctx, GSL_ENOMEM, "fit");
    }
    gsl_multifit_nlinear_fdf fdf = {.f = residual_rows, .df = jacobian_rows, .n = rows, .p = p->n_params, .params = f};
    gsl_vector_const_view x = gsl_vector_const_view_array(start, p->n_params);
    const int code = gsl_multifit_nlinear_init(&x.vector, &fdf, w);
    tw_status status = f->status;
    if (status == TW_OK && code != GSL_SUCCESS) {
        status = tw_numeric__gsl_fail(f->ctx, code, "fit");
    }
    tw_fit_result r = {.outcome = TW_FIT_ITERATIONS};
    if (status == TW_OK) {
        status = iterate(f, o, w, &r);
    }
    if (status == TW_OK && covariance != NULL) {
        status = covariance_at(f, w, covariance, &r);
    }
    if (status == TW_OK) {
        summarise(f, w, &r);
        fetch(gsl_multifit_nlinear_position(w), params);
        *result = r;
    }
    gsl_multifit_nlinear_free(w);
    return status;
}

static tw_status check_problem(tw_ctx *ctx, const tw_fit_problem *p, const tw_fit_opts *o, const double *start,
                               size_t n_priors) {
    if (p->n_params == 0 || p->residual == NULL || !(o->x_tolerance >= 0.0) || !(o->g_tolerance >= 0.0)) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "fit: no parameters, no residual function or a negative tolerance");
    }
    if (p->n_rows + n_priors < p->n_params) {
        return tw_fail(ctx, TW_BAD_DATA, ROOM, "fit: %zu rows and %zu priors for %zu parameters", p->n_rows, n_priors,
                       p->n_params);
    }
    for (size_t i = 0; p->weight != NULL && i < p->n_rows; i++) {
        if (!isfinite(p->weight[i]) || p->weight[i] < 0.0) {
            return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "fit: weight %zu is %g", i + 1, p->weight[i]);
        }
    }
    return tw_numeric__check_finite(ctx, p->n_params, start, "fit: start");
}

tw_status tw_fit_solve(tw_ctx *ctx, const tw_fit_problem *problem, const tw_fit_opts *opts, const double *start,
                       double *params, double *covariance, tw_fit_result *result) {
    const tw_fit_opts o = opts != NULL ? *opts : tw_fit_opts_default();
    fit f = {.ctx = ctx, .problem = problem, .status = TW_OK};
    for (size_t j = 0; j < problem->n_params; j++) {
        f.n_priors += has_prior(problem, j);
    }
    TW_TRY(check_problem(ctx, problem, &o, start, f.n_priors));
    tw_numeric__gsl_quiet();
    const size_t m = problem->n_rows, n = problem->n_params;
    f.params = tw_alloc(ctx, n, sizeof *f.params);
    f.residual = tw_alloc(ctx, m, sizeof *f.residual);
    f.above = tw_alloc(ctx, m, sizeof *f.above);
    f.jacobian = tw_alloc(ctx, m, n * sizeof *f.jacobian);
    double *c = covariance != NULL ? tw_alloc(ctx, n, n * sizeof *c) : NULL;
    tw_status status = TW_NO_MEMORY;
    if (f.params != NULL && f.residual != NULL && f.above != NULL && f.jacobian != NULL &&
        (covariance == NULL || c != NULL)) {
        status = solve(&f, &o, start, params, c, result);
    }
    if (status == TW_OK && c != NULL) {
        memcpy(covariance, c, n * n * sizeof *c);
    }
    tw_free(c);
    tw_free(f.jacobian);
    tw_free(f.above);
    tw_free(f.residual);
    tw_free(f.params);
    return status;
}

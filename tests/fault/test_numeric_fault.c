/* numeric and uncert when memory runs out: every allocation in turn fails; the call must say so, leave its outputs
 * alone, leak nothing (address sanitizer), and work again afterwards. */
#include "testing.h"

#include "tankwright/numeric.h"
#include "tankwright/uncert.h"

#include <complex.h>
#include <math.h>

#define N 40

static double matrix[N * N], vector[N];

static int set_up(void **state) {
    tw_random r = {127};
    for (size_t i = 0; i < N * N; i++) {
        matrix[i] = tw_random_normal(&r) * 0.1 + (i % (N + 1) == 0 ? 5.0 : 0.0);
    }
    for (size_t i = 0; i < N; i++) {
        for (size_t j = 0; j < i; j++) {
            matrix[i * N + j] = matrix[j * N + i];
        }
        vector[i] = 3.0 * sin(0.83 * (double)i) + tw_random_normal(&r);
    }
    *state = tw_ctx_create();
    return *state == NULL;
}

static int tear_down(void **state) {
    tw_ctx_destroy(*state);
    return 0;
}

typedef tw_status work_fn(tw_ctx *ctx);

static tw_status work_factor(tw_ctx *ctx) {
    static double lu[N * N];
    size_t pivot[N];
    double rcond = 0.0;
    for (size_t i = 0; i < N * N; i++) {
        lu[i] = matrix[i];
    }
    return tw_matrix_factor(ctx, N, lu, pivot, &rcond);
}

static tw_status work_solve(tw_ctx *ctx) {
    double x[N] = {0.0};
    const tw_status status = tw_matrix_solve(ctx, N, matrix, 1, vector, x, NULL);
    assert_true((status == TW_OK) == (x[0] != 0.0));
    return status;
}

static tw_status work_invert(tw_ctx *ctx) {
    static double inverse[N * N];
    inverse[0] = 0.0;
    const tw_status status = tw_matrix_invert_symmetric(ctx, N, matrix, inverse);
    assert_true((status == TW_OK) == (inverse[0] != 0.0));
    return status;
}

static tw_status work_cholesky(tw_ctx *ctx) {
    static double l[N * N];
    return tw_matrix_cholesky(ctx, N, matrix, l);
}

static tw_status work_least_squares(tw_ctx *ctx) {
    double x[2] = {0.0};
    const tw_status status = tw_lsq_solve_matrix(ctx, N, 2, matrix, vector, NULL, x, NULL, NULL);
    assert_true((status == TW_OK) == (x[0] != 0.0));
    return status;
}

static tw_status work_polynomial(tw_ctx *ctx) {
    double x[N];
    for (size_t i = 0; i < N; i++) {
        x[i] = (double)i;
    }
    tw_polynomial p;
    return tw_polynomial_fit(ctx, N, x, vector, NULL, 2, &p, NULL);
}

static tw_status residual(const double *p, double *r, void *user) {
    (void)user;
    for (size_t i = 0; i < N; i++) {
        r[i] = p[0] * exp(-p[1] * 0.1 * (double)i) - fabs(vector[i]);
    }
    return TW_OK;
}

static tw_status work_fit(tw_ctx *ctx) {
    const tw_fit_problem problem = {.n_rows = N, .n_params = 2, .residual = residual};
    double p[2] = {0.0}, c[4];
    tw_fit_result r;
    const tw_status status = tw_fit_solve(ctx, &problem, NULL, (const double[]){2.0, 0.1}, p, c, &r);
    assert_true((status == TW_OK) == (p[0] != 0.0));
    return status;
}

static tw_status work_transforms(tw_ctx *ctx) {
    double _Complex z[N / 2 + 1];
    double back[N];
    TW_TRY(tw_fft_forward(ctx, N, vector, z));
    return tw_fft_inverse(ctx, N, z, back);
}

static tw_status work_spectrum(tw_ctx *ctx) {
    double f;
    return tw_spectrum_peak(ctx, N, vector, 1.0, &f);
}

static tw_status work_harmonics(tw_ctx *ctx) {
    tw_harmonics h = {.n_samples = 5};
    const tw_status status = tw_harmonics_fit(ctx, N, vector, 1.0, 0.83 / (2.0 * TW_PI), 2, &h);
    if (status == TW_OK) {
        tw_harmonics_dispose(&h);
    } else {
        assert_int_equal(h.n_samples, 5);
    }
    return status;
}

static tw_status work_median(tw_ctx *ctx) {
    double m, d;
    return tw_median_mad(ctx, N, vector, &m, &d);
}

static tw_status model(const double *x, double *y, void *user) {
    (void)user;
    y[0] = x[0] * x[1];
    y[1] = x[0] + x[1];
    return TW_OK;
}

static const tw_uncert_model MODEL = {.n_inputs = 2, .n_outputs = 2, .eval = model};

static tw_status work_propagate(tw_ctx *ctx) {
    tw_uncert_budget b = {.n_inputs = 9};
    const tw_status status =
        tw_uncert_propagate(ctx, &MODEL, (const double[]){1.0, 2.0}, (const double[]){1, 0, 0, 1}, &b);
    if (status == TW_OK) {
        tw_uncert_budget_dispose(&b);
    } else {
        assert_int_equal(b.n_inputs, 9);
    }
    return status;
}

static tw_status work_simulate(tw_ctx *ctx) {
    const tw_uncert_input in[2] = {{1.0, 0.1, TW_DISTRIBUTION_NORMAL}, {2.0, 0.1, TW_DISTRIBUTION_RECTANGULAR}};
    const tw_uncert_trials_opts o = {.n_trials = 200, .seed = 3, .probability = 0.95};
    tw_uncert_trials t = {.n_trials = 9};
    const tw_status status = tw_uncert_simulate(ctx, &MODEL, in, NULL, &o, &t);
    if (status == TW_OK) {
        tw_uncert_trials_dispose(&t);
    } else {
        assert_int_equal(t.n_trials, 9);
    }
    return status;
}

static void every_allocation_may_fail(void **state) {
    tw_ctx *ctx = *state;
    static work_fn *const WORK[] = {work_factor,     work_solve,     work_invert,     work_cholesky, work_least_squares,
                                    work_polynomial, work_fit,       work_transforms, work_spectrum, work_harmonics,
                                    work_median,     work_propagate, work_simulate};
    for (size_t w = 0; w < sizeof WORK / sizeof WORK[0]; w++) {
        size_t failed = 0;
        tw_status status = TW_NO_MEMORY;
        for (size_t n = 1; status != TW_OK; n++) {
            assert_true(n < 100);
            tw_ctx_fail_allocation(ctx, n);
            status = WORK[w](ctx);
            tw_ctx_fail_allocation(ctx, 0);
            if (status != TW_OK) {
                assert_int_equal(status, TW_NO_MEMORY);
                assert_int_equal(tw_ctx_error(ctx)->status, TW_NO_MEMORY);
                tw_ctx_clear_error(ctx);
                failed++;
            }
        }
        assert_true(failed > 0);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(every_allocation_may_fail, set_up, tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

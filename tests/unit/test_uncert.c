/* Propagation on models with known answers, Monte Carlo with wanted correlations, degrees of freedom, refusals. */
#include "testing.h"

#include "tankwright/uncert.h"

#include <math.h>
#include <string.h>

static int make_context(void **state) {
    *state = tw_ctx_create();
    return *state == NULL;
}

static int drop_context(void **state) {
    tw_ctx_destroy(*state);
    return 0;
}

typedef struct matrix {
    size_t m, n;
    double a[30];
    size_t calls, fail_at;
    bool nonsense;
} matrix;

static tw_status linear(const double *x, double *y, void *user) {
    matrix *q = user;
    if (++q->calls == q->fail_at) {
        return TW_OUT_OF_RANGE;
    }
    for (size_t i = 0; i < q->m; i++) {
        y[i] = 0.5;
        for (size_t j = 0; j < q->n; j++) {
            y[i] += q->a[i * q->n + j] * x[j];
        }
    }
    if (q->nonsense) {
        y[q->m - 1] = (double)NAN;
    }
    return TW_OK;
}

/* Linear model: the law is exact. A random covariance, inputs of very different size, one of them exact. */
static void linear_models_are_exact(void **state) {
    tw_ctx *ctx = *state;
    tw_random r = {113};
    for (int trial = 0; trial < 200; trial++) {
        matrix q = {.m = 3, .n = 4};
        double x[4], corr[16], cov[16], want[9] = {0}, root[16];
        tw_value in[4];
        for (size_t i = 0; i < 4; i++) {
            double length = 0.0;
            for (size_t j = 0; j < 4; j++) {
                root[i * 4 + j] = tw_random_normal(&r);
                length = hypot(length, root[i * 4 + j]);
            }
            for (size_t j = 0; j < 4; j++) {
                root[i * 4 + j] /= length;
            }
            x[i] = tw_random_normal(&r) * pow(10.0, 3.0 * (double)i - 6.0);
            in[i] = (tw_value){x[i], i == 2 ? 0.0 : fabs(x[i]) * tw_random_log_uniform(&r, 1e-6, 10.0)};
        }
        for (size_t i = 0; i < 16; i++) {
            corr[i] = 0.0;
            for (size_t k = 0; k < 4; k++) {
                corr[i] += root[(i / 4) * 4 + k] * root[(i % 4) * 4 + k];
            }
        }
        for (size_t i = 0; i < 12; i++) {
            q.a[i] = tw_random_normal(&r) / fabs(x[i % 4]);
        }
        assert_ok(tw_uncert_covariance(ctx, 4, in, corr, cov), ctx);
        for (size_t i = 0; i < 9; i++) {
            for (size_t k = 0; k < 16; k++) {
                want[i] += q.a[(i / 3) * 4 + k / 4] * cov[k] * q.a[(i % 3) * 4 + k % 4];
            }
        }
        const tw_uncert_model model = {.n_inputs = 4, .n_outputs = 3, .eval = linear, .user = &q};
        tw_uncert_budget b;
        assert_ok(tw_uncert_propagate(ctx, &model, x, cov, &b), ctx);
        assert_int_equal(q.calls, 7); /* the exact input is not varied */
        for (size_t i = 0; i < 9; i++) {
            assert_close(b.covariance[i], want[i], 0.0, 1e-8 * sqrt(want[(i / 3) * 4] * want[(i % 3) * 4]));
            assert_true(fabs(b.correlation[i]) <= 1.0);
        }
        for (size_t j = 0; j < 12; j++) {
            assert_close(b.sensitivity[j], j % 4 == 2 ? 0.0 : q.a[j], 1e-8, 0.0);
        }
        tw_uncert_budget_dispose(&b);
    }
}

static void propagation_refusals(void **state) {
    tw_ctx *ctx = *state;
    matrix q = {.m = 1, .n = 2, .a = {1.0, 2.0}};
    const tw_uncert_model model = {.n_inputs = 2, .n_outputs = 1, .eval = linear, .user = &q};
    const double x[2] = {1.0, 2.0}, bad_x[2] = {1.0, (double)NAN}, cov[4] = {1.0, 0.5, 0.5, 1.0};
    static const double BAD[4][4] = {
        {-1.0, 0.0, 0.0, 1.0}, {1.0, 0.5, -0.5, 1.0}, {1.0, 1.5, 1.5, 1.0}, {0.0, 0.1, 0.1, 1.0}};
    tw_uncert_budget b = {.n_inputs = 77};
    for (size_t i = 0; i < 4; i++) {
        assert_int_equal(tw_uncert_propagate(ctx, &model, x, BAD[i], &b), TW_BAD_ARGUMENT);
        tw_ctx_clear_error(ctx);
    }
    assert_int_equal(tw_uncert_propagate(ctx, &model, bad_x, cov, &b), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    for (size_t n = 1; n <= 5; n++) {
        q.calls = 0;
        q.fail_at = n;
        assert_int_equal(tw_uncert_propagate(ctx, &model, x, cov, &b), TW_OUT_OF_RANGE);
    }
    q.fail_at = 0;
    q.nonsense = true;
    assert_int_equal(tw_uncert_propagate(ctx, &model, x, cov, &b), TW_BAD_DATA);
    tw_ctx_clear_error(ctx);
    const tw_uncert_model empty = {.n_inputs = 0, .n_outputs = 1, .eval = linear, .user = &q};
    assert_int_equal(tw_uncert_propagate(ctx, &empty, x, cov, &b), TW_BAD_ARGUMENT);
    assert_int_equal(b.n_inputs, 77);
    tw_ctx_clear_error(ctx);
    double out[4];
    const tw_value negative[2] = {{1.0, -0.1}, {1.0, 0.1}}, good[2] = {{1.0, 0.1}, {1.0, 0.1}};
    const double strange[4] = {1.0, 2.0, 2.0, 1.0};
    assert_int_equal(tw_uncert_covariance(ctx, 2, negative, NULL, out), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_uncert_covariance(ctx, 2, good, strange, out), TW_BAD_ARGUMENT);
}

static tw_status pass(const double *x, double *y, void *user) {
    memcpy(y, x, *(const size_t *)user * sizeof *y);
    return TW_OK;
}

/* Inputs come out with the correlation that was asked for, whatever their distributions. */
static void wanted_correlations_result(void **state) {
    size_t n = 4;
    const tw_uncert_model model = {.n_inputs = 4, .n_outputs = 4, .eval = pass, .user = &n};
    const tw_uncert_input in[4] = {{5.0, 0.2, TW_DISTRIBUTION_NORMAL},
                                   {-1.0, 3.0, TW_DISTRIBUTION_RECTANGULAR},
                                   {1e-6, 2e-8, TW_DISTRIBUTION_RECTANGULAR},
                                   {7.0, 0.0, TW_DISTRIBUTION_NORMAL}};
    const double r[16] = {1, 0.6, -0.3, 0, 0.6, 1, 0.4, 0, -0.3, 0.4, 1, 0, 0, 0, 0, 1};
    const tw_uncert_trials_opts o = {.n_trials = 100000, .seed = 7, .probability = 0.9};
    tw_uncert_trials t, again;
    assert_ok(tw_uncert_simulate(*state, &model, in, r, &o, &t), *state);
    assert_ok(tw_uncert_simulate(*state, &model, in, r, &o, &again), *state);
    assert_memory_equal(t.covariance, again.covariance, 16 * sizeof(double));
    for (size_t i = 0; i < 3; i++) {
        assert_close(t.mean[i], in[i].value, 0.0, 4.0 * in[i].u / sqrt(1e5));
        assert_close(t.u[i], in[i].u, 0.01, 0.0);
        for (size_t j = 0; j < i; j++) {
            assert_close(t.covariance[i * 4 + j] / (t.u[i] * t.u[j]), r[i * 4 + j], 0.0, 4.0 / sqrt(1e5));
        }
    }
    assert_true(t.u[3] == 0.0 && t.mean[3] == 7.0);
    /* 90 % intervals: normal +-1.644854 u, rectangular +-0.9 sqrt(3) u */
    assert_close(t.high[0] - 5.0, 1.644854 * 0.2, 0.02, 0.0);
    assert_close(t.low[1] + 1.0, -0.9 * sqrt(3.0) * 3.0, 0.02, 0.0);
    assert_close(t.short_high[0] - t.short_low[0], t.high[0] - t.low[0], 0.02, 0.0);
    tw_uncert_trials_dispose(&t);
    tw_uncert_trials_dispose(&again);
}

static tw_status square(const double *x, double *y, void *user) {
    (void)user;
    y[0] = x[0] * x[0];
    return TW_OK;
}

/* x^2 about zero: the law sees nothing, Monte Carlo sees chi-square with one degree of freedom. */
static void monte_carlo_sees_curvature(void **state) {
    const tw_uncert_model model = {.n_inputs = 1, .n_outputs = 1, .eval = square};
    const tw_uncert_input in = {0.0, 1.0, TW_DISTRIBUTION_NORMAL};
    tw_uncert_trials t;
    assert_ok(tw_uncert_simulate(*state, &model, &in, NULL, NULL, &t), *state);
    assert_close(t.mean[0], 1.0, 0.0, 4.0 * sqrt(2.0 / 20000.0));
    assert_close(t.short_low[0], 0.0, 0.0, 1e-4); /* shortest interval begins at zero */
    assert_close(t.short_high[0], 3.841459, 0.05, 0.0);
    assert_true(t.high[0] - t.low[0] > t.short_high[0] - t.short_low[0]);
    tw_uncert_trials_dispose(&t);
}

static bool stop(double fraction, const char *what, void *user) {
    (void)what;
    (void)user;
    return fraction > 0.5;
}

static void simulation_refusals(void **state) {
    tw_ctx *ctx = *state;
    matrix q = {.m = 1, .n = 3, .a = {1.0, 2.0, 3.0}};
    const tw_uncert_model model = {.n_inputs = 3, .n_outputs = 1, .eval = linear, .user = &q};
    tw_uncert_input in[3] = {{1.0, 0.1, TW_DISTRIBUTION_NORMAL},
                             {1.0, 0.1, TW_DISTRIBUTION_RECTANGULAR},
                             {1.0, 0.1, TW_DISTRIBUTION_NORMAL}};
    /* a rectangular and a normal quantity cannot be correlated beyond sqrt(3/pi) = 0.977 */
    const double impossible[9] = {1, 0.99, 0, 0.99, 1, 0, 0, 0, 1};
    const double contradictory[9] = {1, 0.9, -0.9, 0.9, 1, 0.9, -0.9, 0.9, 1};
    const double lopsided[9] = {1, 0.5, 0, 0.1, 1, 0, 0, 0, 1};
    tw_uncert_trials t = {.n_trials = 55};
    tw_uncert_trials_opts o = tw_uncert_trials_opts_default();
    assert_int_equal(tw_uncert_simulate(ctx, &model, in, impossible, &o, &t), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_uncert_simulate(ctx, &model, in, contradictory, &o, &t), TW_BAD_DATA);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_uncert_simulate(ctx, &model, in, lopsided, &o, &t), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    o.n_trials = 99;
    assert_int_equal(tw_uncert_simulate(ctx, &model, in, NULL, &o, &t), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    o.n_trials = 1000;
    o.probability = 1.0;
    assert_int_equal(tw_uncert_simulate(ctx, &model, in, NULL, &o, &t), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    o.probability = 0.95;
    q.fail_at = 600;
    assert_int_equal(tw_uncert_simulate(ctx, &model, in, NULL, &o, &t), TW_OUT_OF_RANGE);
    q.fail_at = 0;
    in[1].u = -1.0;
    assert_int_equal(tw_uncert_simulate(ctx, &model, in, NULL, &o, &t), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    in[1].u = 1.0;
    tw_ctx_set_progress(ctx, stop, NULL);
    assert_int_equal(tw_uncert_simulate(ctx, &model, in, NULL, &o, &t), TW_CANCELLED);
    assert_int_equal(t.n_trials, 55);
    const tw_uncert_model empty = {.n_inputs = 3, .n_outputs = 1};
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_uncert_simulate(ctx, &empty, in, NULL, &o, &t), TW_BAD_ARGUMENT);
}

/* JCGM 100:2008, G.4.1 example: three independent inputs, relative u of 0.25, 0.57, 0.82 % with 9, 4, 14 degrees of
 * freedom give 19.0 effective ones; table G.2: k = 2.09 at 95 % for 19. */
static void effective_degrees_of_freedom(void **state) {
    tw_ctx *ctx = *state;
    const double u[3] = {0.25, 0.57, 0.82}, dof[3] = {9.0, 4.0, 14.0};
    double effective = 0.0, k = 0.0;
    assert_ok(tw_uncert_effective_dof(ctx, 3, u, dof, &effective), ctx);
    assert_close(effective, 19.0, 0.0, 0.05);
    assert_ok(tw_uncert_coverage_factor(ctx, 0.95, 19.0, &k), ctx);
    assert_close(k, 2.09, 0.0, 0.005);
    assert_ok(tw_uncert_coverage_factor(ctx, 0.9545, (double)INFINITY, &k), ctx);
    assert_close(k, 2.0, 0.0, 1e-3);
    const double endless[3] = {(double)INFINITY, (double)INFINITY, (double)INFINITY}, zero[3] = {0.0};
    assert_ok(tw_uncert_effective_dof(ctx, 3, u, endless, &effective), ctx);
    assert_true(isinf(effective));
    const double tiny[3] = {0.25e-100, 0.57e-100, 0.82e-100};
    assert_ok(tw_uncert_effective_dof(ctx, 3, tiny, dof, &effective), ctx);
    assert_close(effective, 19.0, 0.0, 0.05);
    assert_int_equal(tw_uncert_effective_dof(ctx, 3, zero, dof, &effective), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_uncert_effective_dof(ctx, 3, u, zero, &effective), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_uncert_coverage_factor(ctx, 1.0, 5.0, &k), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_uncert_coverage_factor(ctx, 0.5, -5.0, &k), TW_BAD_ARGUMENT);
}

static void type_a_refusals(void **state) {
    tw_ctx *ctx = *state;
    const double obs[4] = {1.0, 2.0, 3.0, (double)NAN};
    double mean[2] = {9, 9}, c[4];
    assert_int_equal(tw_uncert_type_a(ctx, 1, 2, obs, mean, c, NULL), TW_BAD_DATA);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_uncert_type_a(ctx, 2, 2, obs, mean, c, NULL), TW_BAD_ARGUMENT);
    assert_true(mean[0] == 9);
    double r[4];
    const double cov[4] = {4.0, 0.0, 0.0, 0.0};
    tw_uncert_correlation(2, cov, r);
    assert_true(r[0] == 1.0 && r[1] == 0.0 && r[3] == 1.0);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(linear_models_are_exact, make_context, drop_context),
        cmocka_unit_test_setup_teardown(propagation_refusals, make_context, drop_context),
        cmocka_unit_test_setup_teardown(wanted_correlations_result, make_context, drop_context),
        cmocka_unit_test_setup_teardown(monte_carlo_sees_curvature, make_context, drop_context),
        cmocka_unit_test_setup_teardown(simulation_refusals, make_context, drop_context),
        cmocka_unit_test_setup_teardown(effective_degrees_of_freedom, make_context, drop_context),
        cmocka_unit_test_setup_teardown(type_a_refusals, make_context, drop_context),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

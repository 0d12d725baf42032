/* Nonlinear least squares: weights, priors, Jacobians, outcomes, failures. */
#include "testing.h"

#include "tankwright/numeric.h"

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

/* y = p0 exp(-p1 t) + p2 */
typedef struct decay {
    size_t n;
    double t[40], y[40];
    size_t calls_until_failure;
    double edge; /* residual is NaN where p1 lies beyond */
} decay;

static tw_status decay_residual(const double *p, double *r, void *user) {
    decay *d = user;
    if (d->calls_until_failure > 0 && --d->calls_until_failure == 0) {
        return TW_OUT_OF_RANGE;
    }
    for (size_t i = 0; i < d->n; i++) {
        r[i] = p[1] > d->edge ? (double)NAN : p[0] * exp(-p[1] * d->t[i]) + p[2] - d->y[i];
    }
    return TW_OK;
}

static tw_status decay_jacobian(const double *p, double *j, void *user) {
    const decay *d = user;
    for (size_t i = 0; i < d->n; i++) {
        const double e = exp(-p[1] * d->t[i]);
        j[3 * i] = e;
        j[3 * i + 1] = -p[0] * d->t[i] * e;
        j[3 * i + 2] = 1.0;
    }
    return TW_OK;
}

static decay make_decay(double noise) {
    decay d = {.n = 40, .edge = (double)INFINITY};
    tw_random r = {71};
    for (size_t i = 0; i < d.n; i++) {
        d.t[i] = 0.11 * (double)i;
        d.y[i] = 5.3 * exp(-0.9 * d.t[i]) - 1.7 + noise * tw_random_normal(&r);
    }
    return d;
}

static void both_jacobians_reach_the_same_minimum(void **state) {
    decay d = make_decay(0.02);
    double w[40];
    for (size_t i = 0; i < 40; i++) {
        w[i] = i == 7 ? 0.0 : 1.0 / (0.02 * 0.02);
    }
    d.y[7] += 100.0; /* weight zero: must not matter */
    tw_fit_problem problem = {.n_rows = 40, .n_params = 3, .residual = decay_residual, .user = &d, .weight = w};
    const double start[3] = {1.0, 2.0, 0.0};
    double p[3], q[3], cp[9], cq[9];
    tw_fit_result rp, rq;
    assert_ok(tw_fit_solve(*state, &problem, NULL, start, p, cp, &rp), *state);
    problem.jacobian = decay_jacobian;
    assert_ok(tw_fit_solve(*state, &problem, NULL, start, q, cq, &rq), *state);
    assert_int_equal(rp.outcome, TW_FIT_CONVERGED);
    assert_int_equal(rq.outcome, TW_FIT_CONVERGED);
    for (size_t i = 0; i < 3; i++) {
        assert_close(p[i], q[i], 1e-8, 0.0);
        assert_true(fabs(p[i] - (const double[]){5.3, 0.9, -1.7}[i]) < 4.0 * sqrt(cp[i * 4]));
        for (size_t j = 0; j < 3; j++) {
            assert_close(cp[i * 3 + j], cq[i * 3 + j], 1e-6, 1e-7 * sqrt(cq[i * 4] * cq[j * 4]));
        }
    }
    assert_int_equal(rp.degrees_of_freedom, 36);
    assert_close(rp.chi_square, rq.chi_square, 1e-9, 0.0);
    assert_true(rp.chi_square > 15 && rp.chi_square < 65);
    assert_true(rp.chi_square == rp.chi_square_data);
    assert_true(rp.residual_calls > rq.residual_calls);
}

static tw_status linear_residual(const double *p, double *r, void *user) {
    (void)user;
    r[0] = p[0] + p[1] - 10.0;
    return TW_OK;
}

/* Two parameters, one measurement of their sum, a prior on each: the answer stands in closed form. */
static void priors_settle_what_data_leave_open(void **state) {
    const double w[1] = {1.0 / 0.25};
    const tw_value prior[2] = {{3.0, 0.3}, {6.0, 0.4}};
    const tw_fit_problem problem = {
        .n_rows = 1, .n_params = 2, .residual = linear_residual, .weight = w, .prior = prior};
    double p[2], c[4];
    tw_fit_result r;
    assert_ok(tw_fit_solve(*state, &problem, NULL, (const double[]){0.0, 0.0}, p, c, &r), *state);
    /* missing 1.0 shared in proportion to the variances 0.09, 0.16 against 0.25 of the data */
    assert_close(p[0], 3.0 + 0.09 / 0.5, 1e-9, 0.0);
    assert_close(p[1], 6.0 + 0.16 / 0.5, 1e-9, 0.0);
    assert_close(c[0], 0.09 - 0.09 * 0.09 / 0.5, 1e-9, 0.0);
    assert_close(c[1], -0.09 * 0.16 / 0.5, 1e-9, 0.0);
    assert_close(r.chi_square, 1.0 / 0.5, 1e-9, 0.0);
    assert_close(r.chi_square_data, 4.0 * 0.5 * 0.5, 1e-9, 0.0); /* residual 0.5, weight 4 */
    assert_int_equal(r.degrees_of_freedom, 1);
}

static tw_status useless_residual(const double *p, double *r, void *user) {
    (void)user;
    r[0] = p[0] + p[1] - 10.0;
    r[1] = 2.0 * (p[0] + p[1]) - 20.4;
    return TW_OK;
}

static void undetermined_parameters_show_in_the_outcome(void **state) {
    const tw_fit_problem problem = {.n_rows = 2, .n_params = 2, .residual = useless_residual};
    double p[2], c[4];
    tw_fit_result r;
    assert_ok(tw_fit_solve(*state, &problem, NULL, (const double[]){1.0, 2.0}, p, c, &r), *state);
    assert_int_equal(r.outcome, TW_FIT_NO_COVARIANCE);
    assert_true(isnan(c[0]) && isnan(c[3]));
}

static void limits_and_edges(void **state) {
    tw_ctx *ctx = *state;
    decay d = make_decay(0.0);
    const tw_fit_problem problem = {.n_rows = 40, .n_params = 3, .residual = decay_residual, .user = &d};
    const double start[3] = {1.0, 2.0, 0.0};
    double p[3];
    tw_fit_result r;
    tw_fit_opts o = tw_fit_opts_default();
    o.max_iterations = 2;
    assert_ok(tw_fit_solve(ctx, &problem, &o, start, p, NULL, &r), ctx);
    assert_int_equal(r.outcome, TW_FIT_ITERATIONS);
    assert_int_equal(r.iterations, 2);
    d.edge = 2.0; /* the start lies on the edge of the model's domain: differences go inwards */
    assert_ok(tw_fit_solve(ctx, &problem, NULL, start, p, NULL, &r), ctx);
    assert_int_equal(r.outcome, TW_FIT_CONVERGED);
    assert_close(p[1], 0.9, 1e-8, 0.0);
    assert_close(r.chi_square, 0.0, 0.0, 1e-18);
}

static void failures_come_through(void **state) {
    tw_ctx *ctx = *state;
    decay d = make_decay(0.1);
    tw_fit_problem problem = {.n_rows = 40, .n_params = 3, .residual = decay_residual, .user = &d};
    double p[3] = {-1, -1, -1};
    tw_fit_result r;
    for (size_t n = 1; n < 12; n++) { /* in the first residual, in a derivative, in a later step */
        d.calls_until_failure = n;
        assert_int_equal(tw_fit_solve(ctx, &problem, NULL, (const double[]){1.0, 2.0, 0.0}, p, NULL, &r),
                         TW_OUT_OF_RANGE);
        assert_true(p[0] == -1);
    }
    d.calls_until_failure = 0;
    d.edge = 1.0;
    assert_int_equal(tw_fit_solve(ctx, &problem, NULL, (const double[]){1.0, 2.0, 0.0}, p, NULL, &r), TW_BAD_DATA);
    tw_ctx_clear_error(ctx);
    problem.n_rows = 2;
    assert_int_equal(tw_fit_solve(ctx, &problem, NULL, (const double[]){1.0, 0.5, 0.0}, p, NULL, &r), TW_BAD_DATA);
    tw_ctx_clear_error(ctx);
    problem.n_rows = 40;
    assert_int_equal(tw_fit_solve(ctx, &problem, NULL, (const double[]){1.0, (double)NAN, 0.0}, p, NULL, &r),
                     TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    double w[40] = {0.0};
    w[3] = -1.0;
    problem.weight = w;
    assert_int_equal(tw_fit_solve(ctx, &problem, NULL, (const double[]){1.0, 0.5, 0.0}, p, NULL, &r), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    problem.residual = NULL;
    assert_int_equal(tw_fit_solve(ctx, &problem, NULL, (const double[]){1.0, 0.5, 0.0}, p, NULL, &r), TW_BAD_ARGUMENT);
}

static bool stop(double fraction, const char *what, void *user) {
    (void)fraction;
    (void)what;
    return ++*(int *)user > 2;
}

static void fits_can_be_cancelled(void **state) {
    decay d = make_decay(0.1);
    const tw_fit_problem problem = {.n_rows = 40, .n_params = 3, .residual = decay_residual, .user = &d};
    double p[3];
    tw_fit_result r;
    int reports = 0;
    tw_ctx_set_progress(*state, stop, &reports);
    assert_int_equal(tw_fit_solve(*state, &problem, NULL, (const double[]){1.0, 2.0, 0.0}, p, NULL, &r), TW_CANCELLED);
    assert_int_equal(reports, 3);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(both_jacobians_reach_the_same_minimum, make_context, drop_context),
        cmocka_unit_test_setup_teardown(priors_settle_what_data_leave_open, make_context, drop_context),
        cmocka_unit_test_setup_teardown(undetermined_parameters_show_in_the_outcome, make_context, drop_context),
        cmocka_unit_test_setup_teardown(limits_and_edges, make_context, drop_context),
        cmocka_unit_test_setup_teardown(failures_come_through, make_context, drop_context),
        cmocka_unit_test_setup_teardown(fits_can_be_cancelled, make_context, drop_context),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

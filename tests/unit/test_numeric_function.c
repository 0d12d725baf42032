/* Roots, quadrature, order statistics, distributions, random numbers. */
#include "testing.h"

#include "tankwright/numeric.h"

#include <math.h>

static int make_context(void **state) {
    *state = tw_ctx_create();
    return *state == NULL;
}

static int drop_context(void **state) {
    tw_ctx_destroy(*state);
    return 0;
}

static double cosine_less_x(double x, void *user) {
    ++*(int *)user;
    return cos(x) - x;
}

static double odd_power(double x, void *user) {
    (void)user;
    return x * x * x * x * x * x * x;
}

static double step_at_third(double x, void *user) {
    (void)user;
    return x < 1.0 / 3.0 ? -1.0 : 1e6;
}

static double shifted_log(double x, void *user) {
    return log(x / *(const double *)user);
}

static double positive(double x, void *user) {
    (void)user;
    return 1.0 + x * x;
}

static void roots(void **state) {
    tw_ctx *ctx = *state;
    int calls = 0;
    double x = 0.0;
    assert_ok(tw_root_solve(ctx, cosine_less_x, &calls, 0.0, 1.0, 0.0, &x), ctx);
    assert_close(x, 0.73908513321516064, 2e-16, 0.0);
    assert_true(calls < 12);
    assert_ok(tw_root_solve(ctx, odd_power, NULL, -1.0, 1.7, 1e-9, &x), ctx);
    assert_close(x, 0.0, 0.0, 1e-9);
    assert_ok(tw_root_solve(ctx, step_at_third, NULL, -4.0, 9.0, 1e-12, &x), ctx);
    assert_close(x, 1.0 / 3.0, 0.0, 2e-12);
    double at = 37.25;
    assert_ok(tw_root_solve(ctx, shifted_log, &at, 37.25, 50.0, 0.0, &x), ctx);
    assert_true(x == 37.25);
    assert_ok(tw_root_solve(ctx, shifted_log, &at, 2.0, 37.25, 0.0, &x), ctx);
    assert_true(x == 37.25);
}

static void root_errors(void **state) {
    tw_ctx *ctx = *state;
    double x = 5.0, at = 2.0;
    assert_int_equal(tw_root_solve(ctx, positive, NULL, -1.0, 1.0, 0.0, &x), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_root_solve(ctx, positive, NULL, 1.0, -1.0, 0.0, &x), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_root_solve(ctx, shifted_log, &at, -1.0, 4.0, 0.0, &x), TW_OUT_OF_RANGE);
    assert_true(x == 5.0);
}

static void brackets(void **state) {
    tw_ctx *ctx = *state;
    double at = 31000.0, low = 1.0, high = 2.0;
    assert_ok(tw_root_bracket(ctx, shifted_log, &at, 1e-3, 1e9, &low, &high), ctx);
    assert_true(low <= at && at <= high);
    low = 1e5;
    high = 1.1e5;
    assert_ok(tw_root_bracket(ctx, shifted_log, &at, 1e-3, 1e9, &low, &high), ctx);
    assert_true(low <= at && at <= high);
    low = -1.0;
    high = 1.0;
    assert_int_equal(tw_root_bracket(ctx, positive, NULL, -50.0, 20.0, &low, &high), TW_NO_CONVERGENCE);
    assert_true(low == -1.0 && high == 1.0);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_root_bracket(ctx, positive, NULL, 0.0, 20.0, &low, &high), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_root_bracket(ctx, shifted_log, &at, -50.0, 20.0, &low, &high), TW_OUT_OF_RANGE);
}

static double bell(double x, void *user) {
    (void)user;
    return exp(-x * x);
}

static double peak(double x, void *user) {
    const double w = *(const double *)user;
    return w / (w * w + (x - 0.3) * (x - 0.3));
}

static double pole(double x, void *user) {
    (void)user;
    return 1.0 / fabs(x - 0.4137);
}

static double not_a_number(double x, void *user) {
    (void)user;
    return sqrt(x - 2.0);
}

static void integrals(void **state) {
    tw_ctx *ctx = *state;
    double value, error, w = 1e-4;
    assert_ok(tw_integrate(ctx, bell, NULL, 0.0, (double)INFINITY, 0.0, 1e-10, &value, &error), ctx);
    assert_close(value, 0.5 * sqrt(TW_PI), 1e-12, 0.0);
    assert_true(error < 1e-9);
    assert_ok(tw_integrate(ctx, peak, &w, 0.0, 1.0, 0.0, 1e-10, &value, NULL), ctx);
    assert_close(value, atan(0.7 / w) + atan(0.3 / w), 1e-10, 0.0);
    assert_ok(tw_integrate(ctx, bell, NULL, 1.0, -1.0, 0.0, 1e-10, &value, NULL), ctx);
    assert_close(value, -sqrt(TW_PI) * erf(1.0), 1e-12, 0.0);
    value = 77.0;
    assert_int_equal(tw_integrate(ctx, pole, NULL, 0.0, 1.0, 0.0, 1e-10, &value, NULL), TW_NO_CONVERGENCE);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_integrate(ctx, not_a_number, NULL, 0.0, 3.0, 0.0, 1e-6, &value, NULL), TW_OUT_OF_RANGE);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_integrate(ctx, bell, NULL, (double)NAN, 3.0, 0.0, 1e-6, &value, NULL), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_integrate(ctx, bell, NULL, 0.0, 3.0, 0.0, 0.0, &value, NULL), TW_BAD_ARGUMENT);
    assert_true(value == 77.0);
}

static void medians_are_those_of_sorted_data(void **state) {
    tw_ctx *ctx = *state;
    tw_random r = {83};
    for (int trial = 0; trial < 2000; trial++) {
        const size_t n = 1 + tw_random_below(&r, 60);
        double x[60], sorted[60], median, mad, again;
        for (size_t i = 0; i < n; i++) { /* many equal values */
            x[i] = sorted[i] = (double)tw_random_below(&r, trial % 3 == 0 ? 4 : 1000000);
        }
        tw_sort(n, sorted);
        for (size_t i = 1; i < n; i++) {
            assert_true(sorted[i - 1] <= sorted[i]);
        }
        assert_ok(tw_median_mad(ctx, n, x, &median, &mad), ctx);
        assert_ok(tw_median(ctx, n, x, &again), ctx);
        assert_true(median == 0.5 * (sorted[(n - 1) / 2] + sorted[n / 2]) && again == median);
        assert_close(tw_quantile_sorted(n, sorted, 0.5), median, 1e-15, 0.0);
        for (size_t i = 0; i < n; i++) {
            sorted[i] = fabs(x[i] - median);
        }
        tw_sort(n, sorted);
        assert_true(mad == 0.5 * (sorted[(n - 1) / 2] + sorted[n / 2]));
    }
    const double five[5] = {1, 2, 4, 8, 16};
    assert_close(tw_quantile_sorted(5, five, 0.9), 12.8, 1e-15, 0.0);
    assert_true(tw_quantile_sorted(5, five, 1.0) == 16.0 && tw_quantile_sorted(5, five, -1.0) == 1.0);
    double m;
    assert_int_equal(tw_median(ctx, 0, five, &m), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    const double bad[2] = {1.0, (double)NAN};
    assert_int_equal(tw_median(ctx, 2, bad, &m), TW_BAD_ARGUMENT);
}

/* Table values: JCGM 100:2008, table G.2 (two decimals). */
static void student_quantiles(void **state) {
    tw_ctx *ctx = *state;
    double t;
    assert_ok(tw_student_quantile(ctx, 0.975, 10.0, &t), ctx);
    assert_close(t, 2.23, 0.0, 0.005);
    assert_ok(tw_student_quantile(ctx, 0.975, 1.0, &t), ctx);
    assert_close(t, tan(TW_PI * 0.475), 1e-10, 0.0); /* closed form for one degree of freedom */
    assert_ok(tw_student_quantile(ctx, 0.975, (double)INFINITY, &t), ctx);
    assert_close(tw_normal_probability(t), 0.975, 1e-13, 0.0);
    assert_int_equal(tw_student_quantile(ctx, 1.0, 4.0, &t), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_student_quantile(ctx, 0.5, 0.0, &t), TW_BAD_ARGUMENT);
}

static void random_numbers_repeat_and_have_their_moments(void **state) {
    tw_ctx *ctx = *state;
    tw_rng *a = NULL, *b = NULL, *c = NULL;
    assert_ok(tw_rng_create(ctx, 20, &a), ctx);
    assert_ok(tw_rng_create(ctx, 20, &b), ctx);
    assert_ok(tw_rng_create(ctx, 20 + (UINT64_C(1) << 40), &c), ctx);
    double sum = 0, square = 0, fourth = 0, uniform = 0;
    int same = 0;
    enum { N = 200000 };
    for (int i = 0; i < N; i++) {
        const double z = tw_rng_normal(a), u = tw_rng_uniform(a);
        assert_true(z == tw_rng_normal(b) && u == tw_rng_uniform(b));
        assert_true(u > 0.0 && u < 1.0);
        (void)tw_rng_normal(c);
        same += tw_rng_uniform(c) == u;
        sum += z;
        square += z * z;
        fourth += z * z * z * z;
        uniform += u;
    }
    assert_true(same < 5);
    assert_close(sum / N, 0.0, 0.0, 4.0 / sqrt(N));
    assert_close(square / N, 1.0, 0.0, 4.0 * sqrt(2.0 / N));
    assert_close(fourth / N, 3.0, 0.0, 4.0 * sqrt(96.0 / N));
    assert_close(uniform / N, 0.5, 0.0, 4.0 / sqrt(12.0 * N));
    tw_rng_destroy(a);
    tw_rng_destroy(b);
    tw_rng_destroy(c);
    tw_rng_destroy(NULL);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(roots, make_context, drop_context),
        cmocka_unit_test_setup_teardown(root_errors, make_context, drop_context),
        cmocka_unit_test_setup_teardown(brackets, make_context, drop_context),
        cmocka_unit_test_setup_teardown(integrals, make_context, drop_context),
        cmocka_unit_test_setup_teardown(medians_are_those_of_sorted_data, make_context, drop_context),
        cmocka_unit_test_setup_teardown(student_quantiles, make_context, drop_context),
        cmocka_unit_test_setup_teardown(random_numbers_repeat_and_have_their_moments, make_context, drop_context),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

/* Invariants of the mathematics: a change of units changes nothing but units; reversing time undoes; noise moves a fit
 * by what the fit states; independent routes to one number agree. Random cases with fixed seeds. */
#include "testing.h"

#include "tankwright/numeric.h"
#include "tankwright/uncert.h"

#include <complex.h>
#include <float.h>
#include <math.h>

static int make_context(void **state) {
    *state = tw_ctx_create();
    return *state == NULL;
}

static int drop_context(void **state) {
    tw_ctx_destroy(*state);
    return 0;
}

/* Starts up to half a bin away, noise, up to six harmonics, from four cycles on: frequency and phasors lie within five
 * stated standard deviations, and 90 to 98 per cent of the frequencies within two. */
static void fits_land_where_they_say(void **state) {
    enum { RUNS = 600 };
    tw_random r = {131};
    static double y[4000];
    int within_two = 0;
    for (int run = 0; run < RUNS; run++) {
        const size_t n = 200 + tw_random_below(&r, 3800), kk = 1 + tw_random_below(&r, 6);
        const double cycles = tw_random_uniform(&r, 4.0, (double)n / (3.0 * (double)kk));
        const double interval = tw_random_log_uniform(&r, 1e-9, 1.0), f = cycles / ((double)n * interval);
        const double noise = tw_random_log_uniform(&r, 1e-6, 0.1);
        double _Complex p[6];
        for (size_t k = 0; k < kk; k++) {
            const double size = k == 0 ? 1.0 : tw_random_uniform(&r, 0.0, 0.3),
                         phase = tw_random_uniform(&r, -3.0, 3.0);
            p[k] = tw_complex(size * cos(phase), size * sin(phase));
        }
        for (size_t i = 0; i < n; i++) {
            y[i] = 0.2 + noise * tw_random_normal(&r);
            for (size_t k = 0; k < kk; k++) {
                const double angle = 2.0 * TW_PI * (double)(k + 1) * cycles * (double)i / (double)n;
                y[i] += creal(p[k]) * cos(angle) - cimag(p[k]) * sin(angle);
            }
        }
        tw_harmonics h;
        const double start = f + tw_random_uniform(&r, -0.5, 0.5) / ((double)n * interval);
        assert_ok(tw_harmonics_fit(*state, n, y, interval, start, kk, &h), *state);
        const double off = fabs(h.frequency_hz - f) / sqrt(h.covariance[0]);
        within_two += off < 2.0;
        assert_true(off < 5.0);
        assert_close(h.noise, noise, 0.25, 0.0);
        for (size_t k = 0; k < kk; k++) {
            const size_t a = (2 + 2 * k) * (h.n_params + 1);
            assert_close(creal(h.phasor[k]), creal(p[k]), 0.0, 5.0 * sqrt(h.covariance[a]));
            assert_close(cimag(h.phasor[k]), cimag(p[k]), 0.0, 5.0 * sqrt(h.covariance[a + h.n_params + 1]));
        }
        tw_harmonics_dispose(&h);
    }
    assert_in_range(within_two, RUNS * 90 / 100, RUNS * 98 / 100);
}

/* Volts or millivolts, seconds or microseconds: powers of two, so the fit must repeat bit by bit. */
static void units_do_not_matter_to_a_sine_fit(void **state) {
    tw_random r = {137};
    double y[500], scaled[500];
    for (size_t i = 0; i < 500; i++) {
        y[i] = 3.0 * cos(0.21 * (double)i + 0.4) + 0.1 * tw_random_normal(&r);
        scaled[i] = y[i] * 1024.0;
    }
    tw_harmonics a, b;
    assert_ok(tw_harmonics_fit(*state, 500, y, 0.001, 33.4, 2, &a), *state);
    assert_ok(tw_harmonics_fit(*state, 500, scaled, 0.001 / 4096.0, 33.4 * 4096.0, 2, &b), *state);
    assert_true(b.frequency_hz == a.frequency_hz * 4096.0);
    assert_true(creal(b.phasor[0]) == creal(a.phasor[0]) * 1024.0);
    assert_close(b.covariance[0], a.covariance[0] * 4096.0 * 4096.0, 1e-13, 0.0);
    tw_harmonics_dispose(&a);
    tw_harmonics_dispose(&b);
}

/* Forward and back in time, by either route to the exponential. */
static void time_can_be_reversed(void **state) {
    tw_random r = {139};
    for (int trial = 0; trial < 300; trial++) {
        const size_t n = 1 + tw_random_below(&r, 12);
        double a[144], e[144], back[144], product[144], re[12], im[12], v[144], w[144], k, x0[12], x[12];
        for (size_t i = 0; i < n * n; i++) {
            a[i] = tw_random_normal(&r);
        }
        for (size_t i = 0; i < n; i++) {
            x0[i] = tw_random_normal(&r);
        }
        assert_ok(tw_matrix_exp(*state, n, a, 0.9, e), *state);
        assert_ok(tw_matrix_exp(*state, n, a, -0.9, back), *state);
        tw_matrix_multiply(n, n, n, e, back, product);
        double size = 0.0, other = 0.0;
        for (size_t i = 0; i < n * n; i++) {
            size = hypot(size, e[i]);
            other = hypot(other, back[i]);
        }
        for (size_t i = 0; i < n * n; i++) {
            assert_close(product[i], i / n == i % n ? 1.0 : 0.0, 0.0, 1e-14 * size * other);
        }
        assert_ok(tw_eigen_decompose(*state, n, a, re, im, v, w, &k), *state);
        tw_eigen_apply(n, re, im, v, w, 0.9, x0, x);
        tw_eigen_apply(n, re, im, v, w, -0.9, x, x);
        for (size_t i = 0; i < n; i++) {
            assert_close(x[i], x0[i], 0.0, 1e-14 * size * other * k);
        }
    }
}

/* Eigenvalues do not depend on the units of the states. */
static void units_do_not_matter_to_eigenvalues(void **state) {
    tw_random r = {149};
    for (int trial = 0; trial < 500; trial++) {
        const size_t n = 2 + tw_random_below(&r, 6);
        double a[64], b[64], unit[8], re[2][8], im[2][8], v[64], w[64], k[2];
        for (size_t i = 0; i < n; i++) {
            unit[i] = ldexp(1.0, (int)tw_random_below(&r, 61) - 30);
        }
        double size = 0.0;
        for (size_t i = 0; i < n * n; i++) {
            a[i] = tw_random_normal(&r);
            b[i] = a[i] * unit[i / n] / unit[i % n];
            size = hypot(size, a[i]);
        }
        assert_ok(tw_eigen_decompose(*state, n, a, re[0], im[0], v, w, &k[0]), *state);
        assert_ok(tw_eigen_decompose(*state, n, b, re[1], im[1], v, w, &k[1]), *state);
        for (size_t i = 0; i < n; i++) {
            double nearest = (double)INFINITY;
            for (size_t j = 0; j < n; j++) {
                nearest = fmin(nearest, hypot(re[0][i] - re[1][j], im[0][i] - im[1][j]));
            }
            assert_true(nearest < 200.0 * DBL_EPSILON * size * fmax(k[0], k[1]));
        }
    }
}

/* A measurement in different units has the same relative budget. */
static tw_status product(const double *x, double *y, void *user) {
    y[0] = x[0] * x[0] / x[1] * *(const double *)user;
    return TW_OK;
}

static void units_do_not_matter_to_a_budget(void **state) {
    double one = 1.0, milli = 1e3;
    const tw_uncert_model a = {.n_inputs = 2, .n_outputs = 1, .eval = product, .user = &one};
    const tw_uncert_model b = {.n_inputs = 2, .n_outputs = 1, .eval = product, .user = &milli};
    const double x[2] = {3.7, 11.0}, cov[4] = {0.01, 0.02, 0.02, 0.25};
    const double x_milli[2] = {3.7e3, 11.0e3}, cov_milli[4] = {0.01e6, 0.02e6, 0.02e6, 0.25e6};
    tw_uncert_budget p, q;
    assert_ok(tw_uncert_propagate(*state, &a, x, cov, &p), *state);
    assert_ok(tw_uncert_propagate(*state, &b, x_milli, cov_milli, &q), *state);
    assert_close(q.u[0], 1e6 * p.u[0], 1e-9, 0.0);
    for (size_t j = 0; j < 2; j++) {
        assert_close(q.share[j], p.share[j], 1e-9, 0.0);
    }
    /* u^2/y^2 = (2 u0/x0)^2 + (u1/x1)^2 - 4 c01/(x0 x1) */
    const double relative = 4.0 * 0.01 / (3.7 * 3.7) + 0.25 / 121.0 - 4.0 * 0.02 / (3.7 * 11.0);
    assert_close(p.u[0] / p.y[0], sqrt(relative), 1e-4, 0.0); /* second order of the 5 % inputs' tenth */
    tw_uncert_budget_dispose(&p);
    tw_uncert_budget_dispose(&q);
}

/* Least squares does not care for the order of the rows, and splitting a row's weight in two changes nothing. */
static void rows_may_come_in_any_order(void **state) {
    enum { ROWS = 150, COLS = 4 };
    tw_random r = {151};
    static double a[2 * ROWS * COLS], y[2 * ROWS], w[2 * ROWS];
    double x[COLS], again[COLS], c[COLS * COLS], c_again[COLS * COLS];
    for (size_t i = 0; i < ROWS; i++) {
        for (size_t j = 0; j < COLS; j++) {
            a[i * COLS + j] = a[(2 * ROWS - 1 - i) * COLS + j] = tw_random_normal(&r);
        }
        y[i] = y[2 * ROWS - 1 - i] = tw_random_normal(&r);
        w[i] = w[2 * ROWS - 1 - i] = tw_random_log_uniform(&r, 0.01, 100.0);
    }
    assert_ok(tw_lsq_solve_matrix(*state, 2 * ROWS, COLS, a, y, w, x, c, NULL), *state);
    for (size_t i = 0; i < ROWS; i++) {
        w[i] *= 2.0;
    }
    assert_ok(tw_lsq_solve_matrix(*state, ROWS, COLS, a, y, w, again, c_again, NULL), *state);
    for (size_t i = 0; i < COLS; i++) {
        assert_close(again[i], x[i], 1e-12, 1e-14);
        assert_close(c_again[i * COLS + i], c[i * COLS + i], 1e-12, 0.0);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(fits_land_where_they_say, make_context, drop_context),
        cmocka_unit_test_setup_teardown(units_do_not_matter_to_a_sine_fit, make_context, drop_context),
        cmocka_unit_test_setup_teardown(time_can_be_reversed, make_context, drop_context),
        cmocka_unit_test_setup_teardown(units_do_not_matter_to_eigenvalues, make_context, drop_context),
        cmocka_unit_test_setup_teardown(units_do_not_matter_to_a_budget, make_context, drop_context),
        cmocka_unit_test_setup_teardown(rows_may_come_in_any_order, make_context, drop_context),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

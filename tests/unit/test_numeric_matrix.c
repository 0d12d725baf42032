/* Small dense systems, least squares, polynomials. */
#include "testing.h"

#include "tankwright/numeric.h"

#include <float.h>
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

static void fill(tw_random *r, size_t n, double *a) {
    for (size_t i = 0; i < n; i++) {
        a[i] = tw_random_uniform(r, -1.0, 1.0);
    }
}

#define BIG 45 /* above the size that lives on the stack */

static void solutions_solve(void **state) {
    tw_random r = {3};
    static double a[BIG * BIG], b[3 * BIG], x[3 * BIG], back[3 * BIG];
    for (size_t n = 1; n <= BIG; n += n < 6 ? 1 : 13) {
        fill(&r, n * n, a);
        fill(&r, 3 * n, b);
        for (size_t i = 0; i < n; i++) { /* rows and columns in very different units */
            const double row = tw_random_log_uniform(&r, 1e-9, 1e9);
            for (size_t j = 0; j < n; j++) {
                a[i * n + j] = (a[i * n + j] + (i == j ? 20.0 : 0.0)) * row * pow(10.0, (double)(j % 7) - 3.0);
            }
            for (size_t c = 0; c < 3; c++) {
                b[i * 3 + c] *= row;
            }
        }
        double rcond = -1.0;
        assert_ok(tw_matrix_solve(*state, n, a, 3, b, x, &rcond), *state);
        assert_true(rcond > 1e-4 && rcond <= 1.0);
        tw_matrix_multiply(n, n, 3, a, x, back);
        for (size_t i = 0; i < n; i++) {
            double size = 0.0;
            for (size_t j = 0; j < n; j++) {
                size += fabs(a[i * n + j] * x[j * 3]) + fabs(a[i * n + j] * x[j * 3 + 1]) +
                        fabs(a[i * n + j] * x[j * 3 + 2]);
            }
            for (size_t c = 0; c < 3; c++) {
                assert_close(back[i * 3 + c], b[i * 3 + c], 0.0, 1e-13 * size);
            }
        }
    }
}

static void inverse_in_place_and_its_condition(void **state) {
    /* Hilbert matrix of order 4: inverse in closed form, 1-norm condition 28375 (25/12 times 13620) */
    static const double INVERSE[16] = {16,  -120,  240,  -140,  -120, 1200, -2700, 1680,
                                       240, -2700, 6480, -4200, -140, 1680, -4200, 2800};
    double a[16], rcond = 0.0;
    size_t pivot[4];
    for (size_t i = 0; i < 16; i++) {
        a[i] = 1.0 / (double)(i / 4 + i % 4 + 1);
    }
    double lu[16];
    memcpy(lu, a, sizeof lu);
    assert_ok(tw_matrix_factor(*state, 4, lu, pivot, &rcond), *state);
    assert_close(1.0 / rcond, 28375.0, 1e-10, 0.0);
    assert_ok(tw_matrix_invert(*state, 4, a, a, &rcond), *state);
    for (size_t i = 0; i < 16; i++) {
        assert_close(a[i], INVERSE[i], 1e-11, 0.0);
    }
    double s[16];
    for (size_t i = 0; i < 16; i++) {
        s[i] = 1.0 / (double)(i / 4 + i % 4 + 1);
    }
    assert_ok(tw_matrix_invert_symmetric(*state, 4, s, s), *state);
    for (size_t i = 0; i < 16; i++) {
        assert_close(s[i], INVERSE[i], 1e-11, 0.0);
        assert_true(s[i] == s[(i % 4) * 4 + i / 4]);
    }
}

static void factor_solves_like_solve(void **state) {
    tw_random r = {31};
    for (size_t n = 1; n <= BIG; n += 11) {
        static double a[BIG * BIG], b[BIG], x[BIG];
        size_t pivot[BIG];
        fill(&r, n * n, a);
        fill(&r, n, b);
        assert_ok(tw_matrix_solve(*state, n, a, 1, b, x, NULL), *state);
        double rcond = 0.0;
        assert_ok(tw_matrix_factor(*state, n, a, pivot, n % 2 == 0 ? NULL : &rcond), *state);
        tw_matrix_solve_factored(n, a, pivot, b);
        for (size_t i = 0; i < n; i++) {
            assert_close(b[i], x[i], 1e-9, 1e-9);
        }
    }
}

/* The estimate may be low, rarely by more than 3, and never high. */
static void condition_estimate_is_near_the_true_one(void **state) {
    tw_random r = {5};
    for (int trial = 0; trial < 300; trial++) {
        const size_t n = 2 + tw_random_below(&r, 7);
        double a[64], inverse[64], rcond = 0.0, na = 0.0, ni = 0.0;
        size_t pivot[8];
        fill(&r, n * n, a);
        assert_ok(tw_matrix_invert(*state, n, a, inverse, NULL), *state);
        for (size_t j = 0; j < n; j++) {
            double sa = 0.0, si = 0.0;
            for (size_t i = 0; i < n; i++) {
                sa += fabs(a[i * n + j]);
                si += fabs(inverse[i * n + j]);
            }
            na = fmax(na, sa);
            ni = fmax(ni, si);
        }
        assert_ok(tw_matrix_factor(*state, n, a, pivot, &rcond), *state);
        const double ratio = 1.0 / rcond / (na * ni);
        assert_true(ratio <= 1.0 + 1e-6 && ratio > 0.2);
    }
}

static void singular_matrices_are_refused(void **state) {
    tw_ctx *ctx = *state;
    double a[9] = {1, 2, 3, 4, 5, 6, 7, 8, 9}, x[3] = {7, 7, 7};
    const double b[3] = {1, 1, 1};
    size_t pivot[3];
    assert_int_equal(tw_matrix_solve(ctx, 3, a, 1, b, x, NULL), TW_SINGULAR);
    assert_true(x[0] == 7 && x[2] == 7);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_matrix_invert_symmetric(ctx, 3, a, a), TW_SINGULAR);
    assert_true(a[0] == 1 && a[8] == 9);
    tw_ctx_clear_error(ctx);
    double zero[4] = {0.0};
    assert_int_equal(tw_matrix_factor(ctx, 2, zero, pivot, NULL), TW_SINGULAR);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_matrix_invert(ctx, 2, zero, x, NULL), TW_SINGULAR);
    tw_ctx_clear_error(ctx);
    a[4] = (double)NAN;
    assert_int_equal(tw_matrix_solve(ctx, 3, a, 1, b, x, NULL), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    a[4] = 77.0;
    const double bad[3] = {1.0, (double)INFINITY, 0.0};
    assert_int_equal(tw_matrix_solve(ctx, 3, a, 1, bad, x, NULL), TW_BAD_ARGUMENT);
    assert_string_equal(tw_ctx_error(ctx)->room, "numeric");
}

static void semidefinite_factor(void **state) {
    tw_ctx *ctx = *state;
    const double full[9] = {4, 2, -2, 2, 10, 5, -2, 5, 14};
    const double rank_two[9] = {1, 1, 0, 1, 1, 0, 0, 0, 2};
    const double indefinite[4] = {1, 2, 2, 1};
    const double hidden[4] = {0, 1, 1, 1}; /* a zero on the diagonal with something beside it */
    double l[9], lt[9], back[9];
    for (int which = 0; which < 2; which++) {
        const double *a = which == 0 ? full : rank_two;
        assert_ok(tw_matrix_cholesky(ctx, 3, a, l), ctx);
        for (size_t i = 0; i < 9; i++) {
            lt[i] = l[(i % 3) * 3 + i / 3];
        }
        tw_matrix_multiply(3, 3, 3, l, lt, back);
        for (size_t i = 0; i < 9; i++) {
            assert_close(back[i], a[i], 1e-14, 1e-14);
        }
        assert_true(l[1] == 0.0 && l[2] == 0.0 && l[5] == 0.0);
    }
    assert_int_equal(tw_matrix_cholesky(ctx, 2, indefinite, l), TW_BAD_DATA);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_matrix_cholesky(ctx, 2, hidden, l), TW_BAD_DATA);
}

static void least_squares_match_normal_equations(void **state) {
    tw_ctx *ctx = *state;
    tw_random r = {17};
    enum { ROWS = 400, COLS = 5 };
    static double a[ROWS * COLS], y[ROWS], w[ROWS];
    double x[COLS], c[COLS * COLS], m[COLS * COLS] = {0}, mi[COLS * COLS], rhs[COLS] = {0}, want[COLS];
    for (size_t i = 0; i < ROWS; i++) {
        fill(&r, COLS, a + i * COLS);
        a[i * COLS + 3] *= 1e-7; /* a column in awkward units */
        y[i] = tw_random_normal(&r);
        w[i] = i % 11 == 0 ? 0.0 : tw_random_log_uniform(&r, 0.1, 10.0);
        for (size_t p = 0; p < COLS; p++) {
            rhs[p] += w[i] * a[i * COLS + p] * y[i];
            for (size_t q = 0; q < COLS; q++) {
                m[p * COLS + q] += w[i] * a[i * COLS + p] * a[i * COLS + q];
            }
        }
    }
    tw_lsq_info info;
    assert_ok(tw_lsq_solve_matrix(ctx, ROWS, COLS, a, y, w, x, c, &info), ctx);
    assert_ok(tw_matrix_solve(ctx, COLS, m, 1, rhs, want, NULL), ctx);
    assert_ok(tw_matrix_invert(ctx, COLS, m, mi, NULL), ctx);
    double chi = 0.0;
    for (size_t i = 0; i < ROWS; i++) {
        double f = y[i];
        for (size_t p = 0; p < COLS; p++) {
            f -= a[i * COLS + p] * x[p];
        }
        chi += w[i] * f * f;
    }
    for (size_t p = 0; p < COLS; p++) {
        assert_close(x[p], want[p], 1e-12, 1e-14);
        for (size_t q = 0; q < COLS; q++) {
            assert_close(c[p * COLS + q], mi[p * COLS + q], 1e-11, 1e-12 * sqrt(mi[p * COLS + p] * mi[q * COLS + q]));
        }
    }
    assert_close(info.chi_square, chi, 1e-12, 0.0);
    assert_int_equal(info.n_rows, ROWS - 37);
    assert_int_equal(info.rank, COLS);
    assert_close(info.residual_rms, sqrt(chi / (ROWS - 37)), 1e-12, 0.0);
    assert_true(info.condition < 1.5);
}

static void rows_may_follow_a_solution(void **state) {
    tw_ctx *ctx = *state;
    tw_lsq *q = NULL;
    assert_ok(tw_lsq_create(ctx, 2, &q), ctx);
    const double rows[4][2] = {{1, 0}, {0, 1}, {1, 1}, {1, -1}};
    const double y[4] = {1.5, 2.5, 4.3, -0.8};
    double x[2], once[2];
    tw_lsq_info info;
    assert_ok(tw_lsq_add(ctx, q, rows[0], y[0], 1.0), ctx);
    assert_int_equal(tw_lsq_solve(ctx, q, x, NULL, NULL), TW_SINGULAR);
    tw_ctx_clear_error(ctx);
    assert_ok(tw_lsq_add(ctx, q, rows[1], y[1], 1.0), ctx);
    assert_ok(tw_lsq_solve(ctx, q, x, NULL, &info), ctx);
    assert_close(x[0], 1.5, 1e-15, 0.0);
    assert_close(info.chi_square, 0.0, 0.0, 1e-30);
    assert_ok(tw_lsq_add(ctx, q, rows[2], y[2], 4.0), ctx);
    assert_ok(tw_lsq_add(ctx, q, rows[3], y[3], 0.25), ctx);
    assert_ok(tw_lsq_solve(ctx, q, x, NULL, NULL), ctx);
    const double w[4] = {1, 1, 4, 0.25};
    assert_ok(tw_lsq_solve_matrix(ctx, 4, 2, &rows[0][0], y, w, once, NULL, NULL), ctx);
    assert_close(x[0], once[0], 1e-14, 0.0);
    assert_close(x[1], once[1], 1e-14, 0.0);
    assert_int_equal(tw_lsq_add(ctx, q, rows[0], 1.0, -1.0), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_lsq_add(ctx, q, rows[0], (double)NAN, 1.0), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    const double bad[2] = {(double)NAN, 1.0};
    assert_int_equal(tw_lsq_add(ctx, q, bad, 1.0, 1.0), TW_BAD_ARGUMENT);
    tw_lsq_destroy(q);
    tw_lsq_destroy(NULL);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_lsq_create(ctx, 0, &q), TW_BAD_ARGUMENT);
}

static void dependent_columns_are_refused(void **state) {
    double a[30], y[10], x[3];
    for (size_t i = 0; i < 10; i++) {
        a[3 * i] = 1.0;
        a[3 * i + 1] = (double)i;
        a[3 * i + 2] = 1e6 - 2e6 * (double)i;
        y[i] = (double)(i * i);
    }
    assert_int_equal(tw_lsq_solve_matrix(*state, 10, 3, a, y, NULL, x, NULL, NULL), TW_SINGULAR);
}

static void polynomials_are_found_again(void **state) {
    tw_ctx *ctx = *state;
    double x[60], y[60], w[60], chi = -1.0;
    for (size_t i = 0; i < 60; i++) {
        x[i] = 1e4 + 0.37 * (double)i;
        const double z = x[i] - 1e4;
        y[i] = 2.0 - 0.3 * z + 0.07 * z * z - 0.001 * z * z * z;
        w[i] = 1.0 + (double)(i % 3);
    }
    tw_polynomial p;
    assert_ok(tw_polynomial_fit(ctx, 60, x, y, w, 3, &p, &chi), ctx);
    assert_true(chi < 1e-20);
    const double z = 11.111;
    assert_close(tw_polynomial_value(&p, 1e4 + z), 2.0 - 0.3 * z + 0.07 * z * z - 0.001 * z * z * z, 1e-11, 0.0);
    assert_close(tw_polynomial_slope(&p, 1e4 + z), -0.3 + 0.14 * z - 0.003 * z * z, 1e-10, 0.0);
    assert_int_equal(tw_polynomial_fit(ctx, 3, x, y, NULL, 3, &p, NULL), TW_BAD_DATA);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_polynomial_fit(ctx, 60, x, y, NULL, 16, &p, NULL), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    for (size_t i = 0; i < 60; i++) {
        x[i] = 5.0;
    }
    assert_int_equal(tw_polynomial_fit(ctx, 60, x, y, NULL, 1, &p, NULL), TW_SINGULAR);
    tw_ctx_clear_error(ctx);
    assert_ok(tw_polynomial_fit(ctx, 60, x, y, NULL, 0, &p, NULL), ctx);
    x[7] = (double)NAN;
    assert_int_equal(tw_polynomial_fit(ctx, 60, x, y, NULL, 1, &p, NULL), TW_BAD_ARGUMENT);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(solutions_solve, make_context, drop_context),
        cmocka_unit_test_setup_teardown(inverse_in_place_and_its_condition, make_context, drop_context),
        cmocka_unit_test_setup_teardown(factor_solves_like_solve, make_context, drop_context),
        cmocka_unit_test_setup_teardown(condition_estimate_is_near_the_true_one, make_context, drop_context),
        cmocka_unit_test_setup_teardown(singular_matrices_are_refused, make_context, drop_context),
        cmocka_unit_test_setup_teardown(semidefinite_factor, make_context, drop_context),
        cmocka_unit_test_setup_teardown(least_squares_match_normal_equations, make_context, drop_context),
        cmocka_unit_test_setup_teardown(rows_may_follow_a_solution, make_context, drop_context),
        cmocka_unit_test_setup_teardown(dependent_columns_are_refused, make_context, drop_context),
        cmocka_unit_test_setup_teardown(polynomials_are_found_again, make_context, drop_context),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

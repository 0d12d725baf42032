/* Eigenvalues and vectors against residuals and GSL; the exponential against closed forms and against the eigen route.
 */
#include "testing.h"

#include "tankwright/numeric.h"

#include <float.h>
#include <gsl/gsl_eigen.h>
#include <gsl/gsl_errno.h>
#include <math.h>
#include <string.h>

#define MAX TW_EIGEN_MAX

static int make_context(void **state) {
    gsl_set_error_handler_off();
    *state = tw_ctx_create();
    return *state == NULL;
}

static int drop_context(void **state) {
    tw_ctx_destroy(*state);
    return 0;
}

typedef struct modes {
    double re[MAX], im[MAX], v[MAX * MAX], w[MAX * MAX], condition;
} modes;

static double norm_of(size_t n, const double *a) {
    double sum = 0.0;
    for (size_t i = 0; i < n * n; i++) {
        sum += a[i] * a[i];
    }
    return sqrt(sum);
}

/* Largest element of A V - V D over |A| |v_j|, both measured in the given units of the states (NULL: all 1). */
static double residual(size_t n, const double *a, const modes *m, const double *unit) {
    double scaled[MAX * MAX], worst = 0.0;
    for (size_t i = 0; i < n * n; i++) {
        scaled[i] = unit != NULL ? a[i] * unit[i % n] / unit[i / n] : a[i];
    }
    const double size = norm_of(n, scaled);
    for (size_t j = 0; j < n; j++) {
        double length = 0.0;
        for (size_t i = 0; i < n; i++) {
            length = hypot(length, m->v[i * n + j] / (unit != NULL ? unit[i] : 1.0));
            if (m->im[j] != 0.0) {
                length = hypot(length, m->v[i * n + (m->im[j] > 0.0 ? j + 1 : j - 1)] / (unit != NULL ? unit[i] : 1.0));
            }
        }
        for (size_t i = 0; i < n; i++) {
            /* A u = re u - im w; A w = im u + re w, im that of the pair's upper member */
            const double other = m->im[j] == 0.0 ? 0.0 : m->v[i * n + (m->im[j] > 0.0 ? j + 1 : j - 1)];
            double sum = m->im[j] * other - m->re[j] * m->v[i * n + j];
            for (size_t k = 0; k < n; k++) {
                sum += a[i * n + k] * m->v[k * n + j];
            }
            worst = fmax(worst, fabs(sum) / (unit != NULL ? unit[i] : 1.0) / (size * length));
        }
    }
    return worst;
}

static void random_matrices_have_small_residuals(void **state) {
    tw_random r = {41};
    for (int trial = 0; trial < 3000; trial++) {
        const size_t n = 1 + tw_random_below(&r, trial % 10 == 0 ? MAX : 8);
        double a[MAX * MAX], unit[MAX * MAX];
        for (size_t i = 0; i < n * n; i++) {
            a[i] = tw_random_below(&r, 4) == 0 ? 0.0 : tw_random_normal(&r);
        }
        modes m;
        const tw_status status = tw_eigen_decompose(*state, n, a, m.re, m.im, m.v, m.w, &m.condition);
        if (status == TW_SINGULAR) { /* sparse random matrices are sometimes defective */
            tw_ctx_clear_error(*state);
            continue;
        }
        assert_int_equal(status, TW_OK);
        if (m.condition > 1e6) {
            continue;
        }
        assert_true(residual(n, a, &m, NULL) < 20.0 * (double)n * DBL_EPSILON);
        tw_matrix_multiply(n, n, n, m.w, m.v, unit);
        for (size_t i = 0; i < n * n; i++) {
            assert_close(unit[i], i / n == i % n ? 1.0 : 0.0, 0.0, 100.0 * DBL_EPSILON * m.condition);
        }
    }
}

/* Eigenvalues of GSL (balanced) that lie nearest to ours. */
static double distance_to_gsl(size_t n, const double *a, const modes *m) {
    gsl_matrix *g = gsl_matrix_alloc(n, n);
    gsl_vector_complex *values = gsl_vector_complex_alloc(n);
    gsl_eigen_nonsymm_workspace *work = gsl_eigen_nonsymm_alloc(n);
    gsl_eigen_nonsymm_params(0, 1, work);
    memcpy(g->data, a, n * n * sizeof *a);
    const int code = gsl_eigen_nonsymm(g, values, work);
    double worst = code == GSL_SUCCESS ? 0.0 : (double)INFINITY;
    for (size_t j = 0; j < n; j++) {
        double nearest = (double)INFINITY;
        for (size_t k = 0; k < n; k++) {
            const gsl_complex z = gsl_vector_complex_get(values, k);
            nearest = fmin(nearest, hypot(GSL_REAL(z) - m->re[j], GSL_IMAG(z) - m->im[j]));
        }
        worst = fmax(worst, nearest);
    }
    gsl_eigen_nonsymm_free(work);
    gsl_vector_complex_free(values);
    gsl_matrix_free(g);
    return worst;
}

static void eigenvalues_agree_with_gsl(void **state) {
    tw_random r = {43};
    for (int trial = 0; trial < 1500; trial++) {
        const size_t n = 2 + tw_random_below(&r, 10);
        double a[MAX * MAX];
        for (size_t i = 0; i < n * n; i++) {
            a[i] = tw_random_normal(&r);
        }
        modes m;
        assert_ok(tw_eigen_decompose(*state, n, a, m.re, m.im, m.v, m.w, &m.condition), *state);
        assert_true(distance_to_gsl(n, a, &m) <= 30.0 * DBL_EPSILON * norm_of(n, a) * m.condition);
    }
}

/* Series tank with a snubber and a coupled pan in SI units: elements from 1e-1 to 1e8. States: coil current, tank
 * voltage, midpoint voltage, pan current. */
static void tank_matrix(tw_random *r, double a[16], double *trace) {
    const double l = tw_random_log_uniform(r, 1e-5, 1e-3), c = tw_random_log_uniform(r, 1e-7, 3e-6);
    const double cm = tw_random_log_uniform(r, 1e-10, 1e-7), res = tw_random_log_uniform(r, 1e-2, 10.0);
    const double lm = l * tw_random_uniform(r, 0.1, 0.8), ls = l - lm, r2 = tw_random_log_uniform(r, 0.1, 100.0);
    const double leak = tw_random_log_uniform(r, 1e3, 1e9);
    const double want[16] = {-res / ls,
                             -1.0 / ls,
                             1.0 / ls,
                             -r2 / ls, /* coil */
                             1.0 / c,
                             0.0,
                             0.0,
                             0.0, /* tank capacitor */
                             -1.0 / cm,
                             0.0,
                             -1.0 / (leak * cm),
                             0.0, /* midpoint */
                             -res / ls,
                             -1.0 / ls,
                             1.0 / ls,
                             -r2 / ls - r2 / lm}; /* pan */
    memcpy(a, want, sizeof want);
    *trace = a[0] + a[10] + a[15];
}

/* Units in which coil current, both voltages and pan current have like sizes. */
static void natural_units(const double a[16], double unit[4]) {
    unit[0] = unit[3] = 1.0;
    unit[1] = sqrt(a[4] / fabs(a[1]));
    unit[2] = sqrt(fabs(a[8] / a[2]));
}

static void circuit_matrices_keep_every_decade(void **state) {
    tw_random r = {47};
    for (int trial = 0; trial < 2000; trial++) {
        double a[16], trace;
        tank_matrix(&r, a, &trace);
        modes m;
        assert_ok(tw_eigen_decompose(*state, 4, a, m.re, m.im, m.v, m.w, &m.condition), *state);
        double unit[4];
        natural_units(a, unit);
        assert_true(residual(4, a, &m, unit) < 50.0 * DBL_EPSILON);
        double sum = 0.0, size = 0.0;
        for (size_t j = 0; j < 4; j++) {
            sum += m.re[j];
            size += fabs(m.re[j]) + fabs(m.im[j]);
        }
        assert_close(sum, trace, 0.0, 1e-14 * size);
    }
}

/* T D T^-1 with eigenvalues over nine decades and T triangular, so that they stand in closed form; scaled rows and
 * columns. */
static void eigenvalues_over_nine_decades(void **state) {
    tw_random r = {53};
    for (int trial = 0; trial < 500; trial++) {
        static const double VALUE[5] = {-1e9, -3.3e6, -2.7e4, -150.0, -0.75};
        double a[25] = {0}, scale[5];
        for (size_t i = 0; i < 5; i++) {
            scale[i] = tw_random_log_uniform(&r, 1e-4, 1e4);
        }
        for (size_t i = 0; i < 5; i++) {
            a[i * 5 + i] = VALUE[i];
            for (size_t j = i + 1; j < 5; j++) { /* graded: coupling of the size of the slower mode */
                a[i * 5 + j] = tw_random_normal(&r) * VALUE[j] * scale[i] / scale[j];
                a[j * 5 + i] = tw_random_normal(&r) * 1e-9 * VALUE[j] * scale[j] / scale[i];
            }
        }
        modes m;
        assert_ok(tw_eigen_decompose(*state, 5, a, m.re, m.im, m.v, m.w, &m.condition), *state);
        for (size_t k = 0; k < 5; k++) {
            double nearest = (double)INFINITY;
            for (size_t j = 0; j < 5; j++) {
                nearest = fmin(nearest, hypot(m.re[j] - VALUE[k], m.im[j]));
            }
            assert_true(nearest < 1e-7 * fabs(VALUE[k])); /* the couplings shift them by 1e-9 or so */
        }
    }
}

static void special_matrices(void **state) {
    tw_ctx *ctx = *state;
    modes m;
    const double zero[9] = {0.0};
    assert_ok(tw_eigen_decompose(ctx, 3, zero, m.re, m.im, m.v, m.w, &m.condition), ctx);
    assert_true(m.re[0] == 0.0 && m.im[2] == 0.0);
    assert_close(m.condition, 1.0, 1e-15, 0.0);
    const double cyclic[16] = {0, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 1, 0, 0, 0}; /* needs the exceptional shifts */
    assert_ok(tw_eigen_decompose(ctx, 4, cyclic, m.re, m.im, m.v, m.w, NULL), ctx);
    for (size_t j = 0; j < 4; j++) {
        assert_close(hypot(m.re[j], m.im[j]), 1.0, 1e-14, 0.0);
    }
    const double jordan[4] = {2, 1, 0, 2};
    const tw_status status = tw_eigen_decompose(ctx, 2, jordan, m.re, m.im, m.v, m.w, &m.condition);
    assert_true(status == TW_SINGULAR || m.condition > 1e14);
    tw_ctx_clear_error(ctx);
    double many[(MAX + 1) * (MAX + 1)] = {0.0};
    assert_int_equal(tw_eigen_decompose(ctx, MAX + 1, many, m.re, m.im, m.v, m.w, NULL), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_eigen_decompose(ctx, 0, many, m.re, m.im, m.v, m.w, NULL), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    many[2] = (double)INFINITY;
    assert_int_equal(tw_eigen_decompose(ctx, 2, many, m.re, m.im, m.v, m.w, NULL), TW_BAD_ARGUMENT);
}

static void exponentials_in_closed_form(void **state) {
    tw_ctx *ctx = *state;
    double e[16];
    const double turn[4] = {0, -3.7, 3.7, 0};
    assert_ok(tw_matrix_exp(ctx, 2, turn, 11.0, e), ctx);
    assert_close(e[0], cos(40.7), 0.0, 1e-14);
    assert_close(e[1], -sin(40.7), 0.0, 1e-14);
    const double nilpotent[9] = {0, 1, 2, 0, 0, 3, 0, 0, 0};
    assert_ok(tw_matrix_exp(ctx, 3, nilpotent, 2.0, e), ctx);
    assert_close(e[1], 2.0, 1e-15, 0.0);
    assert_close(e[2], 4.0 + 6.0, 1e-15, 0.0); /* t a13 + t^2 a12 a23 / 2 */
    const double jordan[4] = {-5, 1, 0, -5};   /* defective: the eigen route has no vectors here */
    assert_ok(tw_matrix_exp(ctx, 2, jordan, 0.3, e), ctx);
    assert_close(e[0], exp(-1.5), 1e-14, 0.0);
    assert_close(e[1], 0.3 * exp(-1.5), 1e-14, 0.0);
    /* Moler & Van Loan, SIAM Rev. 45 (2003), example 2: eigenvalues -1 and -17 behind large cancelling elements */
    const double hard[4] = {-49, 24, -64, 31};
    assert_ok(tw_matrix_exp(ctx, 2, hard, 1.0, e), ctx);
    assert_close(e[0], -2.0 * exp(-1.0) + 3.0 * exp(-17.0), 1e-13, 0.0);
    assert_close(e[3], 3.0 * exp(-1.0) - 2.0 * exp(-17.0), 1e-13, 0.0);
    assert_ok(tw_matrix_exp(ctx, 2, hard, 0.0, e), ctx);
    assert_true(e[0] == 1.0 && e[1] == 0.0);
}

static void exponential_errors(void **state) {
    tw_ctx *ctx = *state;
    double e[4] = {9, 9, 9, 9};
    const double grows[4] = {1e3, 0, 0, 1e3}, bad[4] = {(double)NAN, 0, 0, 0};
    assert_int_equal(tw_matrix_exp(ctx, 2, grows, 1.0, e), TW_OUT_OF_RANGE);
    assert_true(e[0] == 9 && e[3] == 9);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_matrix_exp(ctx, 2, bad, 1.0, e), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_matrix_exp(ctx, 2, grows, (double)INFINITY, e), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_matrix_exp(ctx, 26, bad, 1.0, e), TW_BAD_ARGUMENT);
}

static void both_routes_to_the_exponential_agree(void **state) {
    tw_random r = {59};
    for (int trial = 0; trial < 1000; trial++) {
        double a[16], trace, by_modes[16], by_pade[16], x0[4], x[4], want[4];
        tank_matrix(&r, a, &trace);
        modes m;
        assert_ok(tw_eigen_decompose(*state, 4, a, m.re, m.im, m.v, m.w, &m.condition), *state);
        if (m.condition > 1e4) {
            continue;
        }
        const double t = tw_random_log_uniform(&r, 1e-9, 1e-4);
        tw_eigen_exp(4, m.re, m.im, m.v, m.w, t, by_modes);
        assert_ok(tw_matrix_exp(*state, 4, a, t, by_pade), *state);
        double unit[4];
        natural_units(a, unit);
        for (size_t i = 0; i < 16; i++) {
            const double to_unit = unit[i / 4] / unit[i % 4];
            assert_close(by_modes[i], by_pade[i], 0.0, 1e-11 * m.condition * to_unit);
        }
        for (size_t i = 0; i < 4; i++) {
            x0[i] = unit[i] * tw_random_normal(&r);
        }
        tw_eigen_apply(4, m.re, m.im, m.v, m.w, t, x0, x);
        tw_matrix_multiply(4, 4, 1, by_pade, x0, want);
        for (size_t i = 0; i < 4; i++) {
            assert_close(x[i], want[i], 0.0, 1e-11 * m.condition * unit[i]);
        }
    }
}

static void exponential_of_a_sum_is_the_product(void **state) {
    tw_random r = {61};
    for (size_t n = 1; n <= TW_EXP_MAX; n++) {
        static double a[TW_EXP_MAX * TW_EXP_MAX], e1[625], e2[625], e3[625], p[625];
        for (size_t i = 0; i < n * n; i++) {
            a[i] = tw_random_normal(&r) / sqrt((double)n);
        }
        assert_ok(tw_matrix_exp(*state, n, a, 0.7, e1), *state);
        assert_ok(tw_matrix_exp(*state, n, a, 2.6, e2), *state);
        assert_ok(tw_matrix_exp(*state, n, a, 3.3, e3), *state);
        tw_matrix_multiply(n, n, n, e1, e2, p);
        const double size = norm_of(n, e1) * norm_of(n, e2);
        for (size_t i = 0; i < n * n; i++) {
            assert_close(p[i], e3[i], 0.0, 1e-14 * size);
        }
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(random_matrices_have_small_residuals, make_context, drop_context),
        cmocka_unit_test_setup_teardown(eigenvalues_agree_with_gsl, make_context, drop_context),
        cmocka_unit_test_setup_teardown(circuit_matrices_keep_every_decade, make_context, drop_context),
        cmocka_unit_test_setup_teardown(eigenvalues_over_nine_decades, make_context, drop_context),
        cmocka_unit_test_setup_teardown(special_matrices, make_context, drop_context),
        cmocka_unit_test_setup_teardown(exponentials_in_closed_form, make_context, drop_context),
        cmocka_unit_test_setup_teardown(exponential_errors, make_context, drop_context),
        cmocka_unit_test_setup_teardown(both_routes_to_the_exponential_agree, make_context, drop_context),
        cmocka_unit_test_setup_teardown(exponential_of_a_sum_is_the_product, make_context, drop_context),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

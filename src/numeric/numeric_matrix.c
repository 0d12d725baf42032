/* Small dense systems: LU with partial pivoting (Golub & Van Loan, 4th ed., alg. 3.4.1), solving with scaling, Cholesky
 * (alg. 4.2.1).
 *
 * Scaling is by powers of two so that it adds no rounding: rows to a largest element in [1, 2), then columns likewise.
 */
#include "numeric_private.h"

#include <float.h>
#include <math.h>
#include <string.h>

bool tw_numeric__lu(size_t n, double *a, size_t *pivot) {
    for (size_t k = 0; k < n; k++) {
        size_t p = k;
        for (size_t i = k + 1; i < n; i++) {
            if (fabs(a[i * n + k]) > fabs(a[p * n + k])) {
                p = i;
            }
        }
        pivot[k] = p;
        const double top = a[p * n + k];
        if (top == 0.0 || !isfinite(top)) {
            return false;
        }
        if (p != k) {
            for (size_t j = 0; j < n; j++) {
                const double t = a[k * n + j];
                a[k * n + j] = a[p * n + j];
                a[p * n + j] = t;
            }
        }
        const double inverse = 1.0 / top;
        for (size_t i = k + 1; i < n; i++) {
            const double f = a[i * n + k] = isfinite(inverse) ? a[i * n + k] * inverse : a[i * n + k] / top;
            if (f != 0.0) {
                for (size_t j = k + 1; j < n; j++) {
                    a[i * n + j] -= f * a[k * n + j];
                }
            }
        }
    }
    return true;
}

void tw_matrix_solve_factored(size_t n, const double *lu, const size_t *pivot, double *b) {
    for (size_t k = 0; k < n; k++) {
        const double t = b[pivot[k]];
        b[pivot[k]] = b[k];
        b[k] = t;
    }
    for (size_t i = 1; i < n; i++) {
        for (size_t j = 0; j < i; j++) {
            b[i] -= lu[i * n + j] * b[j];
        }
    }
    for (size_t i = n; i-- > 0;) {
        for (size_t j = i + 1; j < n; j++) {
            b[i] -= lu[i * n + j] * b[j];
        }
        b[i] /= lu[i * n + i];
    }
}

void tw_numeric__lu_solve_transposed(size_t n, const double *lu, const size_t *pivot, double *b) {
    for (size_t i = 0; i < n; i++) {
        for (size_t j = 0; j < i; j++) {
            b[i] -= lu[j * n + i] * b[j];
        }
        b[i] /= lu[i * n + i];
    }
    for (size_t i = n; i-- > 0;) {
        for (size_t j = i + 1; j < n; j++) {
            b[i] -= lu[j * n + i] * b[j];
        }
    }
    for (size_t k = n; k-- > 0;) {
        const double t = b[pivot[k]];
        b[pivot[k]] = b[k];
        b[k] = t;
    }
}

tw_status tw_matrix_factor(tw_ctx *ctx, size_t n, double *a, size_t *pivot, double *rcond) {
    const double norm = rcond != NULL ? tw_numeric__norm1(n, a) : 0.0;
    if (!tw_numeric__lu(n, a, pivot)) {
        return tw_fail(ctx, TW_SINGULAR, ROOM, "the %zu x %zu matrix is singular or not finite", n, n);
    }
    if (rcond != NULL) {
        double stack[2 * TW_MATRIX_STACK];
        double *work = n <= TW_MATRIX_STACK ? stack : tw_alloc(ctx, 2 * n, sizeof *work);
        if (work == NULL) {
            return TW_NO_MEMORY;
        }
        *rcond = n == 0 ? 1.0 : 1.0 / (norm * tw_numeric__inverse_norm1(n, a, pivot, work));
        if (work != stack) {
            tw_free(work);
        }
    }
    return TW_OK;
}

/* Power of two near 1/x, 1 for x = 0. */
static double power_near_inverse(double x) {
    if (x == 0.0) {
        return 1.0;
    }
    int e;
    (void)frexp(x, &e);
    return ldexp(1.0, 1 - e < 1023 ? 1 - e : 1022);
}

static void scale_rows_and_columns(size_t n, double *a, double *row, double *column) {
    for (size_t i = 0; i < n; i++) {
        double top = 0.0;
        for (size_t j = 0; j < n; j++) {
            top = fmax(top, fabs(a[i * n + j]));
        }
        row[i] = power_near_inverse(top);
        for (size_t j = 0; j < n; j++) {
            a[i * n + j] *= row[i];
        }
    }
    for (size_t j = 0; j < n; j++) {
        double top = 0.0;
        for (size_t i = 0; i < n; i++) {
            top = fmax(top, fabs(a[i * n + j]));
        }
        column[j] = power_near_inverse(top);
        for (size_t i = 0; i < n; i++) {
            a[i * n + j] *= column[j];
        }
    }
}

/* work: n * n + 5 n. Leaves the outputs alone unless it returns TW_OK. */
static tw_status solve_scaled(tw_ctx *ctx, size_t n, const double *a, size_t n_rhs, const double *b, double *x,
                              double *rcond, double *work, size_t *pivot) {
    double *lu = work, *row = lu + n * n, *column = row + n, *rest = column + n, *y = rest + 2 * n;
    memcpy(lu, a, n * n * sizeof *lu);
    scale_rows_and_columns(n, lu, row, column);
    const double norm = tw_numeric__norm1(n, lu);
    if (!tw_numeric__lu(n, lu, pivot)) {
        return tw_fail(ctx, TW_SINGULAR, ROOM, "the %zu x %zu matrix is singular", n, n);
    }
    const double condition = norm * tw_numeric__inverse_norm1(n, lu, pivot, rest);
    if (!(condition * DBL_EPSILON < 1.0)) {
        return tw_fail(ctx, TW_SINGULAR, ROOM, "the %zu x %zu matrix is singular to rounding", n, n);
    }
    for (size_t c = 0; c < n_rhs; c++) {
        for (size_t i = 0; i < n; i++) {
            y[i] = row[i] * (b != NULL ? b[i * n_rhs + c] : (double)(i == c));
        }
        tw_matrix_solve_factored(n, lu, pivot, y);
        for (size_t i = 0; i < n; i++) {
            x[i * n_rhs + c] = column[i] * y[i];
        }
    }
    if (rcond != NULL) {
        *rcond = 1.0 / condition;
    }
    return TW_OK;
}

static tw_status solve_with_room(tw_ctx *ctx, size_t n, const double *a, size_t n_rhs, const double *b, double *x,
                                 double *rcond) {
    TW_TRY(tw_numeric__check_finite(ctx, n * n, a, "matrix"));
    if (n <= TW_MATRIX_STACK) {
        double work[TW_MATRIX_STACK * (TW_MATRIX_STACK + 5)];
        size_t pivot[TW_MATRIX_STACK];
        return n == 0 ? TW_OK : solve_scaled(ctx, n, a, n_rhs, b, x, rcond, work, pivot);
    }
    double *work = tw_alloc(ctx, n, (n + 5) * sizeof *work);
    size_t *pivot = tw_alloc(ctx, n, sizeof *pivot);
    tw_status status = TW_NO_MEMORY;
    if (work != NULL && pivot != NULL) {
        status = solve_scaled(ctx, n, a, n_rhs, b, x, rcond, work, pivot);
    }
    tw_free(work);
    tw_free(pivot);
    return status;
}

tw_status tw_matrix_solve(tw_ctx *ctx, size_t n, const double *a, size_t n_rhs, const double *b, double *x,
                          double *rcond) {
    TW_TRY(tw_numeric__check_finite(ctx, n * n_rhs, b, "right-hand side"));
    return solve_with_room(ctx, n, a, n_rhs, b, x, rcond);
}

tw_status tw_matrix_invert(tw_ctx *ctx, size_t n, const double *a, double *inverse, double *rcond) {
    return solve_with_room(ctx, n, a, n, NULL, inverse, rcond);
}

/* Lower triangle of the Cholesky factor of D A D (unit diagonal) into l. */
static bool factor_unit_diagonal(size_t n, const double *a, double *l, double *d) {
    for (size_t i = 0; i < n; i++) {
        const double diagonal = a[i * n + i];
        if (!(diagonal > 0.0) || !isfinite(diagonal)) {
            return false;
        }
        d[i] = 1.0 / sqrt(diagonal);
    }
    for (size_t j = 0; j < n; j++) {
        for (size_t i = j; i < n; i++) {
            double s = a[i * n + j] * d[i] * d[j];
            for (size_t k = 0; k < j; k++) {
                s -= l[i * n + k] * l[j * n + k];
            }
            if (i > j) {
                l[i * n + j] = s / l[j * n + j];
            } else if (s > (double)n * DBL_EPSILON) {
                l[i * n + i] = sqrt(s);
            } else {
                return false;
            }
        }
    }
    return true;
}

bool tw_numeric__invert_symmetric(size_t n, const double *a, double *inverse, double *work) {
    if (!factor_unit_diagonal(n, a, inverse, work)) {
        return false;
    }
    for (size_t j = 0; j < n; j++) { /* the factor's inverse in its place */
        inverse[j * n + j] = 1.0 / inverse[j * n + j];
        for (size_t i = j + 1; i < n; i++) {
            double s = 0.0;
            for (size_t k = j; k < i; k++) {
                s -= inverse[i * n + k] * inverse[k * n + j];
            }
            inverse[i * n + j] = s / inverse[i * n + i];
        }
    }
    for (size_t j = 0; j < n; j++) { /* L^-T L^-1, then the scaling undone */
        for (size_t i = j; i < n; i++) {
            double s = 0.0;
            for (size_t k = i; k < n; k++) {
                s += inverse[k * n + i] * inverse[k * n + j];
            }
            inverse[j * n + i] = s * work[i] * work[j]; /* upper triangle: not read again by later i, k >= i */
        }
    }
    for (size_t i = 0; i < n; i++) {
        for (size_t j = 0; j < i; j++) {
            inverse[i * n + j] = inverse[j * n + i];
        }
    }
    return true;
}

tw_status tw_matrix_invert_symmetric(tw_ctx *ctx, size_t n, const double *a, double *inverse) {
    double *work = tw_alloc(ctx, n, (n + 1) * sizeof *work);
    if (work == NULL) {
        return TW_NO_MEMORY;
    }
    tw_status status = TW_OK;
    if (tw_numeric__invert_symmetric(n, a, work, work + n * n)) {
        memcpy(inverse, work, n * n * sizeof *work);
    } else {
        status = tw_fail(ctx, TW_SINGULAR, ROOM, "the %zu x %zu matrix is not positive definite", n, n);
    }
    tw_free(work);
    return status;
}

/* Column j of the semidefinite factor; false where a is indefinite. */
static bool semidefinite_column(size_t n, const double *a, double *l, size_t j) {
    const double tolerance = 64.0 * (double)n * DBL_EPSILON;
    double d = a[j * n + j];
    for (size_t k = 0; k < j; k++) {
        d -= l[j * n + k] * l[j * n + k];
    }
    const double least = tolerance * a[j * n + j];
    if (a[j * n + j] < 0.0 || d < -least) {
        return false;
    }
    const bool gone = d <= least;
    l[j * n + j] = gone ? 0.0 : sqrt(d);
    for (size_t i = j + 1; i < n; i++) {
        double s = a[i * n + j];
        for (size_t k = 0; k < j; k++) {
            s -= l[i * n + k] * l[j * n + k];
        }
        if (gone && fabs(s) > 2.0 * sqrt(tolerance * fabs(a[j * n + j] * a[i * n + i]))) {
            return false;
        }
        l[i * n + j] = gone ? 0.0 : s / l[j * n + j];
        l[j * n + i] = 0.0;
    }
    return true;
}

tw_status tw_matrix_cholesky(tw_ctx *ctx, size_t n, const double *a, double *l) {
    TW_TRY(tw_numeric__check_finite(ctx, n * n, a, "matrix"));
    double *work = tw_alloc(ctx, n, n * sizeof *work);
    if (work == NULL) {
        return TW_NO_MEMORY;
    }
    tw_status status = TW_OK;
    for (size_t j = 0; j < n && status == TW_OK; j++) {
        if (!semidefinite_column(n, a, work, j)) {
            status = tw_fail(ctx, TW_BAD_DATA, ROOM, "the %zu x %zu matrix is not positive semidefinite", n, n);
        }
    }
    if (status == TW_OK) {
        memcpy(l, work, n * n * sizeof *work);
    }
    tw_free(work);
    return status;
}

/* 1-norm of a matrix and of its inverse.
 *
 * The inverse's norm is estimated from LU factors by Hager's method (W. W. Hager, SIAM J. Sci. Stat. Comput. 5 (1984)
 * 311) with Higham's extra test vector (N. J. Higham, ACM TOMS 14 (1988) 381): a lower bound, rarely off by more
 * than 3.
 */
#include "numeric_private.h"

#include <math.h>
#include <string.h>

double tw_numeric__norm1(size_t n, const double *a) {
    double norm = 0.0;
    for (size_t j = 0; j < n; j++) {
        double sum = 0.0;
        for (size_t i = 0; i < n; i++) {
            sum += fabs(a[i * n + j]);
        }
        norm = fmax(norm, sum);
    }
    return norm;
}

static double sum_of_moduli(size_t n, const double *x) {
    double sum = 0.0;
    for (size_t i = 0; i < n; i++) {
        sum += fabs(x[i]);
    }
    return sum;
}

static size_t largest(size_t n, const double *x) {
    size_t at = 0;
    for (size_t i = 1; i < n; i++) {
        if (fabs(x[i]) > fabs(x[at])) {
            at = i;
        }
    }
    return at;
}

/* Higham's alternating vector guards against cases where Hager's walk stops early. */
static double alternating_estimate(size_t n, const double *lu, const size_t *pivot, double *x) {
    for (size_t i = 0; i < n; i++) {
        const double size = 1.0 + (n > 1 ? (double)i / (double)(n - 1) : 0.0);
        x[i] = i % 2 == 0 ? size : -size;
    }
    tw_matrix_solve_factored(n, lu, pivot, x);
    return 2.0 * sum_of_moduli(n, x) / (3.0 * (double)n);
}

double tw_numeric__inverse_norm1(size_t n, const double *lu, const size_t *pivot, double *work) {
    double *x = work, *z = work + n;
    for (size_t i = 0; i < n; i++) {
        x[i] = 1.0 / (double)n;
    }
    double estimate = 0.0;
    for (int step = 0; step < 5; step++) {
        tw_matrix_solve_factored(n, lu, pivot, x);
        const double now = sum_of_moduli(n, x);
        if (step > 0 && now <= estimate) {
            break;
        }
        estimate = now;
        for (size_t i = 0; i < n; i++) {
            z[i] = x[i] >= 0.0 ? 1.0 : -1.0;
        }
        tw_numeric__lu_solve_transposed(n, lu, pivot, z);
        const size_t j = largest(n, z);
        memset(x, 0, n * sizeof *x);
        x[j] = 1.0;
    }
    return fmax(estimate, alternating_estimate(n, lu, pivot, x));
}

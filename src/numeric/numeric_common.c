/* Checks that the whole room uses, and the matrix product. */
#include "numeric_private.h"

#include <math.h>
#include <string.h>

double _Complex tw_complex(double re, double im) {
    const double parts[2] = {re, im}; /* C17 6.2.5/13: a complex number is laid out as such an array */
    double _Complex z;
    memcpy(&z, parts, sizeof z);
    return z;
}

tw_status tw_numeric__check_finite(tw_ctx *ctx, size_t n, const double *x, const char *what) {
    for (size_t i = 0; i < n; i++) {
        if (!isfinite(x[i])) {
            return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "%s: number %zu is not finite", what, i + 1);
        }
    }
    return TW_OK;
}

void tw_matrix_multiply(size_t m, size_t k, size_t n, const double *a, const double *b, double *c) {
    for (size_t i = 0; i < m; i++) {
        for (size_t j = 0; j < n; j++) {
            c[i * n + j] = 0.0;
        }
        for (size_t l = 0; l < k; l++) {
            const double f = a[i * k + l];
            for (size_t j = 0; j < n; j++) {
                c[i * n + j] += f * b[l * n + j];
            }
        }
    }
}

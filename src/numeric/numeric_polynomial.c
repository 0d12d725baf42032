/* Polynomial fit in a centred, scaled variable, so that powers of x do not spoil the condition. */
#include "numeric_private.h"

#include <math.h>

static tw_status gather_rows(tw_ctx *ctx, size_t n, const double *x, const double *y, const double *weight,
                             const tw_polynomial *p, tw_lsq *q) {
    double row[TW_POLYNOMIAL_MAX_DEGREE + 1];
    for (size_t i = 0; i < n; i++) {
        const double z = (x[i] - p->centre) / p->scale;
        row[0] = 1.0;
        for (size_t k = 1; k <= p->degree; k++) {
            row[k] = row[k - 1] * z;
        }
        TW_TRY(tw_lsq_add(ctx, q, row, y[i], weight != NULL ? weight[i] : 1.0));
    }
    return TW_OK;
}

tw_status tw_polynomial_fit(tw_ctx *ctx, size_t n, const double *x, const double *y, const double *weight,
                            size_t degree, tw_polynomial *out, double *chi_square) {
    if (degree > TW_POLYNOMIAL_MAX_DEGREE) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "polynomial of degree %zu, at most %d", degree,
                       TW_POLYNOMIAL_MAX_DEGREE);
    }
    if (n <= degree) {
        return tw_fail(ctx, TW_BAD_DATA, ROOM, "%zu points for a polynomial of degree %zu", n, degree);
    }
    TW_TRY(tw_numeric__check_finite(ctx, n, x, "x"));
    double low = x[0], high = x[0];
    for (size_t i = 1; i < n; i++) {
        low = fmin(low, x[i]);
        high = fmax(high, x[i]);
    }
    tw_polynomial p = {.degree = degree, .centre = low + (high - low) / 2.0, .scale = (high - low) / 2.0};
    p.scale = p.scale > 0.0 ? p.scale : 1.0;
    tw_lsq *q = NULL;
    TW_TRY(tw_lsq_create(ctx, degree + 1, &q));
    tw_lsq_info info;
    tw_status status = gather_rows(ctx, n, x, y, weight, &p, q);
    if (status == TW_OK) {
        status = tw_lsq_solve(ctx, q, p.coefficient, NULL, &info);
    }
    tw_lsq_destroy(q);
    if (status == TW_OK) {
        *out = p;
        if (chi_square != NULL) {
            *chi_square = info.chi_square;
        }
    }
    return status;
}

double tw_polynomial_value(const tw_polynomial *p, double x) {
    const double z = (x - p->centre) / p->scale;
    double sum = 0.0;
    for (size_t k = p->degree + 1; k-- > 0;) {
        sum = sum * z + p->coefficient[k];
    }
    return sum;
}

double tw_polynomial_slope(const tw_polynomial *p, double x) {
    const double z = (x - p->centre) / p->scale;
    double sum = 0.0;
    for (size_t k = p->degree; k > 0; k--) {
        sum = sum * z + (double)k * p->coefficient[k];
    }
    return sum / p->scale;
}

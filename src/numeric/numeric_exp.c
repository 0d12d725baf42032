/* Matrix exponential: scaling and squaring with the [13/13] Pade approximant (N. J. Higham, SIAM J. Matrix Anal. Appl.
 * 26 (2005) 1179, algorithm 2.3), on the balanced matrix.
 *
 * theta_13 = 5.3719 is the largest 1-norm for which the approximant's backward error stays below the unit roundoff
 * (table 2.3 there). Weak region: very large norms of strongly non-normal matrices, where squaring amplifies rounding.
 */
#include "numeric_private.h"

#include <math.h>
#include <string.h>

#define MAX (TW_EXP_MAX * TW_EXP_MAX)
#define THETA_13 5.371920351148152

/* Coefficients of the [13/13] approximant's numerator, lowest power first (eq. 2.5 there). */
static const double B[14] = {64764752532480000.0,
                             32382376266240000.0,
                             7771770303897600.0,
                             1187353796428800.0,
                             129060195264000.0,
                             10559470521600.0,
                             670442572800.0,
                             33522128640.0,
                             1323241920.0,
                             40840800.0,
                             960960.0,
                             16380.0,
                             182.0,
                             1.0};

/* out = b6 A6 + b4 A4 + b2 A2 + b0 I */
static void combine(size_t n, const double *a2, const double *a4, const double *a6, const double b[4], double *out) {
    for (size_t i = 0; i < n * n; i++) {
        out[i] = b[3] * a6[i] + b[2] * a4[i] + b[1] * a2[i];
    }
    for (size_t i = 0; i < n; i++) {
        out[i * n + i] += b[0];
    }
}

/* Numerator p = V + U and denominator q = V - U. */
static void pade(size_t n, const double *a, double *p, double *q) {
    double a2[MAX], a4[MAX], a6[MAX], high[MAX], low[MAX];
    tw_matrix_multiply(n, n, n, a, a, a2);
    tw_matrix_multiply(n, n, n, a2, a2, a4);
    tw_matrix_multiply(n, n, n, a4, a2, a6);
    combine(n, a2, a4, a6, (const double[4]){0.0, B[9], B[11], B[13]}, high);
    tw_matrix_multiply(n, n, n, a6, high, p);
    combine(n, a2, a4, a6, (const double[4]){B[1], B[3], B[5], B[7]}, low);
    for (size_t i = 0; i < n * n; i++) {
        low[i] += p[i];
    }
    tw_matrix_multiply(n, n, n, a, low, p); /* U: odd powers */
    combine(n, a2, a4, a6, (const double[4]){0.0, B[8], B[10], B[12]}, high);
    tw_matrix_multiply(n, n, n, a6, high, q);
    combine(n, a2, a4, a6, (const double[4]){B[0], B[2], B[4], B[6]}, low); /* V: even powers, with q */
    for (size_t i = 0; i < n * n; i++) {
        const double u = p[i], v = q[i] + low[i];
        p[i] = v + u;
        q[i] = v - u;
    }
}

/* e = exp(a), a spoilt. */
static bool exponential(size_t n, double *a, double *e) {
    const double norm = tw_numeric__norm1(n, a);
    int squarings = 0;
    if (norm > THETA_13) {
        (void)frexp(norm / THETA_13, &squarings);
        const double f = ldexp(1.0, -squarings);
        for (size_t i = 0; i < n * n; i++) {
            a[i] *= f;
        }
    }
    double q[MAX], column[TW_EXP_MAX];
    size_t pivot[TW_EXP_MAX];
    pade(n, a, e, q);
    if (!tw_numeric__lu(n, q, pivot)) {
        return false;
    }
    for (size_t j = 0; j < n; j++) {
        for (size_t i = 0; i < n; i++) {
            column[i] = e[i * n + j];
        }
        tw_matrix_solve_factored(n, q, pivot, column);
        for (size_t i = 0; i < n; i++) {
            e[i * n + j] = column[i];
        }
    }
    for (int k = 0; k < squarings; k++) {
        memcpy(q, e, n * n * sizeof *q);
        tw_matrix_multiply(n, n, n, q, q, e);
    }
    return true;
}

tw_status tw_matrix_exp(tw_ctx *ctx, size_t n, const double *a, double t, double *result) {
    if (n == 0 || n > TW_EXP_MAX || !isfinite(t)) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "exponential of a %zu x %zu matrix (1 to %d rows) at t = %g", n, n,
                       TW_EXP_MAX, t);
    }
    TW_TRY(tw_numeric__check_finite(ctx, n * n, a, "matrix"));
    double scaled[MAX], e[MAX];
    for (size_t i = 0; i < n * n; i++) {
        scaled[i] = a[i] * t;
    }
    tw_balance balance;
    tw_numeric__balance(n, scaled, &balance);
    bool good = isfinite(tw_numeric__norm1(n, scaled)) && exponential(n, scaled, e);
    if (good) {
        tw_numeric__unbalance_rows(n, &balance, e);
        tw_numeric__unbalance_columns(n, &balance, e);
        for (size_t i = 0; i < n * n; i++) {
            good = good && isfinite(e[i]);
        }
    }
    if (!good) {
        return tw_fail(ctx, TW_OUT_OF_RANGE, ROOM, "the exponential of a %zu x %zu matrix overflows", n, n);
    }
    memcpy(result, e, n * n * sizeof *result);
    return TW_OK;
}

/* Linear least squares on rows that arrive one by one.
 *
 * Rows (with y as a last column, both times sqrt(weight)) fill a block; a full block is reduced to its triangle by
 * Householder QR (Golub & Van Loan, 4th ed., alg. 5.2.1) and the triangle stays on top of the next block: memory is
 * independent of the number of rows, and no normal equations square the condition. The solution uses a one-sided Jacobi
 * SVD of the triangle with columns scaled to unit length (Golub & Van Loan, 8.6.3): its singular values show what the
 * data do not determine.
 */
#include "numeric_private.h"

#include <math.h>
#include <string.h>

#define LEAST_SINGULAR 1e-13 /* of the largest, scaled columns: below, columns count as dependent; a thousand eps */

struct tw_lsq {
    size_t n_cols, width; /* width = n_cols + 1 */
    size_t capacity, used;
    size_t n_rows;
    double *block; /* capacity x width */
    double *g, *v; /* n_cols x n_cols, scratch of the SVD */
    double *scale, *sigma, *x;
};

tw_status tw_lsq_create(tw_ctx *ctx, size_t n_cols, tw_lsq **out) {
    if (n_cols == 0 || n_cols > 4096) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "least squares with %zu unknowns, wanted 1 to 4096", n_cols);
    }
    tw_lsq *q = tw_alloc(ctx, 1, sizeof *q);
    if (q == NULL) {
        return TW_NO_MEMORY;
    }
    q->n_cols = n_cols;
    q->width = n_cols + 1;
    q->capacity = q->width + (q->width > 64 ? q->width : 64);
    q->block = tw_alloc(ctx, q->capacity, q->width * sizeof *q->block);
    q->g = tw_alloc(ctx, 2 * n_cols, n_cols * sizeof *q->g);
    q->scale = tw_alloc(ctx, 3 * n_cols, sizeof *q->scale);
    if (q->block == NULL || q->g == NULL || q->scale == NULL) {
        tw_lsq_destroy(q);
        return TW_NO_MEMORY;
    }
    q->v = q->g + n_cols * n_cols;
    q->sigma = q->scale + n_cols;
    q->x = q->sigma + n_cols;
    *out = q;
    return TW_OK;
}

void tw_lsq_destroy(tw_lsq *lsq) {
    if (lsq != NULL) {
        tw_free(lsq->block);
        tw_free(lsq->g);
        tw_free(lsq->scale);
        tw_free(lsq);
    }
}

/* Column k of the block made zero below row k. */
static void reflect_column(tw_lsq *q, size_t k) {
    const size_t w = q->width;
    double *b = q->block;
    double top = 0.0;
    for (size_t i = k; i < q->used; i++) {
        top = fmax(top, fabs(b[i * w + k]));
    }
    if (top == 0.0) {
        return;
    }
    double squares = 0.0;
    for (size_t i = k; i < q->used; i++) {
        const double t = b[i * w + k] / top;
        squares += t * t;
    }
    const double head = b[k * w + k];
    const double alpha = head > 0.0 ? -top * sqrt(squares) : top * sqrt(squares);
    const double u = head - alpha; /* first element of the reflector; the others stand in the column */
    for (size_t j = k + 1; j < w; j++) {
        double f = b[k * w + j];
        for (size_t i = k + 1; i < q->used; i++) {
            f += b[i * w + k] / u * b[i * w + j];
        }
        f *= -u / alpha; /* 2 / (v^T v) with v = (1, column / u) */
        b[k * w + j] -= f;
        for (size_t i = k + 1; i < q->used; i++) {
            b[i * w + j] -= f * (b[i * w + k] / u);
        }
    }
    b[k * w + k] = alpha;
    for (size_t i = k + 1; i < q->used; i++) {
        b[i * w + k] = 0.0;
    }
}

static void compress(tw_lsq *q) {
    for (size_t k = 0; k < q->width && k + 1 < q->used; k++) {
        reflect_column(q, k);
    }
    if (q->used > q->width) {
        q->used = q->width;
    }
}

tw_status tw_lsq_add(tw_ctx *ctx, tw_lsq *lsq, const double *row, double y, double weight) {
    if (!isfinite(y) || !isfinite(weight) || weight < 0.0) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "least squares: y = %g with weight %g", y, weight);
    }
    TW_TRY(tw_numeric__check_finite(ctx, lsq->n_cols, row, "row of the least-squares system"));
    if (weight == 0.0) {
        return TW_OK;
    }
    if (lsq->used == lsq->capacity) {
        compress(lsq);
    }
    const double root = sqrt(weight);
    double *to = lsq->block + lsq->used * lsq->width;
    for (size_t j = 0; j < lsq->n_cols; j++) {
        to[j] = row[j] * root;
    }
    to[lsq->n_cols] = y * root;
    lsq->used++;
    lsq->n_rows++;
    return TW_OK;
}

/* Makes columns i and j of g orthogonal; the rotation goes into v. Returns true where it had to turn. */
static bool rotate(size_t n, double *g, double *v, size_t i, size_t j) {
    double aa = 0.0, bb = 0.0, ab = 0.0;
    for (size_t k = 0; k < n; k++) {
        aa += g[k * n + i] * g[k * n + i];
        bb += g[k * n + j] * g[k * n + j];
        ab += g[k * n + i] * g[k * n + j];
    }
    if (fabs(ab) <= 1e-15 * sqrt(aa * bb) || ab == 0.0) {
        return false;
    }
    const double zeta = (bb - aa) / (2.0 * ab);
    const double t = (zeta >= 0.0 ? 1.0 : -1.0) / (fabs(zeta) + hypot(1.0, zeta));
    const double c = 1.0 / sqrt(1.0 + t * t), s = c * t;
    for (size_t k = 0; k < n; k++) {
        const double x = g[k * n + i], y = g[k * n + j];
        g[k * n + i] = c * x - s * y;
        g[k * n + j] = s * x + c * y;
        const double p = v[k * n + i], q = v[k * n + j];
        v[k * n + i] = c * p - s * q;
        v[k * n + j] = s * p + c * q;
    }
    return true;
}

/* g = R D (unit columns) becomes U S; v the right vectors, sigma the singular values. */
static void decompose(tw_lsq *q) {
    const size_t n = q->n_cols;
    for (size_t j = 0; j < n; j++) {
        double squares = 0.0;
        for (size_t i = 0; i < n; i++) {
            const double r = i <= j && i < q->used ? q->block[i * q->width + j] : 0.0;
            q->g[i * n + j] = r;
            q->v[i * n + j] = i == j ? 1.0 : 0.0;
            squares += r * r;
        }
        q->scale[j] = squares > 0.0 ? 1.0 / sqrt(squares) : 1.0;
        for (size_t i = 0; i < n; i++) {
            q->g[i * n + j] *= q->scale[j];
        }
    }
    bool turned = true;
    for (int sweep = 0; turned && sweep < 60; sweep++) {
        turned = false;
        for (size_t i = 0; i + 1 < n; i++) {
            for (size_t j = i + 1; j < n; j++) {
                turned |= rotate(n, q->g, q->v, i, j);
            }
        }
    }
    for (size_t j = 0; j < n; j++) {
        double squares = 0.0;
        for (size_t i = 0; i < n; i++) {
            squares += q->g[i * n + j] * q->g[i * n + j];
        }
        q->sigma[j] = sqrt(squares);
    }
}

/* x = D V S^-1 U^T z with z the reduced right-hand side. */
static void solution(tw_lsq *q) {
    const size_t n = q->n_cols;
    memset(q->x, 0, n * sizeof *q->x);
    for (size_t j = 0; j < n; j++) {
        double f = 0.0;
        for (size_t i = 0; i < n; i++) {
            f += q->g[i * n + j] * q->block[i * q->width + n];
        }
        f /= q->sigma[j] * q->sigma[j];
        for (size_t i = 0; i < n; i++) {
            q->x[i] += q->scale[i] * q->v[i * n + j] * f;
        }
    }
}

static void covariance_of(const tw_lsq *q, double *c) {
    const size_t n = q->n_cols;
    for (size_t i = 0; i < n; i++) {
        for (size_t j = 0; j <= i; j++) {
            double s = 0.0;
            for (size_t k = 0; k < n; k++) {
                s += q->v[i * n + k] / q->sigma[k] * (q->v[j * n + k] / q->sigma[k]);
            }
            c[i * n + j] = c[j * n + i] = s * q->scale[i] * q->scale[j];
        }
    }
}

tw_status tw_numeric__lsq_solve(tw_lsq *lsq, double *x, double *covariance, tw_lsq_info *info) {
    const size_t n = lsq->n_cols;
    compress(lsq);
    decompose(lsq);
    double largest = 0.0, smallest = (double)INFINITY;
    for (size_t j = 0; j < n; j++) {
        largest = fmax(largest, lsq->sigma[j]);
        smallest = fmin(smallest, lsq->sigma[j]);
    }
    if (lsq->n_rows < n || !(smallest > LEAST_SINGULAR * largest)) {
        return TW_SINGULAR;
    }
    solution(lsq);
    memcpy(x, lsq->x, n * sizeof *x);
    if (covariance != NULL) {
        covariance_of(lsq, covariance);
    }
    if (info != NULL) {
        const double rest = lsq->used > n ? lsq->block[n * lsq->width + n] : 0.0;
        *info = (tw_lsq_info){.n_rows = lsq->n_rows,
                              .rank = n,
                              .condition = largest / smallest,
                              .chi_square = rest * rest,
                              .residual_rms = fabs(rest) / sqrt((double)lsq->n_rows)};
    }
    return TW_OK;
}

tw_status tw_lsq_solve(tw_ctx *ctx, tw_lsq *lsq, double *x, double *covariance, tw_lsq_info *info) {
    if (tw_numeric__lsq_solve(lsq, x, covariance, info) != TW_OK) {
        return tw_fail(ctx, TW_SINGULAR, ROOM, "least squares: %zu rows do not determine %zu unknowns", lsq->n_rows,
                       lsq->n_cols);
    }
    return TW_OK;
}

tw_status tw_lsq_solve_matrix(tw_ctx *ctx, size_t n_rows, size_t n_cols, const double *a, const double *y,
                              const double *weight, double *x, double *covariance, tw_lsq_info *info) {
    tw_lsq *q = NULL;
    TW_TRY(tw_lsq_create(ctx, n_cols, &q));
    tw_status status = TW_OK;
    for (size_t i = 0; i < n_rows && status == TW_OK; i++) {
        status = tw_lsq_add(ctx, q, a + i * n_cols, y[i], weight != NULL ? weight[i] : 1.0);
    }
    if (status == TW_OK) {
        status = tw_lsq_solve(ctx, q, x, covariance, info);
    }
    tw_lsq_destroy(q);
    return status;
}

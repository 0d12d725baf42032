/* Eigenvalues, eigenvectors and their inverse for small real matrices: balancing, Schur form, back substitution for the
 * vectors of the triangular form (Handbook II, 1971, II/15, second half of hqr2), LU for the inverse.
 *
 * Complex pairs stay real: two columns hold real and imaginary part, so all later work is real arithmetic.
 */
#include "numeric_private.h"

#include <float.h>
#include <math.h>
#include <string.h>

#define H(i, j) h[(i)*n + (j)]

typedef struct pair {
    double re, im;
} pair;

/* (ar + j ai) / (br + j bi), R. L. Smith's way. */
static pair divide(double ar, double ai, double br, double bi) {
    if (fabs(br) >= fabs(bi)) {
        const double r = bi / br, d = br + r * bi;
        return (pair){(ar + r * ai) / d, (ai - r * ar) / d};
    }
    const double r = br / bi, d = bi + r * br;
    return (pair){(r * ar + ai) / d, (r * ai - ar) / d};
}

/* Keeps a growing solution from overflowing: column(s) scaled once t gets large. */
static void hold_down(size_t n, double *h, size_t i, size_t end, size_t first, size_t last, double t) {
    if (DBL_EPSILON * t * t > 1.0) {
        for (size_t j = i; j <= end; j++) {
            for (size_t c = first; c <= last; c++) {
                H(j, c) /= t;
            }
        }
    }
}

/* Vector of the real eigenvalue re[end], into column `end` of h above and on the diagonal. */
static void real_vector(tw_schur *s, size_t end, double norm) {
    const size_t n = s->n;
    double *h = s->h;
    const double p = s->re[end];
    double z = 0.0, below = 0.0;
    size_t l = end;
    H(end, end) = 1.0;
    for (size_t i = end; i-- > 0;) {
        const double w = H(i, i) - p;
        double r = 0.0;
        for (size_t j = l; j <= end; j++) {
            r += H(i, j) * H(j, end);
        }
        if (s->im[i] < 0.0) { /* lower row of a complex pair's block: solved together with the upper one */
            z = w;
            below = r;
            continue;
        }
        l = i;
        if (s->im[i] == 0.0) {
            H(i, end) = w != 0.0 ? -r / w : -r / (DBL_EPSILON * norm);
        } else {
            const double x = H(i, i + 1), y = H(i + 1, i), d = s->re[i] - p;
            const double t = (x * below - z * r) / (d * d + s->im[i] * s->im[i]);
            H(i, end) = t;
            H(i + 1, end) = fabs(x) > fabs(z) ? (-r - w * t) / x : (-below - y * t) / z;
        }
        hold_down(n, h, i, end, end, end, fabs(H(i, end)));
    }
}

typedef struct pending {
    double z, r, s; /* lower row of a 2 x 2 block */
} pending;

/* Rows i and i+1 of the complex vector where the diagonal has a 2 x 2 block. */
static void solve_block(tw_schur *s, size_t i, size_t end, double w, double ra, double sa, pending b, double norm) {
    const size_t n = s->n;
    double *h = s->h;
    const double p = s->re[end], q = s->im[end];
    const double x = H(i, i + 1), y = H(i + 1, i), d = s->re[i] - p;
    double vr = d * d + s->im[i] * s->im[i] - q * q;
    const double vi = d * 2.0 * q;
    if (vr == 0.0 && vi == 0.0) {
        vr = DBL_EPSILON * norm * (fabs(w) + fabs(q) + fabs(x) + fabs(y) + fabs(b.z));
    }
    const pair upper = divide(x * b.r - b.z * ra + q * sa, x * b.s - b.z * sa - q * ra, vr, vi);
    H(i, end - 1) = upper.re;
    H(i, end) = upper.im;
    if (fabs(x) > fabs(b.z) + fabs(q)) {
        H(i + 1, end - 1) = (-ra - w * upper.re + q * upper.im) / x;
        H(i + 1, end) = (-sa - w * upper.im - q * upper.re) / x;
    } else {
        const pair lower = divide(-b.r - y * upper.re, -b.s - y * upper.im, b.z, q);
        H(i + 1, end - 1) = lower.re;
        H(i + 1, end) = lower.im;
    }
}

/* Vector of the pair in rows end-1, end, into columns end-1 (real) and end (imaginary). */
static void complex_vector(tw_schur *s, size_t end, double norm) {
    const size_t n = s->n;
    double *h = s->h;
    const double p = s->re[end], q = s->im[end];
    if (fabs(H(end, end - 1)) > fabs(H(end - 1, end))) {
        H(end - 1, end - 1) = q / H(end, end - 1);
        H(end - 1, end) = -(H(end, end) - p) / H(end, end - 1);
    } else {
        const pair c = divide(0.0, -H(end - 1, end), H(end - 1, end - 1) - p, q);
        H(end - 1, end - 1) = c.re;
        H(end - 1, end) = c.im;
    }
    H(end, end - 1) = 0.0;
    H(end, end) = 1.0;
    size_t l = end - 1;
    pending b = {0.0, 0.0, 0.0};
    for (size_t i = end - 1; i-- > 0;) {
        const double w = H(i, i) - p;
        double ra = 0.0, sa = 0.0;
        for (size_t j = l; j <= end; j++) {
            ra += H(i, j) * H(j, end - 1);
            sa += H(i, j) * H(j, end);
        }
        if (s->im[i] < 0.0) {
            b = (pending){w, ra, sa};
            continue;
        }
        l = i;
        if (s->im[i] == 0.0) {
            const pair c = divide(-ra, -sa, w, q);
            H(i, end - 1) = c.re;
            H(i, end) = c.im;
        } else {
            solve_block(s, i, end, w, ra, sa, b, norm);
        }
        hold_down(n, h, i, end, end - 1, end, fmax(fabs(H(i, end - 1)), fabs(H(i, end))));
    }
}

/* All vectors of the triangular form, then v = v times them. */
static void back_substitute(tw_schur *s) {
    const size_t n = s->n;
    double *h = s->h, *v = s->v;
    double norm = 0.0;
    for (size_t i = 0; i < n; i++) {
        for (size_t j = i > 0 ? i - 1 : 0; j < n; j++) {
            norm += fabs(H(i, j));
        }
    }
    if (norm == 0.0) {
        return; /* the zero matrix: v is the unit matrix already */
    }
    for (size_t end = n; end-- > 0;) {
        if (s->im[end] == 0.0) {
            real_vector(s, end, norm);
        } else if (s->im[end] < 0.0) {
            complex_vector(s, end, norm);
        }
    }
    for (size_t i = 0; i < n; i++) {
        double row[TW_EIGEN_MAX];
        for (size_t j = 0; j < n; j++) {
            const size_t last = s->im[j] > 0.0 ? j + 1 : j;
            row[j] = 0.0;
            for (size_t k = 0; k <= last; k++) {
                row[j] += v[i * n + k] * H(k, j);
            }
        }
        memcpy(v + i * n, row, n * sizeof *row);
    }
}

/* Columns to unit length, those of a pair together. */
static void normalise(size_t n, const double *im, double *v) {
    for (size_t j = 0; j < n; j++) {
        const size_t last = im[j] > 0.0 ? j + 1 : j;
        double squares = 0.0;
        for (size_t i = 0; i < n; i++) {
            for (size_t k = j; k <= last; k++) {
                squares += v[i * n + k] * v[i * n + k];
            }
        }
        const double f = squares > 0.0 ? 1.0 / sqrt(squares) : 1.0;
        for (size_t i = 0; i < n; i++) {
            for (size_t k = j; k <= last; k++) {
                v[i * n + k] *= f;
            }
        }
        j = last;
    }
}

static bool invert(size_t n, const double *v, double *w) {
    double lu[TW_EIGEN_MAX * TW_EIGEN_MAX], column[TW_EIGEN_MAX];
    size_t pivot[TW_EIGEN_MAX];
    memcpy(lu, v, n * n * sizeof *lu);
    if (!tw_numeric__lu(n, lu, pivot)) {
        return false;
    }
    for (size_t j = 0; j < n; j++) {
        memset(column, 0, sizeof column);
        column[j] = 1.0;
        tw_matrix_solve_factored(n, lu, pivot, column);
        for (size_t i = 0; i < n; i++) {
            w[i * n + j] = column[i];
        }
    }
    return true;
}

tw_status tw_eigen_decompose(tw_ctx *ctx, size_t n, const double *a, double *re, double *im, double *v, double *w,
                             double *condition) {
    if (n == 0 || n > TW_EIGEN_MAX) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "%zu x %zu matrix, wanted 1 to %d rows", n, n, TW_EIGEN_MAX);
    }
    TW_TRY(tw_numeric__check_finite(ctx, n * n, a, "matrix"));
    double h[TW_EIGEN_MAX * TW_EIGEN_MAX], vectors[TW_EIGEN_MAX * TW_EIGEN_MAX], inverse[TW_EIGEN_MAX * TW_EIGEN_MAX];
    double real[TW_EIGEN_MAX], imaginary[TW_EIGEN_MAX];
    memcpy(h, a, n * n * sizeof *h);
    tw_balance balance;
    tw_numeric__balance(n, h, &balance);
    tw_schur s = {n, balance.low, balance.high, h, vectors, real, imaginary};
    tw_numeric__hessenberg(&s);
    if (!tw_numeric__schur(&s)) {
        return tw_fail(ctx, TW_NO_CONVERGENCE, ROOM, "the eigenvalues of a %zu x %zu matrix did not settle", n, n);
    }
    back_substitute(&s);
    normalise(n, imaginary, vectors);
    if (!invert(n, vectors, inverse)) {
        return tw_fail(ctx, TW_SINGULAR, ROOM, "a %zu x %zu matrix has no complete set of eigenvectors", n, n);
    }
    if (condition != NULL) {
        *condition = tw_numeric__norm1(n, vectors) * tw_numeric__norm1(n, inverse);
    }
    tw_numeric__unbalance_rows(n, &balance, vectors);
    tw_numeric__unbalance_columns(n, &balance, inverse);
    memcpy(re, real, n * sizeof *re);
    memcpy(im, imaginary, n * sizeof *im);
    memcpy(v, vectors, n * n * sizeof *v);
    memcpy(w, inverse, n * n * sizeof *w);
    return TW_OK;
}

/* Multiplies rows j (and j+1) of m, n_cols wide, by exp(D t). */
static void apply_exp_block(size_t n, const double *re, const double *im, double t, size_t n_cols, double *m) {
    for (size_t j = 0; j < n; j++) {
        const double growth = exp(re[j] * t);
        double *row = m + j * n_cols;
        if (!(im[j] > 0.0)) {
            for (size_t c = 0; c < n_cols; c++) {
                row[c] *= growth;
            }
            continue;
        }
        const double cosine = growth * cos(im[j] * t), sine = growth * sin(im[j] * t);
        for (size_t c = 0; c < n_cols; c++) {
            const double x = row[c], y = row[n_cols + c];
            row[c] = cosine * x + sine * y;
            row[n_cols + c] = cosine * y - sine * x;
        }
        j++;
    }
}

void tw_eigen_exp(size_t n, const double *re, const double *im, const double *v, const double *w, double t,
                  double *result) {
    double m[TW_EIGEN_MAX * TW_EIGEN_MAX];
    memcpy(m, w, n * n * sizeof *m);
    apply_exp_block(n, re, im, t, n, m);
    tw_matrix_multiply(n, n, n, v, m, result);
}

void tw_eigen_apply(size_t n, const double *re, const double *im, const double *v, const double *w, double t,
                    const double *x0, double *x) {
    double m[TW_EIGEN_MAX];
    tw_matrix_multiply(n, n, 1, w, x0, m);
    apply_exp_block(n, re, im, t, 1, m);
    tw_matrix_multiply(n, n, 1, v, m, x);
}

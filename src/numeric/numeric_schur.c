/* Real Schur form of a small matrix: Householder reduction to Hessenberg form (Handbook II, 1971, II/13, orthes and
 * ortran), then Francis' implicit double-shift QR (II/14-15, hqr2; Golub & Van Loan, 4th ed., alg. 7.5.1 and 7.5.2)
 * with the exceptional shifts of hqr2 after 10, 20 and 30 sweeps without a split.
 *
 * All work is done on the balanced block low..high; rows and columns outside are triangular already.
 */
#include "numeric_private.h"

#include <float.h>
#include <math.h>

#define H(i, j) h[(i)*n + (j)]
#define V(i, j) v[(i)*n + (j)]

/* Applies I - u u^T / scale (u stands in u[m..high]) to h from both sides. */
static void reflect(size_t n, size_t m, size_t high, double *h, const double *u, double scale) {
    for (size_t j = m; j < n; j++) {
        double f = 0.0;
        for (size_t i = m; i <= high; i++) {
            f += u[i] * H(i, j);
        }
        f /= scale;
        for (size_t i = m; i <= high; i++) {
            H(i, j) -= f * u[i];
        }
    }
    for (size_t i = 0; i <= high; i++) {
        double f = 0.0;
        for (size_t j = m; j <= high; j++) {
            f += u[j] * H(i, j);
        }
        f /= scale;
        for (size_t j = m; j <= high; j++) {
            H(i, j) -= f * u[j];
        }
    }
}

static void gather(size_t n, size_t m, size_t high, double *v, const double *u, double scale) {
    for (size_t i = 0; i < n; i++) {
        double f = 0.0;
        for (size_t j = m; j <= high; j++) {
            f += u[j] * V(i, j);
        }
        f /= scale;
        for (size_t j = m; j <= high; j++) {
            V(i, j) -= f * u[j];
        }
    }
}

void tw_numeric__hessenberg(tw_schur *s) {
    const size_t n = s->n;
    double *h = s->h, *v = s->v;
    double u[TW_EIGEN_MAX];
    for (size_t i = 0; i < n * n; i++) {
        v[i] = 0.0;
    }
    for (size_t i = 0; i < n; i++) {
        V(i, i) = 1.0;
    }
    for (size_t m = s->low + 1; m < s->high; m++) {
        double size = 0.0;
        for (size_t i = m + 1; i <= s->high; i++) {
            size += fabs(H(i, m - 1));
        }
        if (size == 0.0) {
            continue; /* the column has its form already */
        }
        size += fabs(H(m, m - 1));
        double squares = 0.0;
        for (size_t i = m; i <= s->high; i++) {
            u[i] = H(i, m - 1) / size;
            squares += u[i] * u[i];
        }
        const double g = u[m] > 0.0 ? -sqrt(squares) : sqrt(squares);
        const double scale = squares - u[m] * g;
        u[m] -= g;
        reflect(n, m, s->high, h, u, scale);
        gather(n, m, s->high, v, u, scale);
        H(m, m - 1) = size * g;
        for (size_t i = m + 1; i <= s->high; i++) {
            H(i, m - 1) = 0.0;
        }
    }
}

/* Row below which the active block that ends at `end` begins: the subdiagonal to its left is negligible. */
static size_t block_start(const tw_schur *s, size_t end, double norm) {
    const size_t n = s->n;
    const double *h = s->h;
    size_t l = end;
    while (l > s->low) {
        double beside = fabs(H(l - 1, l - 1)) + fabs(H(l, l));
        if (beside == 0.0) {
            beside = norm;
        }
        if (fabs(H(l, l - 1)) <= DBL_EPSILON * beside) {
            break;
        }
        l--;
    }
    return l;
}

/* Splits the trailing 2 x 2 block at rows end-1, end into two eigenvalues; a real pair is also made triangular. */
static void split_pair(tw_schur *s, size_t end, double shift) {
    const size_t n = s->n, m = end - 1;
    double *h = s->h, *v = s->v;
    const double w = H(end, m) * H(m, end);
    const double p = (H(m, m) - H(end, end)) / 2.0;
    const double q = p * p + w;
    const double x = H(end, end) += shift;
    H(m, m) += shift;
    if (q < 0.0) {
        s->re[m] = s->re[end] = x + p;
        s->im[m] = sqrt(-q);
        s->im[end] = -s->im[m];
        return;
    }
    const double z = p >= 0.0 ? p + sqrt(q) : p - sqrt(q);
    s->re[m] = x + z;
    s->re[end] = z != 0.0 ? x - w / z : s->re[m];
    s->im[m] = s->im[end] = 0.0;
    const double r = hypot(H(end, m), z);
    const double sine = H(end, m) / r, cosine = z / r;
    for (size_t j = m; j < n; j++) {
        const double t = H(m, j);
        H(m, j) = cosine * t + sine * H(end, j);
        H(end, j) = cosine * H(end, j) - sine * t;
    }
    for (size_t i = 0; i <= end; i++) {
        const double t = H(i, m);
        H(i, m) = cosine * t + sine * H(i, end);
        H(i, end) = cosine * H(i, end) - sine * t;
    }
    for (size_t i = 0; i < n; i++) {
        const double t = V(i, m);
        V(i, m) = cosine * t + sine * V(i, end);
        V(i, end) = cosine * V(i, end) - sine * t;
    }
    H(end, m) = 0.0;
}

typedef struct shifts {
    double x, y, w; /* lower right element, upper left element, product of the off-diagonal pair */
} shifts;

/* The shifts of this sweep; exceptional ones break cycles. total: shift taken off the diagonal so far. */
static shifts choose_shifts(tw_schur *s, size_t end, int sweep, double *total) {
    const size_t n = s->n;
    double *h = s->h;
    shifts k = {H(end, end), H(end - 1, end - 1), H(end, end - 1) * H(end - 1, end)};
    if (sweep > 0 && sweep % 10 == 0 && sweep <= 30) {
        *total += k.x;
        for (size_t i = s->low; i <= end; i++) {
            H(i, i) -= k.x;
        }
        const double t = fabs(H(end, end - 1)) + fabs(H(end - 1, end - 2));
        k.x = k.y = 0.75 * t;
        k.w = -0.4375 * t * t;
    }
    return k;
}

/* Two neighbouring small subdiagonals let the sweep start below the block's head. first: first column of the shifted
 * product. */
static size_t sweep_start(tw_schur *s, size_t start, size_t end, shifts k, double first[3]) {
    const size_t n = s->n;
    double *h = s->h;
    size_t m = end - 2;
    for (;;) {
        const double z = H(m, m), r = k.x - z, t = k.y - z;
        first[0] = (r * t - k.w) / H(m + 1, m) + H(m, m + 1);
        first[1] = H(m + 1, m + 1) - z - r - t;
        first[2] = H(m + 2, m + 1);
        const double size = fabs(first[0]) + fabs(first[1]) + fabs(first[2]);
        for (int i = 0; i < 3; i++) {
            first[i] /= size;
        }
        if (m == start) {
            break;
        }
        const double left = fabs(H(m, m - 1)) * (fabs(first[1]) + fabs(first[2]));
        const double right = fabs(first[0]) * (fabs(H(m - 1, m - 1)) + fabs(z) + fabs(H(m + 1, m + 1)));
        if (left < DBL_EPSILON * right) {
            break;
        }
        m--;
    }
    for (size_t i = m + 2; i <= end; i++) {
        H(i, i - 2) = 0.0;
        if (i > m + 2) {
            H(i, i - 3) = 0.0;
        }
    }
    return m;
}

/* Applies the reflection I - f (1, g)^T to rows k..k+2 and its mirror to the columns (two of each at the block's end).
 */
static void reflect_three(tw_schur *s, size_t k, size_t end, const double f[3], const double g[2]) {
    const size_t n = s->n;
    double *h = s->h, *v = s->v;
    const bool three = k + 1 < end;
    for (size_t j = k; j < n; j++) {
        const double t = H(k, j) + g[0] * H(k + 1, j) + (three ? g[1] * H(k + 2, j) : 0.0);
        H(k, j) -= t * f[0];
        H(k + 1, j) -= t * f[1];
        if (three) {
            H(k + 2, j) -= t * f[2];
        }
    }
    const size_t last = end < k + 3 ? end : k + 3;
    for (size_t i = 0; i <= last; i++) {
        const double t = f[0] * H(i, k) + f[1] * H(i, k + 1) + (three ? f[2] * H(i, k + 2) : 0.0);
        H(i, k) -= t;
        H(i, k + 1) -= t * g[0];
        if (three) {
            H(i, k + 2) -= t * g[1];
        }
    }
    for (size_t i = 0; i < n; i++) {
        const double t = f[0] * V(i, k) + f[1] * V(i, k + 1) + (three ? f[2] * V(i, k + 2) : 0.0);
        V(i, k) -= t;
        V(i, k + 1) -= t * g[0];
        if (three) {
            V(i, k + 2) -= t * g[1];
        }
    }
}

/* Chases the bulge from row m to the end of the block. */
static void double_sweep(tw_schur *s, size_t start, size_t m, size_t end, const double first[3]) {
    const size_t n = s->n;
    double *h = s->h;
    double p = first[0], q = first[1], r = first[2];
    for (size_t k = m; k < end; k++) {
        double size = 1.0;
        if (k != m) {
            p = H(k, k - 1);
            q = H(k + 1, k - 1);
            r = k + 1 < end ? H(k + 2, k - 1) : 0.0;
            size = fabs(p) + fabs(q) + fabs(r);
            if (size == 0.0) {
                continue;
            }
            p /= size;
            q /= size;
            r /= size;
        }
        const double root = sqrt(p * p + q * q + r * r);
        const double length = p < 0.0 ? -root : root;
        if (length == 0.0) {
            continue;
        }
        if (k != m) {
            H(k, k - 1) = -length * size;
            H(k + 1, k - 1) = 0.0;
            if (k + 1 < end) {
                H(k + 2, k - 1) = 0.0;
            }
        } else if (start != m) {
            H(k, k - 1) = -H(k, k - 1);
        }
        p += length;
        const double f[3] = {p / length, q / length, r / length};
        const double g[2] = {q / p, r / p};
        reflect_three(s, k, end, f, g);
    }
}

bool tw_numeric__schur(tw_schur *s) {
    const size_t n = s->n;
    double *h = s->h;
    double norm = 0.0, total = 0.0;
    for (size_t i = 0; i < n; i++) {
        for (size_t j = i > 0 ? i - 1 : 0; j < n; j++) {
            norm += fabs(H(i, j));
        }
        if (i < s->low || i > s->high) {
            s->re[i] = H(i, i);
            s->im[i] = 0.0;
        }
    }
    size_t left = s->high + 1; /* rows low..left-1 are still to do */
    size_t budget = 40 * n;
    int sweep = 0;
    while (left > s->low) {
        const size_t end = left - 1, start = block_start(s, end, norm);
        if (start == end) {
            s->re[end] = H(end, end) += total;
            s->im[end] = 0.0;
            left -= 1;
            sweep = 0;
        } else if (start + 1 == end) {
            split_pair(s, end, total);
            left -= 2;
            sweep = 0;
        } else {
            if (budget-- == 0) {
                return false;
            }
            double first[3];
            const shifts k = choose_shifts(s, end, sweep++, &total);
            const size_t m = sweep_start(s, start, end, k, first);
            double_sweep(s, start, m, end, first);
        }
    }
    return true;
}

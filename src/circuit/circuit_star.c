/* Eigenvalues and eigenvectors of a star: a matrix whose states 1 .. n-1 are coupled with state 0 only (a coil current
 * with capacitors and pan branches on it). With d_k the diagonal and q_k = a_0k a_k0,
 *     f(s) = s - a_00 - sum_k q_k/(s - d_k) = 0,   v = (1, a_k0/(s - d_k)),   left vector (1, a_0k/(s - d_k))/f'(s),
 * and states with equal d_k share one term, their differences being vectors of s = d_k. With at most two different
 * d_k that leaves a quadratic or a cubic with one real root; both are polished on f. The arrowhead's secular equation:
 * G. H. Golub, SIAM Rev. 15 (1973) 318.
 */
#include <float.h>
#include <math.h>

#include "circuit_network.h"

typedef struct cx {
    double re, im;
} cx;

static cx over(double a, cx z) {
    const double q = a / (z.re * z.re + z.im * z.im);
    return (cx){q * z.re, -q * z.im};
}

typedef struct star {
    size_t n, n_poles;
    double a00, pole[2], weight[2]; /* different d_k and the sums of their q_k */
    size_t twin[2];                 /* two states of one pole, 0: none */
} star;

static bool read_star(size_t n, const double *a, star *s) {
    *s = (star){.n = n, .a00 = a[0]};
    if (n < 2) {
        return false;
    }
    for (size_t k = 1; k < n; k++) {
        for (size_t j = 1; j < n; j++) {
            if (j != k && a[k * n + j] != 0.0) {
                return false;
            }
        }
        const double d = a[k * n + k], q = a[k] * a[k * n];
        size_t p = 0;
        while (p < s->n_poles && s->pole[p] != d) {
            p++;
        }
        if (q == 0.0 || p == 2) {
            return false;
        }
        if (p < s->n_poles) {
            if (s->twin[0] != 0) {
                return false;
            }
            for (size_t first = 1; first < k; first++) {
                s->twin[0] = a[first * n + first] == d ? first : s->twin[0];
            }
            s->twin[1] = k;
        } else {
            s->pole[s->n_poles++] = d;
        }
        s->weight[p] += q;
    }
    return true;
}

/* f and f' at z. */
static cx secular(const star *s, cx z, cx *slope) {
    cx f = {z.re - s->a00, z.im};
    *slope = (cx){1.0, 0.0};
    for (size_t p = 0; p < s->n_poles; p++) {
        const cx g = over(1.0, (cx){z.re - s->pole[p], z.im});
        f.re -= s->weight[p] * g.re;
        f.im -= s->weight[p] * g.im;
        slope->re += s->weight[p] * (g.re * g.re - g.im * g.im);
        slope->im += s->weight[p] * 2.0 * g.re * g.im;
    }
    return f;
}

static cx polish(const star *s, cx z) {
    for (int k = 0; k < 2; k++) {
        cx slope;
        const cx f = secular(s, z, &slope), g = over(1.0, slope);
        z.re -= f.re * g.re - f.im * g.im;
        z.im -= z.im != 0.0 ? f.re * g.im + f.im * g.re : 0.0;
    }
    return z;
}

/* Real root of x^3 + c2 x^2 + c1 x + c0, by Newton from outside all roots; NaN where that does not settle. */
static double cubic_root(double c2, double c1, double c0) {
    const double bound = fmax(fabs(c2), fmax(sqrt(fabs(c1)), cbrt(fabs(c0)))); /* half of Fujiwara's */
    const double turn = -c2 / 3.0;                                             /* where the curve's bend changes */
    const double there = ((turn + c2) * turn + c1) * turn + c0;
    double x =
        there == 0.0 ? turn : (there > 0.0 ? fmax(-2.0 * bound, turn - 2.0 * cbrt(there)) : turn + 2.0 * cbrt(-there));
    for (int k = 0; k < 60; k++) {
        const double f = ((x + c2) * x + c1) * x + c0, slope = (3.0 * x + 2.0 * c2) * x + c1;
        const double next = x - f / slope;
        if (!isfinite(next)) {
            return NAN;
        }
        if (fabs(next - x) <= 1e-10 * fabs(next)) {
            return next;
        }
        x = next;
    }
    return NAN;
}

/* The pair (in *pair, im > 0) and, with two poles, the real root. False where all are real. */
static bool find_roots(const star *s, cx *pair, double *real) {
    const double p0 = s->pole[0];
    double sum, product; /* the pair's -2 re and |.|^2 */
    if (s->n_poles == 1) {
        sum = -(s->a00 + p0);
        product = s->a00 * p0 - s->weight[0];
        *real = NAN;
    } else {
        const double p1 = s->pole[1], w0 = s->weight[0], w1 = s->weight[1];
        const double c2 = -(s->a00 + p0 + p1), c1 = s->a00 * (p0 + p1) + p0 * p1 - w0 - w1;
        const double c0 = -s->a00 * p0 * p1 + w0 * p1 + w1 * p0;
        double r = cubic_root(c2, c1, c0);
        if (!isfinite(r) || r == 0.0) {
            return false;
        }
        r = polish(s, (cx){r, 0.0}).re;
        *real = r;
        sum = c2 + r;
        product = -c0 / r;
    }
    const double under = product - 0.25 * sum * sum;
    if (!(under > 1e-4 * product)) {
        return false; /* all real, or close to a double root */
    }
    *pair = polish(s, (cx){-0.5 * sum, sqrt(under)});
    return isfinite(pair->re) && pair->im > 0.0;
}

/* Vectors of one root into columns (rows) `at` and, of a pair, at + 1. */
static void fill_vectors(const star *s, const double *a, cx z, size_t at, double *v, double *w) {
    const size_t n = s->n;
    const bool pair = z.im != 0.0;
    cx slope, column[TW_N];
    (void)secular(s, z, &slope);
    double size = 1.0;
    for (size_t k = 1; k < n; k++) {
        column[k] = over(1.0, (cx){z.re - a[k * n + k], z.im});
        size += a[k * n] * a[k * n] * (column[k].re * column[k].re + column[k].im * column[k].im);
    }
    size = sqrt(size);
    const cx left = over(pair ? 2.0 * size : size, slope);
    column[0] = (cx){1.0, 0.0};
    for (size_t k = 0; k < n; k++) {
        const double right_factor = (k == 0 ? 1.0 : a[k * n]) / size, left_factor = k == 0 ? 1.0 : a[k];
        v[k * n + at] = right_factor * column[k].re;
        w[at * n + k] = left_factor * (left.re * column[k].re - left.im * column[k].im);
        if (pair) {
            v[k * n + at + 1] = right_factor * column[k].im;
            w[(at + 1) * n + k] = -left_factor * (left.re * column[k].im + left.im * column[k].re);
        }
    }
}

static double norm1(size_t n, const double *m) {
    double most = 0.0;
    for (size_t j = 0; j < n; j++) {
        double sum = 0.0;
        for (size_t i = 0; i < n; i++) {
            sum += fabs(m[i * n + j]);
        }
        most = fmax(most, sum);
    }
    return most;
}

bool tw_star_decompose(size_t n, const double *a, double *re, double *im, double *v, double *w, double *condition) {
    star s;
    cx pair;
    double real;
    if (!read_star(n, a, &s) || !find_roots(&s, &pair, &real)) {
        return false;
    }
    re[0] = re[1] = pair.re;
    im[0] = pair.im;
    im[1] = -pair.im;
    fill_vectors(&s, a, pair, 0, v, w);
    size_t at = 2;
    if (s.n_poles == 2) {
        re[at] = real;
        im[at] = 0.0;
        fill_vectors(&s, a, (cx){real, 0.0}, at++, v, w);
    }
    if (s.twin[0] != 0) {
        const size_t p = s.twin[0], q = s.twin[1];
        re[at] = a[p * n + p];
        im[at] = 0.0;
        for (size_t k = 0; k < n; k++) {
            v[k * n + at] = w[at * n + k] = 0.0;
        }
        const double size = hypot(a[p], a[q]), dot = a[q * n] * a[q] + a[p * n] * a[p];
        v[p * n + at] = a[q] / size;
        v[q * n + at] = -a[p] / size;
        w[at * n + p] = a[q * n] * size / dot;
        w[at * n + q] = -a[p * n] * size / dot;
    }
    *condition = norm1(n, v) * norm1(n, w);
    return isfinite(*condition);
}

/* Integrals of waves and of products of waves over a piece, in closed form: every product of two exponentials is an
 * exponential again. The integral of exp(s t) over [0, h] is (exp(s h) - 1)/s, by its series where |s h| is small and
 * the difference would cancel. The matrix route integrates exp(A t) by Gauss-Legendre on intervals so short that the
 * rule is exact to rounding for an entire function. Derivation: docs/theory.md, "Averages and Fourier coefficients".
 */
#include <math.h>

#include "circuit_flow.h"

typedef struct complex_pair {
    double re, im;
} cx;

static inline cx mul(cx a, cx b) {
    return (cx){a.re * b.re - a.im * b.im, a.re * b.im + a.im * b.re};
}

static inline cx quotient(cx a, cx b) {
    const double q = b.re * b.re + b.im * b.im;
    return (cx){(a.re * b.re + a.im * b.im) / q, (a.im * b.re - a.re * b.im) / q};
}

static const double series_limit = 0.25;

/* 1/(k + 1)!: (exp(z) - 1)/z; then 1/(k! (k + 2)): integral of t exp(z t) over [0, 1]. 0.25^12/13! < 1e-17. */
static const double phi[13] = {
    1.0,         1.0 / 2,      1.0 / 6,       1.0 / 24,       1.0 / 120,       1.0 / 720,       1.0 / 5040,
    1.0 / 40320, 1.0 / 362880, 1.0 / 3628800, 1.0 / 39916800, 1.0 / 479001600, 1.0 / 6227020800};
static const double ramp[13] = {1.0 / 2,        1.0 / 3,         1.0 / 8,         1.0 / 30,     1.0 / 144,
                                1.0 / 840,      1.0 / 5760,      1.0 / 45360,     1.0 / 403200, 1.0 / 3991680,
                                1.0 / 43545600, 1.0 / 518918400, 1.0 / 6706022400};

static cx series(const double c[13], cx z) {
    cx sum = {c[12], 0.0};
    if (z.im == 0.0) {
        for (int k = 11; k >= 0; k--) {
            sum.re = sum.re * z.re + c[k];
        }
        return sum;
    }
    for (int k = 11; k >= 0; k--) {
        sum = mul(sum, z);
        sum.re += c[k];
    }
    return sum;
}

/* Integral of exp(s t) over [0, h], with e = exp(s h). */
static cx integral(cx s, double h, cx e) {
    const cx z = {s.re * h, s.im * h};
    if (fabs(z.re) + fabs(z.im) < series_limit) {
        const cx v = series(phi, z);
        return (cx){v.re * h, v.im * h};
    }
    return quotient((cx){e.re - 1.0, e.im}, s);
}

/* Integral of t exp(s t) over [0, h]. */
static cx ramp_integral(cx s, double h, cx e) {
    const cx z = {s.re * h, s.im * h};
    if (fabs(z.re) + fabs(z.im) < series_limit) {
        const cx v = series(ramp, z);
        return (cx){v.re * h * h, v.im * h * h};
    }
    const cx i = integral(s, h, e);
    return quotient((cx){h * e.re - i.re, h * e.im - i.im}, s);
}

/* ---- matrix route ------------------------------------------------------------------------------- */

/* Ten-point Gauss-Legendre (Abramowitz & Stegun, table 25.4). */
static const double gauss_x[5] = {0.1488743389816312, 0.4333953941292472, 0.6794095682990244, 0.8650633666889845,
                                  0.9739065285171717};
static const double gauss_w[5] = {0.2955242247147529, 0.2692667193099963, 0.2190863625159821, 0.1494513491505806,
                                  0.0666713443086881};

static size_t gauss_intervals(const tw_flow *flow, double h, double w) {
    double norm = w;
    for (size_t i = 0; i < flow->dec->n; i++) {
        double row = 0.0;
        for (size_t j = 0; j < flow->dec->n; j++) {
            const size_t r = flow->dec->index[i], c = flow->dec->index[j];
            row += fabs(flow->mode->a[r][c]) * (flow->net->scale[r] / flow->net->scale[c]);
        }
        norm = fmax(norm, row + w);
    }
    return 1 + (size_t)fmin(1e5, norm * h);
}

static double gauss_time(size_t interval, size_t point, double width, double *weight) {
    const size_t k = point / 2;
    *weight = 0.5 * width * gauss_w[k];
    return width * ((double)interval + 0.5 + (point % 2 ? 0.5 : -0.5) * gauss_x[k]);
}

static void make_by_quadrature(tw_gram *gram) {
    const tw_flow *flow = gram->flow;
    const tw_decomposition *dec = flow->dec;
    for (size_t i = 0; i < dec->n; i++) {
        gram->mean[i] = 0.0;
        for (size_t j = 0; j < dec->n; j++) {
            gram->square[i][j] = 0.0;
        }
    }
    const size_t intervals = gauss_intervals(flow, gram->h, 0.0);
    for (size_t k = 0; k < intervals; k++) {
        for (size_t point = 0; point < 10; point++) {
            double weight, x[TW_N];
            const double t = gauss_time(k, point, gram->h / (double)intervals, &weight);
            tw_flow_state(flow, t, x);
            for (size_t i = 0; i < dec->n; i++) {
                const double xi = weight * x[dec->index[i]];
                gram->mean[i] += xi;
                for (size_t j = 0; j < dec->n; j++) {
                    gram->square[i][j] += xi * x[dec->index[j]];
                }
            }
        }
    }
}

/* ---- the table ---------------------------------------------------------------------------------- */

/* Pairs of terms. With a real one the two kinds of product are conjugate: one integral serves both. */
static void make_pairs(tw_gram *gram, size_t k) {
    const tw_decomposition *dec = gram->flow->dec;
    const cx s = {dec->re[gram->term[k]], dec->im[gram->term[k]]}, es = {gram->e_re[k], gram->e_im[k]};
    for (size_t l = 0; l <= k; l++) {
        const size_t m = gram->term[l];
        const cx el = {gram->e_re[l], gram->e_im[l]};
        const cx sum = integral((cx){s.re + dec->re[m], s.im + dec->im[m]}, gram->h, mul(es, el));
        cx cross;
        if (dec->im[m] == 0.0) {
            cross = sum;
        } else if (s.im == 0.0) {
            cross = (cx){sum.re, -sum.im};
        } else {
            cross = integral((cx){s.re + dec->re[m], s.im - dec->im[m]}, gram->h, mul(es, (cx){el.re, -el.im}));
        }
        gram->sum_re[k][l] = gram->sum_re[l][k] = sum.re;
        gram->sum_im[k][l] = gram->sum_im[l][k] = sum.im;
        gram->cross_re[k][l] = gram->cross_re[l][k] = cross.re;
        gram->cross_im[l][k] = -cross.im;
        gram->cross_im[k][l] = cross.im; /* for l = k, where the imaginary part is zero, either will do */
    }
}

void tw_gram_make(tw_gram *gram, const tw_flow *flow, double h) {
    const tw_decomposition *dec = flow->dec;
    gram->flow = flow;
    gram->h = h;
    gram->n_terms = 0;
    gram->w = NAN;
    if (!dec->modal) {
        make_by_quadrature(gram);
        return;
    }
    for (size_t j = 0; j < dec->n; j++) {
        if (dec->size[j] == 0.0) {
            continue;
        }
        const size_t k = gram->n_terms++;
        const bool pair = dec->im[j] > 0.0;
        const double e = exp(dec->re[j] * h);
        flow->counts->exponentials++;
        gram->term[k] = j;
        gram->e_re[k] = e;
        gram->e_im[k] = 0.0;
        if (pair) {
            gram->e_re[k] = e * cos(dec->im[j] * h);
            gram->e_im[k] = e * sin(dec->im[j] * h);
        }
        const cx s = {dec->re[j], dec->im[j]}, es = {gram->e_re[k], gram->e_im[k]};
        const cx i = integral(s, h, es), r = flow->mode->drifts ? ramp_integral(s, h, es) : (cx){0.0, 0.0};
        gram->i_re[k] = i.re;
        gram->i_im[k] = i.im;
        gram->j_re[k] = r.re;
        gram->j_im[k] = r.im;
        make_pairs(gram, k);
        j += pair;
    }
}

/* Amplitude A_j of Re{A_j exp(lambda_j t)}. */
static cx amplitude(const tw_gram *gram, const tw_wave *f, size_t k) {
    const size_t j = gram->term[k];
    return gram->flow->dec->im[j] > 0.0 ? (cx){f->p[j], -f->p[j + 1]} : (cx){f->p[j], 0.0};
}

double tw_gram_mean(const tw_gram *gram, const tw_wave *f) {
    double sum = f->k0 * gram->h + 0.5 * f->k1 * gram->h * gram->h;
    if (!gram->flow->dec->modal) {
        for (size_t i = 0; i < gram->flow->dec->n; i++) {
            sum += f->p[i] * gram->mean[i];
        }
        return sum;
    }
    for (size_t k = 0; k < gram->n_terms; k++) {
        const cx a = amplitude(gram, f, k);
        sum += a.re * gram->i_re[k] - a.im * gram->i_im[k];
    }
    return sum;
}

static double product_by_quadrature(const tw_gram *gram, const tw_wave *f, const tw_wave *g) {
    double sum = f->k0 * g->k0 * gram->h;
    for (size_t i = 0; i < gram->flow->dec->n; i++) {
        sum += (f->k0 * g->p[i] + g->k0 * f->p[i]) * gram->mean[i];
        for (size_t j = 0; j < gram->flow->dec->n; j++) {
            sum += f->p[i] * g->p[j] * gram->square[i][j];
        }
    }
    return sum;
}

double tw_gram_product(const tw_gram *gram, const tw_wave *f, const tw_wave *g) {
    if (!gram->flow->dec->modal) {
        return product_by_quadrature(gram, f, g);
    }
    const double h = gram->h;
    double sum = h * (f->k0 * g->k0 + h * (0.5 * (f->k0 * g->k1 + f->k1 * g->k0) + h * f->k1 * g->k1 / 3.0));
    for (size_t k = 0; k < gram->n_terms; k++) {
        const cx a = amplitude(gram, f, k), b = amplitude(gram, g, k);
        sum += (f->k0 * b.re + g->k0 * a.re) * gram->i_re[k] - (f->k0 * b.im + g->k0 * a.im) * gram->i_im[k];
        sum += (f->k1 * b.re + g->k1 * a.re) * gram->j_re[k] - (f->k1 * b.im + g->k1 * a.im) * gram->j_im[k];
        for (size_t l = 0; l < gram->n_terms; l++) {
            /* Re(A e1) Re(B e2) = (Re(A B e1 e2) + Re(A conj(B) e1 conj(e2))) / 2 */
            const cx c = amplitude(gram, g, l);
            const cx p = mul(a, c), q = mul(a, (cx){c.re, -c.im});
            sum += 0.5 * (p.re * gram->sum_re[k][l] - p.im * gram->sum_im[k][l] + q.re * gram->cross_re[k][l] -
                          q.im * gram->cross_im[k][l]);
        }
    }
    return sum;
}

static void fourier_by_quadrature(const tw_gram *gram, const tw_wave *f, double w, double *re, double *im) {
    const size_t intervals = gauss_intervals(gram->flow, gram->h, w);
    *re = *im = 0.0;
    for (size_t k = 0; k < intervals; k++) {
        for (size_t point = 0; point < 10; point++) {
            double weight;
            const double t = gauss_time(k, point, gram->h / (double)intervals, &weight);
            const double g = weight * tw_wave_value(f, t);
            *re += g * cos(w * t);
            *im -= g * sin(w * t);
        }
    }
}

static void make_turning(tw_gram *gram, double w) {
    const tw_decomposition *dec = gram->flow->dec;
    const double h = gram->h;
    const cx turn = {cos(w * h), -sin(w * h)}, flat = integral((cx){0.0, -w}, h, turn);
    gram->w = w;
    gram->turn_re = turn.re;
    gram->turn_im = turn.im;
    gram->flat_re = flat.re;
    gram->flat_im = flat.im;
    for (size_t k = 0; k < gram->n_terms; k++) {
        const double re = dec->re[gram->term[k]], im = dec->im[gram->term[k]];
        const cx e = {gram->e_re[k], gram->e_im[k]};
        const cx up = integral((cx){re, im - w}, h, mul(e, turn));
        const cx down = im == 0.0 ? up : integral((cx){re, -im - w}, h, mul((cx){e.re, -e.im}, turn));
        gram->up_re[k] = up.re;
        gram->up_im[k] = up.im;
        gram->down_re[k] = down.re;
        gram->down_im[k] = down.im;
    }
}

void tw_gram_fourier(tw_gram *gram, const tw_wave *f, double w, double *re, double *im) {
    if (!gram->flow->dec->modal) {
        fourier_by_quadrature(gram, f, w, re, im);
        return;
    }
    if (gram->w != w) {
        make_turning(gram, w);
    }
    cx sum = {f->k0 * gram->flat_re, f->k0 * gram->flat_im};
    if (f->k1 != 0.0) {
        const cx slope = ramp_integral((cx){0.0, -w}, gram->h, (cx){gram->turn_re, gram->turn_im});
        sum.re += f->k1 * slope.re;
        sum.im += f->k1 * slope.im;
    }
    for (size_t k = 0; k < gram->n_terms; k++) {
        const cx a = amplitude(gram, f, k);
        const cx up = mul(a, (cx){gram->up_re[k], gram->up_im[k]});
        const cx down = mul((cx){a.re, -a.im}, (cx){gram->down_re[k], gram->down_im[k]});
        sum.re += 0.5 * (up.re + down.re);
        sum.im += 0.5 * (up.im + down.im);
    }
    *re = sum.re;
    *im = sum.im;
}

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

/* sum z^k / (k! (k + offset)) , offset 1: (exp(z) - 1)/z; offset 2: integral of t exp(z t) over [0, 1]. */
static cx series(cx z, double offset) {
    cx sum = {1.0 / offset, 0.0}, power = {1.0, 0.0};
    for (int k = 1; k <= 14; k++) { /* 0.25^15 / 15! < 1e-21 */
        power = mul(power, z);
        power.re /= k;
        power.im /= k;
        sum.re += power.re / (k + offset);
        sum.im += power.im / (k + offset);
    }
    return sum;
}

/* Integral of exp(s t) over [0, h], with e = exp(s h). */
static cx integral(cx s, double h, cx e) {
    const cx z = {s.re * h, s.im * h};
    if (fabs(z.re) + fabs(z.im) < series_limit) {
        const cx v = series(z, 1.0);
        return (cx){v.re * h, v.im * h};
    }
    return quotient((cx){e.re - 1.0, e.im}, s);
}

/* Integral of t exp(s t) over [0, h]. */
static cx ramp_integral(cx s, double h, cx e) {
    const cx z = {s.re * h, s.im * h};
    if (fabs(z.re) + fabs(z.im) < series_limit) {
        const cx v = series(z, 2.0);
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

void tw_gram_make(tw_gram *gram, const tw_flow *flow, double h) {
    const tw_decomposition *dec = flow->dec;
    gram->flow = flow;
    gram->h = h;
    gram->n_terms = 0;
    if (!dec->modal) {
        make_by_quadrature(gram);
        return;
    }
    for (size_t j = 0; j < dec->n; j++) {
        const size_t k = gram->n_terms++;
        const double e = exp(dec->re[j] * h);
        gram->term[k] = j;
        gram->e_re[k] = e * cos(dec->im[j] * h);
        gram->e_im[k] = e * sin(dec->im[j] * h);
        const cx s = {dec->re[j], dec->im[j]}, es = {gram->e_re[k], gram->e_im[k]};
        const cx i = integral(s, h, es), r = flow->mode->drifts ? ramp_integral(s, h, es) : (cx){0.0, 0.0};
        gram->i_re[k] = i.re;
        gram->i_im[k] = i.im;
        gram->j_re[k] = r.re;
        gram->j_im[k] = r.im;
        for (size_t l = 0; l <= k; l++) {
            const size_t m = gram->term[l];
            const cx el = {gram->e_re[l], gram->e_im[l]};
            const cx sum = integral((cx){s.re + dec->re[m], s.im + dec->im[m]}, h, mul(es, el));
            const cx cross = integral((cx){s.re + dec->re[m], s.im - dec->im[m]}, h, mul(es, (cx){el.re, -el.im}));
            gram->sum_re[k][l] = gram->sum_re[l][k] = sum.re;
            gram->sum_im[k][l] = gram->sum_im[l][k] = sum.im;
            gram->cross_re[k][l] = gram->cross_re[l][k] = cross.re;
            gram->cross_im[k][l] = cross.im;
            gram->cross_im[l][k] = l == k ? cross.im : -cross.im;
        }
        j += dec->im[j] > 0.0;
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

void tw_gram_fourier(const tw_gram *gram, const tw_wave *f, double w, double *re, double *im) {
    if (!gram->flow->dec->modal) {
        fourier_by_quadrature(gram, f, w, re, im);
        return;
    }
    const double h = gram->h;
    const cx turn = {cos(w * h), -sin(w * h)}, s0 = {0.0, -w};
    const cx flat = integral(s0, h, turn);
    cx sum = {f->k0 * flat.re, f->k0 * flat.im};
    if (f->k1 != 0.0) {
        const cx ramp = ramp_integral(s0, h, turn);
        sum.re += f->k1 * ramp.re;
        sum.im += f->k1 * ramp.im;
    }
    for (size_t k = 0; k < gram->n_terms; k++) {
        const size_t j = gram->term[k];
        const double lre = gram->flow->dec->re[j], lim = gram->flow->dec->im[j];
        const cx a = amplitude(gram, f, k), e = {gram->e_re[k], gram->e_im[k]};
        const cx up = mul(a, integral((cx){lre, lim - w}, h, mul(e, turn)));
        const cx down = mul((cx){a.re, -a.im}, integral((cx){lre, -lim - w}, h, mul((cx){e.re, -e.im}, turn)));
        sum.re += 0.5 * (up.re + down.re);
        sum.im += 0.5 * (up.im + down.im);
    }
    *re = sum.re;
    *im = sum.im;
}

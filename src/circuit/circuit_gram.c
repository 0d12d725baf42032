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
    const double q = 1.0 / (b.re * b.re + b.im * b.im);
    return (cx){(a.re * b.re + a.im * b.im) * q, (a.im * b.re - a.re * b.im) * q};
}

static const double series_limit = 0.25;

/* 1/(k + 1)!: (exp(z) - 1)/z; then 1/(k! (k + 2)): integral of t exp(z t) over [0, 1]. 0.25^12/13! < 1e-17. */
static const double phi[13] = {
    1.0,         1.0 / 2,      1.0 / 6,       1.0 / 24,       1.0 / 120,       1.0 / 720,       1.0 / 5040,
    1.0 / 40320, 1.0 / 362880, 1.0 / 3628800, 1.0 / 39916800, 1.0 / 479001600, 1.0 / 6227020800};
static const double ramp[13] = {1.0 / 2,        1.0 / 3,         1.0 / 8,         1.0 / 30,     1.0 / 144,
                                1.0 / 840,      1.0 / 5760,      1.0 / 45360,     1.0 / 403200, 1.0 / 3991680,
                                1.0 / 43545600, 1.0 / 518918400, 1.0 / 6706022400};

/* Six terms less do where |z| is below this: 0.02^7/8! < 1e-16. */
static const double short_series = 0.02;

static cx series(const double c[13], cx z) {
    const int most = fabs(z.re) + fabs(z.im) < short_series ? 6 : 12;
    cx sum = {c[most], 0.0};
    if (z.im == 0.0) {
        for (int k = most - 1; k >= 0; k--) {
            sum.re = sum.re * z.re + c[k];
        }
        return sum;
    }
    for (int k = most - 1; k >= 0; k--) {
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
    tw_flow *flow = gram->flow;
    const tw_decomposition *dec = flow->dec;
    for (size_t i = 0; i < dec->n; i++) {
        gram->mean[i] = gram->ramp[i] = 0.0;
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

/* exp(lambda h) of a mode or pair. */
static cx turn_of(const tw_turn *turn, size_t j) {
    return (cx){turn->c[j], turn->s[j]};
}

/* Products of mode or pair k with l: with P, Q the integrals of exp((lambda_k + lambda_l) t) and of
 * exp((lambda_k + conj lambda_l) t), cos cos = Re(P + Q)/2, sin sin = Re(Q - P)/2, sin cos = Im(P + Q)/2,
 * cos sin = Im(P - Q)/2. */
static void make_pair(tw_gram *gram, const tw_turn *turn, size_t k, size_t l) {
    const tw_decomposition *dec = gram->flow->dec;
    const cx a = {dec->re[k], dec->im[k]}, b = {dec->re[l], dec->im[l]};
    const cx ea = turn_of(turn, k), eb = turn_of(turn, l);
    const cx p = integral((cx){a.re + b.re, a.im + b.im}, gram->h, mul(ea, eb));
    if (b.im == 0.0) {
        gram->square[k][l] = gram->square[l][k] = p.re;
        if (a.im != 0.0) {
            gram->square[k + 1][l] = gram->square[l][k + 1] = p.im;
        }
        return;
    }
    if (a.im == 0.0) {
        gram->square[k][l] = gram->square[l][k] = p.re;
        gram->square[k][l + 1] = gram->square[l + 1][k] = p.im;
        return;
    }
    const cx q = integral((cx){a.re + b.re, a.im - b.im}, gram->h, mul(ea, (cx){eb.re, -eb.im}));
    gram->square[k][l] = gram->square[l][k] = 0.5 * (p.re + q.re);
    gram->square[k + 1][l + 1] = gram->square[l + 1][k + 1] = 0.5 * (q.re - p.re);
    gram->square[k][l + 1] = gram->square[l + 1][k] = 0.5 * (p.im - q.im);
    gram->square[k + 1][l] = gram->square[l][k + 1] = 0.5 * (p.im + q.im);
}

void tw_gram_make(tw_gram *gram, tw_flow *flow, double h) {
    const tw_decomposition *dec = flow->dec;
    gram->flow = flow;
    gram->h = h;
    gram->w = NAN;
    if (!dec->modal) {
        make_by_quadrature(gram);
        return;
    }
    const tw_turn *turn = tw_flow_turn(flow, h);
    for (size_t j = 0; j < dec->n; j++) {
        const cx s = {dec->re[j], dec->im[j]}, e = turn_of(turn, j);
        const bool pair = dec->im[j] > 0.0;
        const cx i = integral(s, h, e), r = flow->mode->drifts ? ramp_integral(s, h, e) : (cx){0.0, 0.0};
        gram->mean[j] = i.re;
        gram->ramp[j] = r.re;
        if (pair) {
            gram->mean[j + 1] = i.im;
            gram->ramp[j + 1] = r.im;
        }
        for (size_t l = 0; l <= j; l++) {
            make_pair(gram, turn, j, l);
            l += dec->im[l] > 0.0;
        }
        j += pair;
    }
}

double tw_gram_mean(const tw_gram *gram, const tw_wave *f) {
    double sum = gram->h * (f->k0 + 0.5 * f->k1 * gram->h);
    for (size_t j = 0; j < gram->flow->dec->n; j++) {
        sum += f->p[j] * gram->mean[j];
    }
    return sum;
}

void tw_gram_apply(const tw_gram *gram, const tw_wave *f, tw_gram_row *row) {
    const double h = gram->h;
    const size_t n = gram->flow->dec->n;
    row->k0 = h * (f->k0 + 0.5 * h * f->k1);
    row->k1 = h * h * (0.5 * f->k0 + h * f->k1 / 3.0);
    for (size_t j = 0; j < n; j++) {
        row->p[j] = f->k0 * gram->mean[j];
        row->k0 += f->p[j] * gram->mean[j];
    }
    if (gram->flow->mode->drifts) {
        for (size_t j = 0; j < n; j++) {
            row->p[j] += f->k1 * gram->ramp[j];
            row->k1 += f->p[j] * gram->ramp[j];
        }
    }
    for (size_t j = 0; j < n; j++) {
        const double p = f->p[j];
        for (size_t l = 0; l < n; l++) {
            row->p[l] += p * gram->square[j][l];
        }
    }
}

double tw_gram_dot(const tw_gram *gram, const tw_gram_row *row, const tw_wave *g) {
    double sum = row->k0 * g->k0 + row->k1 * g->k1;
    for (size_t j = 0; j < gram->flow->dec->n; j++) {
        sum += row->p[j] * g->p[j];
    }
    return sum;
}

double tw_gram_product(const tw_gram *gram, const tw_wave *f, const tw_wave *g) {
    tw_gram_row row;
    tw_gram_apply(gram, f, &row);
    return tw_gram_dot(gram, &row, g);
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

/* With U, D the integrals of exp((lambda - j w) t) and of exp((conj lambda - j w) t): cos gives (U + D)/2, sin
 * (U - D)/(2 j). */
static void make_turning(tw_gram *gram, double w) {
    const tw_decomposition *dec = gram->flow->dec;
    const tw_turn *own = tw_flow_turn(gram->flow, gram->h);
    const double h = gram->h;
    const cx turn = {cos(w * h), -sin(w * h)}, flat = integral((cx){0.0, -w}, h, turn);
    gram->w = w;
    gram->turn[0] = turn.re;
    gram->turn[1] = turn.im;
    gram->flat[0] = flat.re;
    gram->flat[1] = flat.im;
    for (size_t j = 0; j < dec->n; j++) {
        const double re = dec->re[j], im = dec->im[j];
        const cx e = turn_of(own, j);
        const cx up = integral((cx){re, im - w}, h, mul(e, turn));
        if (im == 0.0) {
            gram->fourier[0][j] = up.re;
            gram->fourier[1][j] = up.im;
            continue;
        }
        const cx down = integral((cx){re, -im - w}, h, mul((cx){e.re, -e.im}, turn));
        gram->fourier[0][j] = 0.5 * (up.re + down.re);
        gram->fourier[1][j] = 0.5 * (up.im + down.im);
        gram->fourier[0][j + 1] = 0.5 * (up.im - down.im);
        gram->fourier[1][j + 1] = -0.5 * (up.re - down.re);
        j++;
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
    *re = f->k0 * gram->flat[0];
    *im = f->k0 * gram->flat[1];
    if (f->k1 != 0.0) {
        const cx slope = ramp_integral((cx){0.0, -w}, gram->h, (cx){gram->turn[0], gram->turn[1]});
        *re += f->k1 * slope.re;
        *im += f->k1 * slope.im;
    }
    for (size_t j = 0; j < gram->flow->dec->n; j++) {
        *re += f->p[j] * gram->fourier[0][j];
        *im += f->p[j] * gram->fourier[1][j];
    }
}

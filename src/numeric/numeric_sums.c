/* Sums over a long record against the harmonics of one frequency.
 *
 * Position x counts samples from the middle of the record: x_i = i - (n-1)/2, so that even and odd columns are exactly
 * orthogonal. Phases k f x are reduced in turns with a fused multiply-add before any sine is taken, so a record of a
 * million samples loses nothing; inside a block of 128 samples the phasor of the block's first sample times a table of
 * exact phasors takes the place of a recurrence, so rounding does not grow at all.
 *
 * The products of the columns need no pass over the record: with theta = 2 pi f per sample and a = theta/2
 *   S(theta) = sum cos(theta x) = sin(n a) / sin(a),  sum x sin(theta x) = -S',  sum x^2 cos(theta x) = -S''
 * (derivatives by theta; from S sin a = sin n a by differentiating twice).
 */
#include "numeric_private.h"

#include <math.h>

#define NEAR_ZERO \
    0.05 /* of n sin(a): below, the closed forms cancel and the leading terms take over (rounding 400 eps there) */

tw_status tw_numeric__sums_init(tw_ctx *ctx, size_t n, size_t n_harmonics, tw_sums *sums) {
    *sums = (tw_sums){.n = n, .n_harmonics = n_harmonics};
    sums->table = tw_alloc(ctx, n_harmonics, 2 * TW_SUMS_BLOCK * sizeof *sums->table);
    sums->coefficient = tw_alloc(ctx, 2 * n_harmonics, sizeof *sums->coefficient);
    if (sums->table == NULL || sums->coefficient == NULL) {
        tw_numeric__sums_dispose(sums);
        return TW_NO_MEMORY;
    }
    return TW_OK;
}

void tw_numeric__sums_dispose(tw_sums *sums) {
    tw_free(sums->table);
    tw_free(sums->coefficient);
    *sums = (tw_sums){0};
}

void tw_numeric__turn(double turns, double position, double k, double *c, double *s) {
    const double whole = turns * position;
    double part = (whole - rint(whole)) + fma(turns, position, -whole);
    part = k * part;
    part -= rint(part);
    *c = cos(2.0 * TW_PI * part);
    *s = sin(2.0 * TW_PI * part);
}

void tw_numeric__sums_set(tw_sums *sums, double turns) {
    sums->turns = turns;
    for (size_t k = 0; k < sums->n_harmonics; k++) {
        double *c = sums->table + 2 * TW_SUMS_BLOCK * k, *s = c + TW_SUMS_BLOCK;
        for (size_t i = 0; i < TW_SUMS_BLOCK && i < sums->n; i++) {
            tw_numeric__turn(turns, (double)i, (double)(k + 1), &c[i], &s[i]);
        }
    }
}

/* One block of up to TW_SUMS_BLOCK samples. z: phasors (cos, sin) of the block's first sample, set here. */
static double block(const tw_sums *q, size_t start, size_t count, const double *y, const double *p, double *gradient) {
    double residual[TW_SUMS_BLOCK], slope[TW_SUMS_BLOCK];
    const double first = (double)start - 0.5 * (double)(q->n - 1);
    double *z = q->coefficient;
    for (size_t i = 0; i < count; i++) {
        residual[i] = y[i] - p[1];
        slope[i] = 0.0;
    }
    for (size_t k = 0; k < q->n_harmonics; k++) {
        const double *c = q->table + 2 * TW_SUMS_BLOCK * k, *s = c + TW_SUMS_BLOCK;
        const double order = (double)(k + 1), a = p[2 + 2 * k], b = p[3 + 2 * k];
        tw_numeric__turn(q->turns, first, order, &z[2 * k], &z[2 * k + 1]);
        const double even = a * z[2 * k] + b * z[2 * k + 1], odd = b * z[2 * k] - a * z[2 * k + 1];
        for (size_t i = 0; i < count; i++) {
            residual[i] -= even * c[i] + odd * s[i];
            slope[i] += order * (odd * c[i] - even * s[i]);
        }
    }
    double squares = 0.0, sum = 0.0, by_frequency = 0.0;
    for (size_t i = 0; i < count; i++) {
        squares += residual[i] * residual[i];
        sum += residual[i];
        by_frequency += residual[i] * slope[i] * (first + (double)i);
    }
    gradient[0] += by_frequency;
    gradient[1] += sum;
    for (size_t k = 0; k < q->n_harmonics; k++) {
        const double *c = q->table + 2 * TW_SUMS_BLOCK * k, *s = c + TW_SUMS_BLOCK;
        double rc[4] = {0.0}, rs[4] = {0.0}; /* four lanes each, so that the additions overlap */
        for (size_t i = 0; i < count; i++) {
            rc[i % 4] += residual[i] * c[i];
            rs[i % 4] += residual[i] * s[i];
        }
        const double even = (rc[0] + rc[1]) + (rc[2] + rc[3]), odd = (rs[0] + rs[1]) + (rs[2] + rs[3]);
        gradient[2 + 2 * k] += even * z[2 * k] - odd * z[2 * k + 1];
        gradient[3 + 2 * k] += even * z[2 * k + 1] + odd * z[2 * k];
    }
    return squares;
}

double tw_numeric__sums_residual(const tw_sums *sums, const double *y, const double *p, double *gradient) {
    for (size_t j = 0; j < 2 + 2 * sums->n_harmonics; j++) {
        gradient[j] = 0.0;
    }
    double squares = 0.0;
    for (size_t start = 0; start < sums->n; start += TW_SUMS_BLOCK) {
        const size_t count = sums->n - start < TW_SUMS_BLOCK ? sums->n - start : TW_SUMS_BLOCK;
        squares += block(sums, start, count, y + start, p, gradient);
    }
    return squares;
}

/* S, sum x sin, sum x^2 cos for theta = 2 pi m turns. */
static void closed_form(size_t n, double m, double turns, double out[3]) {
    const double count = (double)n;
    const double moment = count * (count * count - 1.0) / 12.0; /* sum x^2 */
    double cn, sn, c, s; /* of n a and of a; half turns, so the position is halved */
    tw_numeric__turn(0.5 * turns, m, 1.0, &c, &s);
    tw_numeric__turn(0.5 * turns, m * count, 1.0, &cn, &sn);
    if (fabs(count * s) < NEAR_ZERO) {
        const double sign = c < 0.0 && n % 2 == 0 ? -1.0 : 1.0;
        const double angle = 2.0 * (c < 0.0 ? -s : s);
        out[0] = sign * count;
        out[1] = sign * moment * angle;
        out[2] = sign * moment;
        return;
    }
    const double sum = sn / s;
    const double first = (count * cn - sum * c) / s;
    const double second = (sum * s - count * count * sn - 2.0 * first * c) / s;
    out[0] = sum;
    out[1] = -0.5 * first;
    out[2] = -0.25 * second;
}

/* sums for order m from the tables: T is odd in m, S and U are even. */
static double odd(const double *table, size_t a, size_t b) {
    return a >= b ? table[3 * (a - b) + 1] : -table[3 * (b - a) + 1];
}

static double even(const double *table, size_t a, size_t b, size_t which) {
    return table[3 * (a >= b ? a - b : b - a) + which];
}

/* Row and column of the frequency. */
static void gram_frequency(const tw_sums *q, const double *p, const double *t, double *gram) {
    const size_t kk = q->n_harmonics, n = 2 + 2 * kk;
    double square = 0.0, mean = 0.0;
    for (size_t k = 1; k <= kk; k++) {
        const double ak = (double)k * p[2 * k], bk = (double)k * p[2 * k + 1];
        mean -= ak * t[3 * k + 1];
        for (size_t l = 1; l <= kk; l++) {
            const double al = (double)l * p[2 * l], bl = (double)l * p[2 * l + 1];
            const double difference = even(t, k, l, 2), total = t[3 * (k + l) + 2];
            square += 0.5 * (bk * bl * (difference + total) + ak * al * (difference - total));
        }
    }
    gram[0] = square;
    gram[1] = gram[n] = mean;
    for (size_t l = 1; l <= kk; l++) {
        double with_cos = 0.0, with_sin = 0.0;
        for (size_t k = 1; k <= kk; k++) {
            const double ak = (double)k * p[2 * k], bk = (double)k * p[2 * k + 1];
            with_cos -= 0.5 * ak * (t[3 * (k + l) + 1] + odd(t, k, l));
            with_sin += 0.5 * bk * (t[3 * (k + l) + 1] - odd(t, k, l));
        }
        gram[2 * l] = gram[2 * l * n] = with_cos;
        gram[2 * l + 1] = gram[(2 * l + 1) * n] = with_sin;
    }
}

void tw_numeric__sums_gram(const tw_sums *sums, const double *p, double *gram, double *scratch) {
    const size_t kk = sums->n_harmonics, n = 2 + 2 * kk;
    for (size_t m = 0; m <= 2 * kk; m++) {
        closed_form(sums->n, (double)m, sums->turns, scratch + 3 * m);
    }
    for (size_t i = 0; i < n * n; i++) {
        gram[i] = 0.0; /* cosines and sines are orthogonal by symmetry */
    }
    gram_frequency(sums, p, scratch, gram);
    gram[n + 1] = (double)sums->n;
    for (size_t k = 1; k <= kk; k++) {
        gram[n + 2 * k] = gram[2 * k * n + 1] = scratch[3 * k];
        for (size_t l = 1; l <= kk; l++) {
            const double difference = even(scratch, k, l, 0), total = scratch[3 * (k + l)];
            gram[2 * k * n + 2 * l] = 0.5 * (difference + total);
            gram[(2 * k + 1) * n + 2 * l + 1] = 0.5 * (difference - total);
        }
    }
}

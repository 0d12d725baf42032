/* Special functions of the field integrals.
 *
 * S(x) = integral of t J1(t): power series below 4; Neumann's series of the integral of J0, S = 2 sum J_{2k+1} - x J0,
 * by Miller's backward recurrence up to 36 (Abramowitz & Stegun 9.12, 11.1.3); beyond it Struve functions by their
 * asymptotic series, S = 1 + x [J1 g0 - J0 g1] (A&S 12.1.30), whose smallest term is then below 1e-15.
 * Elliptic integrals: arithmetic-geometric mean (A&S 17.6). Bessel ratios: continued fraction A&S 9.1.73, backward. */
#include "coil_private.h"

#define SERIES_END 4.0
#define ASYMPTOTIC_START 36.0

static double section_series(double x) {
    /* sum (-1)^k x^(2k+3) / (2^(2k+1) k! (k+1)! (2k+3)) */
    const double q = 0.25 * x * x;
    double term = 0.5 * x * x * x, sum = term / 3.0;
    for (int k = 1; k < 40; k++) {
        term *= -q / (k * (k + 1.0));
        const double part = term / (2.0 * k + 3.0);
        sum += part;
        if (fabs(part) < 1e-17 * fabs(sum)) {
            break;
        }
    }
    return sum;
}

static double section_recurrence(double x) {
    int n = 2 * (int)(0.5 * x + 22.0); /* even; J_n(x) / J_0 is below 1e-18 there for x < 36 */
    double above = 0.0, here = 1e-280, odd = 0.0, even = 0.0;
    for (; n > 0; n--) {
        *(n % 2 == 0 ? &even : &odd) += here;
        const double below = 2.0 * n / x * here - above;
        above = here;
        here = below;
    }
    const double norm = 1.0 / (here + 2.0 * even); /* J0 + 2 sum J_2k = 1 */
    return (2.0 * odd - x * here) * norm;
}

static double section_asymptotic(double x) {
    const double q = 1.0 / (x * x);
    double t0 = 1.0 / x, t1 = 1.0, g0 = t0, g1 = t1;
    for (int k = 0; k < 18; k++) {
        const double odd = 2.0 * k + 1.0;
        t0 *= -odd * odd * q;
        t1 *= odd * (1.0 - 2.0 * k) * q;
        g0 += t0;
        g1 += t1;
        if (fabs(t0) < 1e-18 && fabs(t1) < 1e-18) {
            break;
        }
    }
    return 1.0 + x * (j1(x) * g0 - j0(x) * g1);
}

double tw_coil__section_integral(double x) {
    if (x < SERIES_END) {
        return section_series(x);
    }
    return x < ASYMPTOTIC_START ? section_recurrence(x) : section_asymptotic(x);
}

double tw_coil__mean_source(double a, double r1, double r2) {
    static const double X[5] = {0.046910077030668, 0.230765344947158, 0.5, 0.769234655052842, 0.953089922969332};
    static const double W[5] = {0.118463442528095, 0.239314335249683, 0.284444444444444, 0.239314335249683,
                                0.118463442528095};
    const double width = r2 - r1;
    if (width == 0.0) {
        return r1 * j1(a * r1);
    }
    if (a * width < 0.25) {
        /* The difference of two S would cancel; five Gauss points are exact to 1e-15 here. */
        double sum = 0.0;
        for (int k = 0; k < 5; k++) {
            const double r = r1 + width * X[k];
            sum += W[k] * r * j1(a * r);
        }
        return sum;
    }
    return (tw_coil__section_integral(a * r2) - tw_coil__section_integral(a * r1)) / (a * a * width);
}

void tw_coil__elliptic(double m1, double *f, double *e) {
    double a = 1.0, b = sqrt(m1), sum = 0.5 * (1.0 - m1), power = 0.5;
    for (int n = 0; n < 12; n++) {
        const double c = 0.5 * (a - b);
        const double next = 0.5 * (a + b);
        b = sqrt(a * b);
        a = next;
        power *= 2.0;
        sum += power * c * c;
        if (c < 1e-9) { /* the next c is c^2/(4 a) */
            break;
        }
    }
    *f = 0.5 * TW_PI / a;
    *e = *f * (1.0 - sum);
}

void tw_coil__bessel_ratios(cx z, cx *j1_j0, cx *j2_j1) {
    /* J_n/J_{n-1} = 1 / (2n/z - J_{n+1}/J_n). Off the real axis the backward form is stable; it starts beyond |z|. */
    const cx inverse = cx_div(cx_of(1.0, 0.0), z);
    const int start = (int)(1.5 * sqrt(cx_abs2(z))) + 30;
    cx ratio = cx_of(0.0, 0.0);
    for (int n = start; n >= 1; n--) {
        ratio = cx_div(cx_of(1.0, 0.0), cx_sub(cx_scale(inverse, 2.0 * n), ratio));
        if (n == 2) {
            *j2_j1 = ratio;
        }
    }
    *j1_j0 = ratio;
}

void tw_coil__gauss(size_t n, double *x, double *w) {
    for (size_t i = 0; i < n; i++) {
        double t = cos(TW_PI * ((double)i + 0.75) / ((double)n + 0.5)), slope = 1.0;
        for (int step = 0; step < 20; step++) {
            double p = 1.0, before = 0.0;
            for (size_t k = 1; k <= n; k++) {
                const double kk = (double)k, next = ((2.0 * kk - 1.0) * t * p - (kk - 1.0) * before) / kk;
                before = p;
                p = next;
            }
            slope = (double)n * (t * p - before) / (t * t - 1.0);
            const double change = p / slope;
            t -= change;
            if (fabs(change) < 1e-15) {
                break;
            }
        }
        x[i] = 0.5 * (1.0 - t);
        w[i] = 1.0 / ((1.0 - t * t) * slope * slope);
    }
}

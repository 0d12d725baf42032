/* The current transformer without its clamp: transfer, scale, limit, and the inverse.
 *
 * i/N = i_s + i_m,  L_m di_m/dt = (R_w + R_b) i_s,  v_b = R_b i_s  gives
 *     i = N [ v_b/R_b + (1 + R_w/R_b)/L_m * integral v_b dt + i_m(0) ].
 * Between two samples the primary current is taken as linear, as in the forward direction. Then the integral over one
 * interval h is h [ (1 - theta) v_0 + theta v_1 ] exactly, with theta = phi2(a)/phi1(a) = 1/2 + a/12 + ..., a = h/tau,
 * tau = L_m/(R_w + R_b): the trapezoid rule with its first correction. For a current that bends between samples, and
 * for a corner between samples, the error in i is at most (h^2/tau) (1/8 sum of |slope jumps| + 1/12 |change of slope|)
 * of the primary current: second order in h, and scaled by the smallness of the droop. */
#include "pickup_private.h"

#include <math.h>

double tw_pickup__phi1(double a) {
    return a > 0 ? -expm1(-a) / a : 1;
}

double tw_pickup__phi2(double a) {
    if (a > 0.5) {
        return (1 + expm1(-a) / a) / a;
    }
    double sum = 0; /* sum of (-a)^j/(j + 2)!, inwards; the first term left out is below 1e-18 */
    for (int j = 14; j >= 0; j--) {
        sum = (1 - a * sum) / (j + 2);
    }
    return sum;
}

void tw_transformer_transfer(const tw_transformer *ct, double w_rad_s, double *re, double *im) {
    const double scale = tw_transformer_scale(ct);
    if (w_rad_s == 0) {
        *re = *im = 0;
        return;
    }
    const double x = w_rad_s * ct->magnetizing_inductance_h / (ct->burden_ohm + ct->winding_resistance_ohm);
    if (fabs(x) < 1) { /* jx/(1 + jx), in the form that does not overflow */
        *re = scale * x * x / (1 + x * x);
        *im = scale * x / (1 + x * x);
    } else {
        const double q = 1 / x;
        *re = scale / (1 + q * q);
        *im = scale * q / (1 + q * q);
    }
}

double tw_transformer_scale(const tw_transformer *ct) {
    return ct->burden_ohm / ct->turns;
}

double tw_transformer_linear_limit(const tw_transformer *ct) {
    return isnan(ct->clamp_onset_v) ? INFINITY : ct->clamp_onset_v * ct->turns / ct->burden_ohm;
}

/* The longest gap that is bridged: the current's error is at most (missing area of v_b)/(R_b tau), so a gap of this
 * fraction of tau costs less than this fraction of the peak; a few samples are bridged in any case. */
#define GAP_OF_TAU 0.02
#define GAP_SAMPLES 3

static tw_status check_gaps(tw_ctx *ctx, const double *v, size_t n, size_t mean_from, size_t mean_to, double a) {
    const double most = fmax(GAP_SAMPLES, a > 0 ? GAP_OF_TAU / a : INFINITY);
    size_t last = n; /* index of the last finite sample; n: none yet */
    size_t in_window = 0;
    for (size_t k = 0; k < n; k++) {
        if (!isfinite(v[k])) {
            continue;
        }
        if (last != n && (double)(k - last - 1) > most) {
            return tw_fail(ctx, TW_BAD_DATA, TW_PICKUP_ROOM,
                           "%zu samples from sample %zu on are no numbers: too long a gap for the transformer's "
                           "time constant of %.3g sample intervals",
                           k - last - 1, last + 1, 1 / a);
        }
        last = k;
        in_window += k >= mean_from && k < mean_to;
    }
    if (in_window == 0) {
        return tw_fail(ctx, TW_BAD_DATA, TW_PICKUP_ROOM, "no sample from %zu to %zu is a number", mean_from, mean_to);
    }
    return TW_OK;
}

static tw_status check_inverse(tw_ctx *ctx, const tw_transformer *ct, double interval_s, const double *v, size_t n,
                               size_t mean_from, size_t mean_to) {
    if (ct == NULL || v == NULL) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, TW_PICKUP_ROOM, "transformer or samples missing");
    }
    TW_TRY(tw_pickup__check_transformer(ctx, ct));
    if (!(isfinite(interval_s) && interval_s > 0)) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, TW_PICKUP_ROOM,
                       "interval_s: found %g, expected a positive time in seconds", interval_s);
    }
    if (mean_from >= mean_to || mean_to > n) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, TW_PICKUP_ROOM,
                       "mean_from, mean_to: found [%zu, %zu), expected a part of the %zu samples", mean_from, mean_to,
                       n);
    }
    const double r_ohm = ct->burden_ohm + ct->winding_resistance_ohm;
    double peak_v = 0;
    for (size_t k = 0; k < n; k++) {
        peak_v = isfinite(v[k]) ? fmax(peak_v, fabs(v[k])) : peak_v;
    }
    const double a = interval_s * r_ohm / ct->magnetizing_inductance_h;
    const double most_a = peak_v / ct->burden_ohm * (1 + a) * (double)n; /* of secondary and magnetizing current */
    if (!isfinite(most_a) || !isfinite(ct->turns * most_a * (double)n)) {
        return tw_fail(ctx, TW_OUT_OF_RANGE, TW_PICKUP_ROOM, "the current of %g V at the burden exceeds all numbers",
                       peak_v);
    }
    return check_gaps(ctx, v, n, mean_from, mean_to, a);
}

/* A sum that loses no digits to its own size (Neumaier). */
typedef struct sum {
    double total, rest;
} sum;

static void sum_add(sum *s, double x) {
    const double t = s->total + x;
    s->rest += fabs(s->total) >= fabs(x) ? (s->total - t) + x : (x - t) + s->total;
    s->total = t;
}

tw_status tw_transformer_inverse(tw_ctx *ctx, const tw_transformer *ct, double interval_s, const double *v, size_t n,
                                 size_t mean_from, size_t mean_to, double *i) {
    TW_TRY(check_inverse(ctx, ct, interval_s, v, n, mean_from, mean_to));
    const double a = interval_s * (ct->burden_ohm + ct->winding_resistance_ohm) / ct->magnetizing_inductance_h;
    const double theta = tw_pickup__phi2(a) / tw_pickup__phi1(a);
    sum magnetizing = {0, 0}, mean = {0, 0};
    size_t in_mean = 0, ready = 0; /* samples below `ready` are written */
    double before = NAN;           /* secondary current of the last finite sample */
    for (size_t k = 0; k < n; k++) {
        if (!isfinite(v[k])) {
            continue;
        }
        const double now = v[k] / ct->burden_ohm;
        const bool first = isnan(before);
        const double steps = (double)(k - ready + 1);
        for (size_t m = ready; m <= k; m++) { /* a gap is crossed on the chord; its samples count in the mean only */
            const double s0 = first ? now : before + (now - before) * ((double)(m - ready) / steps);
            const double s1 = m == k ? now : before + (now - before) * ((double)(m - ready + 1) / steps);
            if (!first) {
                sum_add(&magnetizing, a * (s0 + theta * (s1 - s0)));
            }
            const double current = ct->turns * (s1 + (magnetizing.total + magnetizing.rest));
            i[m] = m == k ? current : NAN;
            if (m >= mean_from && m < mean_to && (!first || m == k)) {
                sum_add(&mean, current);
                in_mean++;
            }
        }
        before = now;
        ready = k + 1;
    }
    const double offset = (mean.total + mean.rest) / (double)in_mean;
    for (size_t k = 0; k < n; k++) {
        i[k] = k < ready ? i[k] - offset : NAN;
    }
    return TW_OK;
}

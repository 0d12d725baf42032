/* Power quantities of distorted single-phase waveforms from harmonic phasors: IEEE Std 1459-2010, 3.1.2; Budeanu's
 * quantities (annex B there) for comparison only.
 *
 * Phasors are peak values of cosines; the standard's rms values follow by 1/sqrt 2. Dc counts as harmonic (h = 0), so
 * that S^2 = S1^2 + DI^2 + DV^2 + SH^2 holds for any record.
 */
#include "numeric_private.h"

#include <complex.h>
#include <math.h>

static double ratio(double a, double b) {
    return b > 0.0 ? a / b : (double)NAN;
}

/* sqrt(a^2 - b^2) for |b| <= a up to rounding. */
static double other_leg(double a, double b) {
    return sqrt(fmax(0.0, (a - b) * (a + b)));
}

typedef struct sums {
    double vv, ii, p, q; /* harmonic V^2, harmonic I^2, harmonic power, Budeanu's reactive power of all orders */
} sums;

static sums add_up(size_t n, const double _Complex *voltage, const double _Complex *current, double vdc, double idc) {
    sums s = {vdc * vdc, idc * idc, vdc * idc, 0.0};
    for (size_t k = 0; k < n; k++) {
        const double _Complex v = voltage[k], i = current[k];
        const double p = 0.5 * (creal(v) * creal(i) + cimag(v) * cimag(i));
        s.q += 0.5 * (cimag(v) * creal(i) - creal(v) * cimag(i));
        if (k > 0) {
            s.vv += 0.5 * (creal(v) * creal(v) + cimag(v) * cimag(v));
            s.ii += 0.5 * (creal(i) * creal(i) + cimag(i) * cimag(i));
            s.p += p;
        }
    }
    return s;
}

tw_status tw_power_from_phasors(tw_ctx *ctx, size_t n, const double _Complex *voltage, const double _Complex *current,
                                double voltage_dc_v, double current_dc_a, tw_power *out) {
    if (n == 0) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "power of no harmonics");
    }
    const sums s = add_up(n, voltage, current, voltage_dc_v, current_dc_a);
    const double v1 = cabs(voltage[0]) / sqrt(2.0), i1 = cabs(current[0]) / sqrt(2.0);
    if (!isfinite(s.vv + s.ii + s.p + s.q + v1 * v1 + i1 * i1)) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "power: a phasor is not finite");
    }
    const double p1 = 0.5 * (creal(voltage[0]) * creal(current[0]) + cimag(voltage[0]) * cimag(current[0]));
    const double q1 = 0.5 * (cimag(voltage[0]) * creal(current[0]) - creal(voltage[0]) * cimag(current[0]));
    const double vh = sqrt(s.vv), ih = sqrt(s.ii), v = hypot(v1, vh), i = hypot(i1, ih);
    tw_power p = {.voltage_rms_v = v,
                  .voltage_fundamental_rms_v = v1,
                  .voltage_harmonic_rms_v = vh,
                  .current_rms_a = i,
                  .current_fundamental_rms_a = i1,
                  .current_harmonic_rms_a = ih,
                  .active_w = p1 + s.p,
                  .active_fundamental_w = p1,
                  .active_harmonic_w = s.p,
                  .reactive_fundamental_var = q1,
                  .apparent_va = v * i,
                  .apparent_fundamental_va = v1 * i1,
                  .current_distortion_var = v1 * ih,
                  .voltage_distortion_var = vh * i1,
                  .apparent_harmonic_va = vh * ih,
                  .thd_voltage = ratio(vh, v1),
                  .thd_current = ratio(ih, i1),
                  .reactive_budeanu_var = s.q};
    p.apparent_nonfundamental_va =
        hypot(hypot(p.current_distortion_var, p.voltage_distortion_var), p.apparent_harmonic_va);
    p.harmonic_distortion_var = other_leg(p.apparent_harmonic_va, p.active_harmonic_w);
    p.nonactive_var = other_leg(p.apparent_va, p.active_w);
    p.power_factor = ratio(p.active_w, p.apparent_va);
    p.power_factor_fundamental = ratio(p1, p.apparent_fundamental_va);
    p.pollution = ratio(p.apparent_nonfundamental_va, p.apparent_fundamental_va);
    p.distortion_budeanu_var = other_leg(p.nonactive_var, p.reactive_budeanu_var);
    *out = p;
    return TW_OK;
}

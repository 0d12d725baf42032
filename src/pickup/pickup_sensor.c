/* A current pick-up over frequency: errors, corners, droop, insertion impedance, flux.
 *
 * From the secondary, with p = j w:
 *     Z_b = 1/(1/R_b + 1/R_p + p C_p)       burden with the probe across it
 *     Z_2 = R_w + p L_l + Z_b               the secondary's branch
 *     Y_1 = 1/(p L_m) + p C_w               magnetizing inductance, winding capacitance
 *     v/i = (1/N) Z_b/(1 + Y_1 Z_2),        Z_insertion = (1/N^2) Z_2/(1 + Y_1 Z_2)
 * The voltage over L_m is that of Z_insertion (times N): from it the flux. Core loss is left out: it would lie across
 * L_m and is far above the branch Z_2 for any core that is fit for the job. Derivation: docs/theory-pickups.md. */
#include "pickup_private.h"

#include <complex.h>
#include <math.h>

#define HIGHEST_HZ 1e11
#define STEPS_PER_DECADE 40

tw_sensor tw_sensor_of(const tw_transformer *base) {
    return (tw_sensor){
        .base = *base, .probe_resistance_ohm = INFINITY, .source_ohm = (double)NAN, .high_corner_hz = INFINITY};
}

tw_status tw_sensor_check(tw_ctx *ctx, const tw_sensor *s) {
    TW_TRY(tw_pickup__check_transformer(ctx, &s->base));
    if (!(isfinite(s->leakage_inductance_h) && s->leakage_inductance_h >= 0)) {
        return tw_pickup__refuse(ctx, "leakage_inductance", s->leakage_inductance_h, "zero or more henries");
    }
    if (!(isfinite(s->winding_capacitance_f) && s->winding_capacitance_f >= 0)) {
        return tw_pickup__refuse(ctx, "winding_capacitance", s->winding_capacitance_f, "zero or more farads");
    }
    if (!(s->probe_resistance_ohm > 0)) { /* infinity is allowed, NaN is not */
        return tw_pickup__refuse(ctx, "probe_resistance", s->probe_resistance_ohm, "a positive resistance in ohms");
    }
    if (!(isfinite(s->probe_capacitance_f) && s->probe_capacitance_f >= 0)) {
        return tw_pickup__refuse(ctx, "probe_capacitance", s->probe_capacitance_f, "zero or more farads");
    }
    if (!isnan(s->source_ohm) && !(isfinite(s->source_ohm) && s->source_ohm >= 0)) {
        return tw_pickup__refuse(ctx, "source", s->source_ohm, "a resistance of zero or more ohms, or NaN");
    }
    if (!(s->high_corner_hz > 0)) {
        return tw_pickup__refuse(ctx, "high_corner", s->high_corner_hz, "a positive frequency in hertz");
    }
    return TW_OK;
}

static bool is_wound(const tw_sensor *s) {
    return isnan(s->source_ohm);
}

static double complex probe_admittance(const tw_sensor *s, double w) {
    return 1 / s->probe_resistance_ohm + I * (w * s->probe_capacitance_f);
}

static double complex burden(const tw_sensor *s, double w) {
    return is_wound(s) ? 1 / (1 / s->base.burden_ohm + probe_admittance(s, w)) : s->base.burden_ohm;
}

/* Z_2 and 1 + Y_1 Z_2. */
static double complex branch(const tw_sensor *s, double w, double complex *divider) {
    const double complex z2 = s->base.winding_resistance_ohm + I * (w * s->leakage_inductance_h) + burden(s, w);
    const double complex y1 = I * (w * s->winding_capacitance_f - 1 / (w * s->base.magnetizing_inductance_h));
    *divider = 1 + y1 * z2;
    return z2;
}

static double complex transfer(const tw_sensor *s, double f_hz) {
    const double w = 2 * TW_PI * f_hz;
    double complex divider;
    (void)branch(s, w, &divider);
    const double complex loaded = is_wound(s) ? 1 : 1 / (1 + s->source_ohm * probe_admittance(s, w));
    return burden(s, w) / s->base.turns / divider * loaded / (1 + I * (f_hz / s->high_corner_hz));
}

void tw_sensor_transfer(const tw_sensor *s, double frequency_hz, double *re, double *im) {
    const double complex h = transfer(s, frequency_hz);
    *re = creal(h);
    *im = cimag(h);
}

void tw_sensor_errors(const tw_sensor *s, double frequency_hz, double *ratio_error, double *phase_rad) {
    /* |h| - 1 of h = 1 + d without cancellation: (2 Re d + |d|^2)/(|h| + 1) */
    const double complex h = transfer(s, frequency_hz) * (s->base.turns / s->base.burden_ohm);
    const double complex d = h - 1;
    *ratio_error = (2 * creal(d) + creal(d) * creal(d) + cimag(d) * cimag(d)) / (cabs(h) + 1);
    *phase_rad = carg(h);
}

/* Resistance round the secondary at low frequency. */
static double loop_ohm(const tw_sensor *s) {
    return s->base.winding_resistance_ohm + creal(burden(s, 0));
}

double tw_sensor_low_corner(const tw_sensor *s) {
    return loop_ohm(s) / (2 * TW_PI * (s->base.magnetizing_inductance_h + s->leakage_inductance_h));
}

double tw_sensor_droop(const tw_sensor *s, double time_s) {
    return -expm1(-2 * TW_PI * tw_sensor_low_corner(s) * time_s);
}

static bool in_band(const tw_sensor *s, double f_hz, double middle) {
    const double size = cabs(transfer(s, f_hz)) / middle;
    return size >= sqrt(0.5) && size <= sqrt(2);
}

double tw_sensor_high_corner(const tw_sensor *s) {
    const double lm = s->base.magnetizing_inductance_h;
    const double share = isinf(lm) ? 1 : lm / (lm + s->leakage_inductance_h);
    const double middle = creal(burden(s, 0)) / s->base.turns * share;
    double inside = fmax(1, 3 * tw_sensor_low_corner(s));
    const double factor = pow(10, 1.0 / STEPS_PER_DECADE);
    while (inside < HIGHEST_HZ && in_band(s, inside * factor, middle)) {
        inside *= factor;
    }
    if (!(inside < HIGHEST_HZ)) {
        return INFINITY;
    }
    double outside = inside * factor;
    for (int k = 0; k < 60; k++) {
        const double between = sqrt(inside * outside);
        *(in_band(s, between, middle) ? &inside : &outside) = between;
    }
    return outside;
}

static double complex insertion(const tw_sensor *s, double f_hz) {
    double complex divider;
    const double complex z2 = branch(s, 2 * TW_PI * f_hz, &divider);
    return z2 / divider / (s->base.turns * s->base.turns);
}

void tw_sensor_insertion(const tw_sensor *s, double frequency_hz, double *re, double *im) {
    const double complex z = is_wound(s) ? insertion(s, frequency_hz) : 0;
    *re = creal(z);
    *im = cimag(z);
}

/* Flux linkage over N A_e: B per peak ampere of a sine; and per ampere of direct current. */
static double per_ampere(const tw_sensor *s, double area_m2, double f_hz) {
    return cabs(insertion(s, f_hz)) / (2 * TW_PI * f_hz * area_m2);
}

static double per_direct_ampere(const tw_sensor *s, double area_m2) {
    return s->base.magnetizing_inductance_h / (s->base.turns * s->base.turns * area_m2);
}

double tw_sensor_flux_density(const tw_sensor *s, double area_m2, double frequency_hz, double peak_a, double direct_a) {
    const double direct = direct_a == 0 ? 0 : fabs(direct_a) * per_direct_ampere(s, area_m2);
    return fabs(peak_a) * per_ampere(s, area_m2, frequency_hz) + direct;
}

double tw_sensor_saturation_limit(const tw_sensor *s, double area_m2, double saturation_t, double frequency_hz,
                                  double direct_a) {
    const double direct = direct_a == 0 ? 0 : fabs(direct_a) * per_direct_ampere(s, area_m2);
    return fmax(0, saturation_t - direct) / per_ampere(s, area_m2, frequency_hz);
}

double tw_accuracy_class(double ratio_error, double phase_rad) {
    static const struct {
        double name, ratio_percent, minutes;
    } CLASSES[] = {{0.1, 0.1, 5}, {0.2, 0.2, 10}, {0.5, 0.5, 30}, {1, 1, 60}, {3, 3, INFINITY}};
    const double percent = 100 * fabs(ratio_error), minutes = fabs(phase_rad) * 180 / TW_PI * 60;
    for (size_t k = 0; k < sizeof CLASSES / sizeof CLASSES[0]; k++) {
        if (percent <= CLASSES[k].ratio_percent && minutes <= CLASSES[k].minutes) {
            return CLASSES[k].name;
        }
    }
    return (double)NAN;
}

double tw_power_error(double ratio_error, double phase_rad, double lag_rad) {
    /* cos(lag - p) = cos lag (cos p + tan lag sin p) */
    return (1 + ratio_error) * (cos(phase_rad) + tan(lag_rad) * sin(phase_rad)) - 1;
}

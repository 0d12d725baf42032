/* pickup: what the isolated sensors and the recorder make of a waveform (forward), and what flowed (inverse); the parts
 * that a sensor is made of, and how it behaves over frequency.
 *
 * Current transformer, seen from its secondary: the primary current i over N turns feeds the magnetizing
 * inductance L_m in parallel with winding resistance R_w + burden R_b in series; clamp diodes across the burden.
 *     i/N = i_s + i_m,   L_m di_m/dt = R_w i_s + v_b,   i_s = v_b/R_b + i_clamp(v_b)
 * Sense loop: v = gain * v_coil. Recorder: offset, range, noise, quantisation. Derivation: docs/theory.md "Pick-ups".
 */
#ifndef TANKWRIGHT_PICKUP_H
#define TANKWRIGHT_PICKUP_H

#include "tankwright/base.h"

typedef struct tw_transformer {
    double turns;
    double burden_ohm;
    double
        magnetizing_inductance_h; /* seen from the secondary; INFINITY: no droop (direct current still does not pass) */
    double winding_resistance_ohm;
    double clamp_onset_v; /* NaN: no clamp. Peak burden volts where the clamp begins to conduct */
} tw_transformer;

/* Transfer at angular frequency w without clamp: burden volts per primary ampere, *re + j *im; 0 at w = 0. */
void tw_transformer_transfer(const tw_transformer *ct, double w_rad_s, double *re, double *im);

/* Volts at the burden per primary ampere in mid band: R_b / N. */
double tw_transformer_scale(const tw_transformer *ct);

/* Largest primary current (peak) before the clamp conducts: onset * N / R_b; INFINITY without a clamp. */
double tw_transformer_linear_limit(const tw_transformer *ct);

/* Forward. One period of the primary current, n >= 2 equally spaced samples i[n] over period_s, gives the periodic
 * burden voltage v[n] at the same instants (the current is taken as linear between samples, the network solved exactly
 * between them; the clamp as a diode string with the law documented in docs/theory.md). The mean of i does not pass. In
 * place is allowed. Errors: TW_BAD_ARGUMENT (a value of ct, period_s, n), TW_BAD_DATA (i not finite), TW_OUT_OF_RANGE
 * (overflow, or beyond 1000 times the clamp's linear limit), TW_TOO_LARGE (clamp with more than 1e6 inner steps),
 * TW_NO_CONVERGENCE, TW_CANCELLED (progress is reported where a clamp makes the work long). */
tw_status tw_transformer_forward(tw_ctx *ctx, const tw_transformer *ct, double period_s, const double *i, size_t n,
                                 double *v) TW_MUST_USE;

/* Inverse. n samples of burden voltage at `interval_s` give the primary current; the integration constant (the
 * magnetizing current at the record's start) is fixed so that the mean over [mean_from, mean_to) samples is zero: pass
 * a whole number of periods. Saturation and clamp are not undone. In place is allowed. An offset of the recorder must
 * be taken off before: it would be integrated to a ramp. Samples that are NaN or infinite give NaN; the integral
 * crosses such a gap on the chord, up to 2 % of the time constant L_m/(R_b + R_w) or 3 samples, whichever is longer.
 * Errors: TW_BAD_ARGUMENT (a value of ct, interval_s, mean_from or mean_to), TW_BAD_DATA (a longer gap; no finite
 * sample in the mean's window), TW_OUT_OF_RANGE (overflow). */
tw_status tw_transformer_inverse(tw_ctx *ctx, const tw_transformer *ct, double interval_s, const double *v, size_t n,
                                 size_t mean_from, size_t mean_to, double *i) TW_MUST_USE;

/* ---- Rogowski coil with integrator ------------------------------------------------------------------ */

/* The coil's voltage M di/dt, integrated over the time constant T, gives sensitivity * i with sensitivity = M/T. Below
 * its low corner the integrator ceases to integrate: v/i = sensitivity * jx/(1 + jx), x = f/low corner, the very
 * transfer of a transformer with L_m/(R_b + R_w) = 1/(2 pi low corner). */
typedef struct tw_rogowski {
    double sensitivity_v_per_a;
    double low_corner_hz; /* 0: no droop (direct current still does not pass) */
} tw_rogowski;

/* The transformer (one turn, burden = sensitivity, no winding resistance, no clamp) with the same transfer, for all
 * that takes one: its burden voltage is the integrator's output. TW_BAD_ARGUMENT: a value of r. */
tw_status tw_rogowski_as_transformer(tw_ctx *ctx, const tw_rogowski *r, tw_transformer *out) TW_MUST_USE;

/* As tw_transformer_transfer, _forward and _inverse: the integrator's droop is undone exactly like a magnetizing
 * branch's. */
void tw_rogowski_transfer(const tw_rogowski *r, double w_rad_s, double *re, double *im);
tw_status tw_rogowski_forward(tw_ctx *ctx, const tw_rogowski *r, double period_s, const double *i, size_t n,
                              double *v) TW_MUST_USE;
tw_status tw_rogowski_inverse(tw_ctx *ctx, const tw_rogowski *r, double interval_s, const double *v, size_t n,
                              size_t mean_from, size_t mean_to, double *i) TW_MUST_USE;

/* ---- parts ------------------------------------------------------------------------------------------ */

/* A closed core by its effective parameters (IEC 60205). */
typedef struct tw_core {
    double length_m, area_m2; /* l_e, A_e */
} tw_core;

/* Ring of rectangular section (IEC 60205): C1 = 2 pi/(h ln(D/d)), C2 = 2 pi (1/r1 - 1/r2)/(h^2 ln^3(D/d)),
 * l_e = C1^2/C2, A_e = C1/C2. Both NaN unless 0 < inner < outer and 0 < height. */
tw_core tw_core_ring(double outer_diameter_m, double inner_diameter_m, double height_m);

/* A_L = mu0 mu_r A_e/l_e, inductance per turn squared; the inverse of it. */
double tw_core_inductance_factor(const tw_core *core, double permeability);
double tw_core_permeability(const tw_core *core, double inductance_factor_h);

/* Copper's diameter of a wire gauge number (ASTM B258): 0.127 mm * 92^((36 - n)/39); 0000 is -3. */
double tw_wire_gauge_diameter(double gauge);

/* Direct-current resistance of round copper at 20 degC (IEC 60028: 1/58 ohm mm2/m). */
double tw_wire_resistance(double diameter_m, double length_m);

/* Wire of one turn close round a ring's section. */
double tw_core_ring_turn(double outer_diameter_m, double inner_diameter_m, double height_m, double wire_diameter_m);

/* The member of a preferred series (IEC 60063) whose ratio to `wanted` is nearest to 1; NaN unless 0 < wanted < inf. */
typedef enum tw_series { TW_SERIES_E24, TW_SERIES_E96 } tw_series;
double tw_preferred_value(tw_series series, double wanted);

/* ---- a current pick-up over frequency --------------------------------------------------------------- */

/* What lies between the lead and the recorder. From the secondary: the current i/N feeds L_m and the winding
 * capacitance in parallel with the branch of leakage inductance, winding resistance, and burden with the probe across
 * it. A Rogowski coil has the `base` of tw_rogowski_as_transformer, no leakage and no winding capacitance. The clamp is
 * left out. */
typedef struct tw_sensor {
    tw_transformer base;
    double leakage_inductance_h, winding_capacitance_f; /* >= 0 */
    double probe_resistance_ohm;                        /* INFINITY: none */
    double probe_capacitance_f;                         /* >= 0 */
    double source_ohm;     /* what the probe loads instead of the burden: an integrator's output, 0. NaN: the burden */
    double high_corner_hz; /* of electronics behind it, first order; INFINITY: none */
} tw_sensor;

/* A bare transformer: none of the rest. */
tw_sensor tw_sensor_of(const tw_transformer *base);

/* TW_BAD_ARGUMENT by the value's name. The functions below take a sensor that passed. */
tw_status tw_sensor_check(tw_ctx *ctx, const tw_sensor *s) TW_MUST_USE;

/* Output volts per primary ampere at f > 0. */
void tw_sensor_transfer(const tw_sensor *s, double frequency_hz, double *re, double *im);

/* Against the nominal scale R_b/N, as IEC 61869-2 defines them: ratio error (relative, negative: the output is too
 * small) and phase displacement (positive: the output leads). */
void tw_sensor_errors(const tw_sensor *s, double frequency_hz, double *ratio_error, double *phase_rad);

/* Where the transfer is 3 dB off its mid-band value: below (0: nowhere), and above, fallen or risen at a resonance
 * (INFINITY: not below 100 GHz). */
double tw_sensor_low_corner(const tw_sensor *s);
double tw_sensor_high_corner(const tw_sensor *s);

/* Share that a flat pulse has lost after this time. */
double tw_sensor_droop(const tw_sensor *s, double time_s);

/* What the lead sees in series: ohms at f > 0. Nothing (0) for a Rogowski coil: its `source_ohm` is not NaN. */
void tw_sensor_insertion(const tw_sensor *s, double frequency_hz, double *re, double *im);

/* Peak flux density in a core of this area for a sine of peak `peak_a`, with the direct part's added: L_m i/(N A_e). */
double tw_sensor_flux_density(const tw_sensor *s, double area_m2, double frequency_hz, double peak_a, double direct_a);

/* Peak of the largest sine that keeps below `saturation_t` together with the direct part; 0 where that alone is too
 * much. */
double tw_sensor_saturation_limit(const tw_sensor *s, double area_m2, double saturation_t, double frequency_hz,
                                  double direct_a);

/* Limits of IEC 61869-2, table 201, at rated current: 0.1, 0.2, 0.5, 1, 3 (3: ratio only); NaN beyond. */
double tw_accuracy_class(double ratio_error, double phase_rad);

/* Relative error of a real power taken with these errors uncorrected, where the current truly lags by lag_rad:
 * (1 + e) cos(lag - phase)/cos(lag) - 1. */
double tw_power_error(double ratio_error, double phase_rad, double lag_rad);

/* ---- recorder --------------------------------------------------------------------------------------- */

/* A recorder channel, forward. */
typedef struct tw_recorder_channel {
    int bits;                         /* 8..16 */
    double range_low_v, range_high_v; /* voltages of the lowest and highest code */
    double noise_rms_v;               /* added before quantisation */
} tw_recorder_channel;

/* A seed of its own for each channel of one record, so that the channels' noise is independent. */
uint64_t tw_recorder_channel_seed(uint64_t seed, size_t channel_index);

/* Adds noise (one stream per seed: see tw_recorder_channel_seed), clips to the range, rounds to codes; out[n] is the
 * stored voltage, exactly low + code * (high - low)/(2^bits - 1). codes (may be NULL) gets the integer codes. clipped
 * (may be NULL) the count of noisy samples outside the range. out may be v. The same bits for the same arguments on
 * every machine with IEEE doubles. Errors: TW_BAD_ARGUMENT (a value of channel), TW_BAD_DATA (v not finite). */
tw_status tw_recorder_store(tw_ctx *ctx, const tw_recorder_channel *channel, uint64_t seed, const double *v, size_t n,
                            double *out, int32_t *codes, size_t *clipped) TW_MUST_USE;

/* A round vertical range (1-2-5 steps of the full span) that holds +-peak with at least `headroom` (for example 0.1):
 * the smallest such span >= 2 peak (1 + headroom). NaN for a peak that is not positive, a negative headroom, or a span
 * outside 1e-12 .. 1e12 V. */
double tw_recorder_suggest_range(double peak_v, double headroom);

#endif

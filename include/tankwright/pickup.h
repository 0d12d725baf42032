/* pickup: what the isolated sensors and the recorder make of a waveform (forward), and what flowed (inverse).
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

/* reveal: from two isolated pick-ups to every hidden waveform in the inverter.
 *
 * Input: the coil lead's current transformer and a sense loop, both sampled, and what is known about the
 * stage. Output: calibration, reconstructed midpoint and capacitor voltage and device currents, tank and load, power,
 * and the verdict on every edge, with standard uncertainties by the law of propagation. Nothing about the
 * operating point is taken from outside: frequency, load and gain come from the record.
 * Derivation: docs/theory.md, section "Reconstruction".
 */
#ifndef TANKWRIGHT_REVEAL_H
#define TANKWRIGHT_REVEAL_H

#include "tankwright/base.h"
#include "tankwright/circuit.h"
#include "tankwright/pickup.h"

/* ---- input ---------------------------------------------------------------------------------------- */

/* Two channels on one time axis. The arrays are borrowed; non-finite samples are gaps. */
typedef struct tw_record {
    size_t samples;
    double interval_s;
    double start_s;
    const double *current_v; /* [samples] volts at the burden */
    const double *voltage_v; /* [samples] volts at the loop */
    double voltage_offset_s; /* the voltage samples were taken later than the current samples by this */
} tw_record;

/* What is known beforehand: values with standard uncertainty; NaN where unknown. u = 0 means exact, but for the ESR,
 * which then gets 30 % and 2 mohm. Turns and burden must be known; drops and winding resistance count as 0 and the
 * magnetizing inductance as infinite where unknown. */
typedef struct tw_prior {
    tw_value turns, burden_ohm, magnetizing_inductance_h, winding_resistance_ohm;
    double clamp_onset_v; /* NaN: none */
    tw_value loop_gain;
    tw_value rail_v;
    tw_value capacitance_f;
    tw_value esr_ohm;
    tw_value skew_s; /* voltage channel later than current channel; unknown: found from the record */
    tw_value transistor_threshold_v, transistor_slope_ohm;
    tw_value diode_threshold_v, diode_slope_ohm;
    tw_value midpoint_capacitance_f; /* both snubbers of the leg; used only where the record does not show it */
} tw_prior;

/* ---- output --------------------------------------------------------------------------------------- */

/* One edge of the bridge as seen in the record (pooled over the cycles). Times are in the folded period, which
 * starts at the midpoint's rise towards the rail. */
typedef struct tw_revealed_edge {
    bool rising;
    tw_commutation verdict;
    tw_value turn_off_s;         /* the gate opens: the midpoint leaves its rail */
    tw_value turn_off_current_a; /* positive when it drives the midpoint to the other rail; for a hard edge, whose
                                    turn-off leaves no trace, a range between 0 and the current at closing */
    tw_value swing_end_s;        /* the other rail reached, or forced there */
    tw_value swing_time_s;
    tw_value zero_crossing_s;
    tw_value zero_crossing_margin_s;              /* zero crossing - swing end */
    tw_value window_shortest_s, window_longest_s; /* dead times that would be soft here; unknown where none */
    tw_value forced_voltage_v;
    tw_value forced_energy_j;
    tw_value closing_s; /* the other switch closes, where the record shows it; else unknown */
} tw_revealed_edge;

/* One whole cycle of the record. */
typedef struct tw_cycle {
    double start_s;
    double current_peak_a, current_rms_a;
    double voltage_rms_v;
    double real_power_w;
    double turn_off_current_a; /* at the falling edge; where that is hard, the current at the closing */
} tw_cycle;

typedef struct tw_revealed {
    /* scalars, each with standard uncertainty */
    tw_value switching_frequency_hz, resonant_frequency_hz;
    tw_value rail_v, loop_gain, channel_skew_s, tank_capacitance_f, midpoint_capacitance_f;
    tw_value coil_current_peak_a, coil_current_rms_a, coil_voltage_rms_v, capacitor_voltage_peak_v;
    tw_value real_power_w, reactive_power_var, apparent_power_va, power_factor;
    tw_value bridge_phase_lag_rad, coil_phase_lag_rad;
    tw_value equivalent_resistance_ohm, equivalent_inductance_h;
    tw_value duty;                        /* midpoint's high share of the period at half rail */
    tw_value forced_commutation_energy_j; /* per period */
    tw_revealed_edge falling, rising;
    tw_commutation commutation;
    bool current_reversed, voltage_reversed; /* corrected here */
    size_t whole_cycles;
    double samples_per_swing;

    /* per cycle */
    tw_cycle *cycles;
    size_t n_cycles;

    /* waveforms on the record's own time axis [samples], corrected for skew; NaN in gaps */
    size_t samples;
    double interval_s, start_s;
    double *coil_current_a, *coil_voltage_v, *midpoint_v, *capacitor_v, *high_device_a, *low_device_a;

    /* the same folded into one period [n_fold] (starts at the midpoint's rise) */
    size_t n_fold;
    double *fold_time_s, *fold_current_a, *fold_coil_v, *fold_midpoint_v, *fold_capacitor_v, *fold_high_a, *fold_low_a;

    /* how well the two-level model fits: rms of the midpoint's deviation from its rail while a device conducts */
    double conduction_residual_v;
    tw_warnings warnings;
} tw_revealed;

/* The main job. Errors: TW_BAD_ARGUMENT (a field of record or prior, by name), TW_BAD_DATA (no switching found,
 * constant channel, too few samples, all gaps, clipped or saturated beyond use), TW_NEEDS_OPTION (none of rail voltage,
 * capacitance, loop gain is known; only the capacitance, and its voltage is lost in the noise), TW_NO_CONVERGENCE. *out
 * goes to the caller (tw_revealed_dispose).
 * Warnings: gaps, clipped_current, clipped_voltage, envelope, few_cycles, few_samples_per_swing, reversed_polarity,
 * noisy_voltage, clamp_conducting, transformer_saturating, inconsistent_current_scale, inconsistent_voltage_scale,
 * inconsistent_priors, capacitor_voltage_lost (capacitance, resonance and capacitor voltage are then unknown unless the
 * capacitance was stated). */
tw_status tw_reveal(tw_ctx *ctx, const tw_record *record, const tw_prior *prior, tw_revealed *out) TW_MUST_USE;
void tw_revealed_dispose(tw_revealed *revealed);

#endif

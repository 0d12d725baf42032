/* circuit: the switching engine.
 *
 * A power stage is a set of linear networks, one per conduction state: x' = A x + b, y = C x + d, with exits
 * at gate edges (known times) and where a linear functional of the state crosses zero (a device's current
 * ends, a floating midpoint reaches a rail). Between exits the solution is exact (sum of exponentials, or the
 * matrix exponential where the modes are defective); nothing is stepped, nothing is missed, grazing included.
 * Derivation and sources: docs/theory.md, sections "Conduction states", "Events", "Steady state", "Energy".
 *
 * Model of one leg. The midpoint with the snubber capacitance C_m = 2 C_s to the rails is a state. A switch or
 * diode conducts with v = threshold + slope * (leg current); it stops where its own current (leg current plus the
 * current that keeps the snubbers on the device's drop) reaches zero; the midpoint then floats until a device takes
 * over. A switch that closes on a midpoint at voltage dV brings it over at once and dissipates 1/2 C_m dV^2.
 *
 * Signs: the coil current is positive out of the midpoint; coil voltage = R_1 i + L di/dt + pan part, so that
 * v_m = v_coil + esr * i + v_C. Gate timing: high switch on from t = 0 for T/2 - t_d, both off for t_d, low
 * switch on for T/2 - t_d, both off for t_d.
 */
#ifndef TANKWRIGHT_CIRCUIT_H
#define TANKWRIGHT_CIRCUIT_H

#include "tankwright/base.h"

/* ---- a half bridge on a constant rail ------------------------------------------------------------ */

/* On-state law v = threshold + slope * i; both may be zero. */
typedef struct tw_device {
    double threshold_v;
    double slope_ohm;
} tw_device;

/* One branch of the pan chain: a magnetizing inductance in parallel with a resistance, in series with the
 * others: v_k = R_k (i - i_k) = L_k di_k/dt, Z_k = j w L_k R_k / (R_k + j w L_k). */
typedef struct tw_chain_branch {
    double inductance_h;
    double resistance_ohm;
} tw_chain_branch;

#define TW_MAX_BRANCHES 12

/* Coil with pan as seen at its terminals: R_1 and L_s in series with the branches. */
typedef struct tw_load {
    double resistance_ohm; /* R_1 > = 0 */
    double inductance_h;   /* L_s > 0 */
    size_t n_branches;
    tw_chain_branch branches[TW_MAX_BRANCHES];
} tw_load;

/* Load of the coupled-coil model: L_m = k^2 L_1, L_s = L_1 - L_m, one branch (L_m, R_2); k = 0 gives none. */
tw_load tw_load_coupled(double coil_inductance_h, double coil_resistance_ohm, double coupling,
                        double pan_resistance_ohm);

/* Impedance of the load at angular frequency w: *re + j *im, ohm. */
void tw_load_impedance(const tw_load *load, double w_rad_s, double *re, double *im);

/* Resonance: frequency where Im Z(w) = 1/(w C); the highest one where several exist. TW_OUT_OF_RANGE when
 * none lies between 1 Hz and 100 MHz. */
tw_status tw_load_resonance(tw_ctx *ctx, const tw_load *load, double capacitance_f, double *frequency_hz) TW_MUST_USE;

typedef struct tw_half_bridge {
    double rail_v;                /* > 0 */
    double frequency_hz;          /* > 0 */
    double dead_time_s;           /* >= 0, < 1/(2 f) */
    double snubber_capacitance_f; /* per switch, >= 0; see tw_half_bridge_check for the floor */
    tw_device transistor, diode;
    double capacitance_f; /* total resonant capacitance seen by the coil, > 0 */
    double esr_ohm;       /* >= 0 */
    bool split;           /* two halves to the two rails, or one capacitor to the low side */
    tw_load load;
} tw_half_bridge;

/* First field outside its legal range, by name. */
tw_status tw_half_bridge_check(tw_ctx *ctx, const tw_half_bridge *stage) TW_MUST_USE;

/* ---- commutation ---------------------------------------------------------------------------------- */

typedef enum tw_commutation {
    TW_COMMUTATION_UNKNOWN,
    TW_COMMUTATION_FULL_ZVS,    /* the swing ends before the current's zero crossing and the switch closes in between */
    TW_COMMUTATION_PARTIAL_ZVS, /* the current reverses or the switch closes before the swing is complete */
    TW_COMMUTATION_REBOUND,     /* swing complete, current reversed within the dead time, midpoint sprang back */
    TW_COMMUTATION_HARD         /* the current is against the swing at turn-off */
} tw_commutation;

/* "full-zvs", "partial-zvs", "rebound", "hard", "unknown". */
const char *tw_commutation_word(tw_commutation verdict);

/* The worse of two verdicts: hard > partial > rebound > full; unknown is the mildest. */
tw_commutation tw_commutation_worse(tw_commutation a, tw_commutation b);

/* One commutation of the period. Times are counted from the period's start (high gate on) and may run past the
 * period's end so that turn_off <= swing_end. */
typedef struct tw_edge {
    bool rising; /* false: the high switch opens and the midpoint should fall */
    tw_commutation verdict;
    double turn_off_s;         /* the gate opens */
    double turn_on_s;          /* the other gate closes: turn_off + dead time */
    double turn_off_current_a; /* coil current at turn_off, positive when it drives the midpoint to the other rail */
    double swing_end_s;        /* the other rail is reached, or the closing switch forced it there */
    double swing_time_s;       /* swing_end - turn_off */
    double zero_crossing_s;    /* coil current's zero crossing towards reversal: the first after turn_off, or for
                                  `hard` the last before it; NaN where there is none within half a period */
    double zero_crossing_margin_s;              /* zero_crossing - swing_end */
    double window_shortest_s, window_longest_s; /* dead times that would be soft here: from the swing's free completion
                                    to the zero crossing (the midpoint left alone); NaN where no dead time is soft */
    double forced_voltage_v;                    /* midpoint's distance from where the closing switch took it, >= 0 */
    double forced_energy_j;                     /* lost at once when the switch closed */
} tw_edge;

/* ---- periodic operating point -------------------------------------------------------------------- */

typedef enum tw_signal {
    TW_SIGNAL_MIDPOINT_VOLTAGE,
    TW_SIGNAL_COIL_VOLTAGE,
    TW_SIGNAL_COIL_CURRENT,
    TW_SIGNAL_CAPACITOR_VOLTAGE,   /* tank end of the coil against the low side */
    TW_SIGNAL_HIGH_DEVICE_CURRENT, /* from the rail into the midpoint: transistor positive, diode negative */
    TW_SIGNAL_LOW_DEVICE_CURRENT,  /* from the midpoint to the low side: transistor positive, diode negative */
    TW_SIGNAL_SUPPLY_CURRENT,      /* drawn from the rail, snubber and split-capacitor currents included */
    TW_SIGNAL_PAN_CURRENT,         /* referred to the coil: i - i_k of the first branch; 0 without one */
    TW_SIGNAL_COUNT
} tw_signal;

const char *tw_signal_key(tw_signal signal);  /* "midpoint_voltage", ... */
const char *tw_signal_unit(tw_signal signal); /* "V" or "A" */

/* Energies per period, joule. */
typedef struct tw_energy {
    double supplied;
    double coil, pan, esr;    /* R_1; the branches' resistances; the capacitor's ESR */
    double transistor, diode; /* on-state, both switches */
    double forced;            /* forced commutation */
    double stored;            /* change over the period: 0 in the steady state, to rounding */
    double residual;          /* supplied - all the others */
    double throughput;        /* scale for the residual: integral of |v_m i| over the period */
} tw_energy;

typedef struct tw_device_stress {
    double transistor_average_a, transistor_rms_a, transistor_peak_a;
    double diode_average_a, diode_rms_a, diode_peak_a;
} tw_device_stress;

/* Everything about the period, by exact integrals over the pieces. */
typedef struct tw_operating_point {
    double period_s;
    double coil_current_peak_a, coil_current_rms_a; /* peak of |i| */
    double coil_voltage_rms_v, coil_voltage_peak_v;
    double capacitor_voltage_peak_v; /* half of the peak-to-peak swing (AC part) */
    double capacitor_voltage_mean_v;
    double real_power_w;          /* mean of v_coil i */
    double reactive_power_var;    /* IEEE Std 1459 fundamental reactive power of v_coil and i */
    double apparent_power_va;     /* coil rms volts times rms amperes */
    double supply_power_w;        /* rail volts times mean supply current */
    double bridge_phase_lag_rad;  /* fundamental of v_m over i, positive when the current lags */
    double coil_phase_lag_rad;    /* fundamental of v_coil over i */
    double resonant_frequency_hz; /* NaN where tw_load_resonance finds none */
    double equivalent_resistance_ohm, equivalent_inductance_h; /* of the load at the switching frequency */
    double midpoint_capacitance_f;
    tw_edge falling, rising;
    tw_commutation commutation;         /* the worse of the two */
    double forced_commutation_energy_j; /* per period */
    tw_device_stress high, low;
    tw_energy energy;
    size_t newton_steps, pieces, exponentials, root_steps; /* what the solution cost */
} tw_operating_point;

typedef struct tw_steady_opts {
    size_t max_newton_steps; /* default 40 */
    double tolerance;        /* relative change of the state over a period, default 1e-12 */
} tw_steady_opts;

tw_steady_opts tw_steady_opts_default(void);

/* A periodic solution: its pieces, ready to be evaluated anywhere. */
typedef struct tw_steady tw_steady;

/* Finds the periodic solution of the stage. Errors: TW_OUT_OF_RANGE names the field; TW_NO_CONVERGENCE tells the
 * residual reached. `opts` NULL = default. *out goes to the caller (tw_steady_destroy). */
tw_status tw_steady_solve(tw_ctx *ctx, const tw_half_bridge *stage, const tw_steady_opts *opts,
                          tw_steady **out) TW_MUST_USE;
void tw_steady_destroy(tw_steady *steady);

/* Solves another stage in the storage of an earlier solution, which is gone afterwards: no allocation but for runs of
 * very many pieces. `near` starts from that solution's state, which pays where the stages differ little; it needs the
 * same number of branches, and where it leads nowhere the usual start is taken. After a failure `steady` holds nothing
 * and may only be resolved again or destroyed. The result depends on the start by rounding only. */
tw_status tw_steady_resolve(tw_ctx *ctx, tw_steady *steady, const tw_half_bridge *stage, const tw_steady_opts *opts,
                            bool near) TW_MUST_USE;

/* Borrowed, valid as long as `steady`. */
const tw_operating_point *tw_steady_point(const tw_steady *steady);

/* The signal at n times (any finite seconds; taken modulo the period), into out[n]. Exact to rounding; at a forced
 * jump the later value. */
void tw_steady_sample(const tw_steady *steady, tw_signal signal, const double *time_s, size_t n, double *out);

/* Times in [0, T) where pieces begin, ascending (gate edges, swing ends, device changes): for plots and for
 * integration by others. Returns the count; writes at most `capacity` of them. */
size_t tw_steady_breaks(const tw_steady *steady, double *time_s, size_t capacity);

/* Complex Fourier coefficient of a signal at harmonic n >= 1, peak amplitude, cosine phase:
 * signal ~ sum Re{ (re + j im) exp(j n w t) }. Exact. */
void tw_steady_harmonic(const tw_steady *steady, tw_signal signal, unsigned n, double *re, double *im);

/* ---- mains run ------------------------------------------------------------------------------------- */

/* Mains, source impedance, four diodes, rail capacitor. Derivation: docs/theory.md, "Mains run". */
typedef struct tw_mains_supply {
    double voltage_rms_v;         /* > 0 */
    double frequency_hz;          /* > 0, at most a tenth of the stage's */
    double source_inductance_h;   /* >= 1 nH */
    double source_resistance_ohm; /* >= 0 */
    double rail_capacitance_f;    /* > 0 */
    tw_device rectifier;          /* each of the four diodes */
} tw_mains_supply;

/* First field outside its legal range, by name. */
tw_status tw_mains_supply_check(tw_ctx *ctx, const tw_mains_supply *supply) TW_MUST_USE;

typedef enum tw_mains_signal {
    TW_MAINS_SOURCE_VOLTAGE, /* before the source's impedance */
    TW_MAINS_SOURCE_CURRENT,
    TW_MAINS_RAIL_VOLTAGE,
    TW_MAINS_MIDPOINT_VOLTAGE,
    TW_MAINS_COIL_CURRENT,
    TW_MAINS_CAPACITOR_VOLTAGE,
    TW_MAINS_SIGNAL_COUNT
} tw_mains_signal;

const char *tw_mains_signal_key(tw_mains_signal signal); /* "source_voltage", ... */
const char *tw_mains_signal_unit(tw_mains_signal signal);

/* One sample of the recorded half cycles; true asks to stop. */
typedef bool tw_mains_sample_fn(double time_s, const double values[TW_MAINS_SIGNAL_COUNT], void *user);

typedef struct tw_mains_opts {
    size_t half_cycles;       /* recorded, 1 .. 1000; default 1 */
    size_t most_settling;     /* half cycles run before, until the envelope repeats; default 12 */
    double settled;           /* change of rail voltage and source current from one mains zero to the next, relative to
                                 the mains peak and the largest source current, that counts as repeated; default 1e-3 */
    unsigned harmonics;       /* of the source current, 0 .. 40; default 0: they take longer than the run itself */
    double sample_interval_s; /* > 0 where `sample` is set */
    tw_mains_sample_fn *sample; /* NULL: none */
    void *user;
} tw_mains_opts;

tw_mains_opts tw_mains_opts_default(void);

/* One period of the stage: high gate on at time_s. Energies and means are over this period; an edge belongs to the
 * period in which its gate opens. */
typedef struct tw_mains_cycle {
    double time_s; /* from the mains zero at which recording began */
    double rail_v; /* at time_s */
    double coil_current_peak_a, coil_current_rms_a;
    double real_power_w;              /* into the coil's terminals */
    double turn_off_current_a[2];     /* falling, rising edge; positive drives the midpoint to the other rail */
    double zero_crossing_margin_s[2]; /* as tw_edge; NaN where the current does not cross before the next turn-off */
    tw_commutation verdict[2];
    double forced_energy_j;
    size_t events; /* changes of conduction state */
} tw_mains_cycle;

/* Energies over the recorded time, joule. */
typedef struct tw_mains_energy {
    double supplied; /* by the source, before its impedance */
    double source_resistance, rectifier;
    double coil, pan, esr, transistor, diode, forced;
    double stored;   /* change */
    double residual; /* supplied - all the others */
    double
        throughput; /* integral of |source voltage x current| and of the coil's |energy flow|, the residual's scale */
} tw_mains_energy;

#define TW_MAINS_HARMONICS 40

typedef struct tw_mains_result {
    size_t n_cycles;
    tw_mains_cycle *cycles;   /* [n_cycles] of the recorded half cycles; the envelope is their coil_current_peak_a */
    bool settled;             /* the envelope repeated before recording began */
    size_t settling;          /* half cycles that took */
    double change;            /* last relative change from one mains zero to the next */
    size_t weakest;           /* cycle with the worst verdict, among equals the smallest margin */
    double weakest_phase_rad; /* where in the half cycle, 0 .. pi from the mains zero */
    double rail_least_v, rail_most_v, coil_current_peak_a;
    double real_power_w; /* mean into the coil */
    double source_current_rms_a, source_power_w, power_factor;
    unsigned n_harmonics;                      /* as asked for */
    double harmonic_a[TW_MAINS_HARMONICS + 1]; /* rms of the n-th; even ones are 0 by symmetry */
    double distortion;                         /* all but the fundamental over the fundamental; NaN without harmonics */
    tw_mains_energy energy;
    size_t events, forced_events;
} tw_mains_result;

/* Runs stage and supply from rest with the rail at the mains peak, first until the envelope repeats, then through the
 * recorded half cycles. stage->rail_v is not used. Progress goes through `ctx`. *result must be disposed of after
 * TW_OK. Errors: TW_OUT_OF_RANGE names the field, TW_CANCELLED, TW_TOO_LARGE for storms of events. */
tw_status tw_mains_run(tw_ctx *ctx, const tw_half_bridge *stage, const tw_mains_supply *supply,
                       const tw_mains_opts *opts, tw_mains_result *result) TW_MUST_USE;
void tw_mains_result_dispose(tw_mains_result *result);

/* ---- other arrangements, any duty ------------------------------------------------------------------ */

typedef enum tw_arrangement {
    TW_ARRANGEMENT_HALF,  /* one leg; coil and capacitor to the low side */
    TW_ARRANGEMENT_FULL,  /* two legs, coil and capacitor between their midpoints */
    TW_ARRANGEMENT_SINGLE /* coil beside capacitor from the rail to a node, one switch with diode from there to the low
                             side: a parallel quasi-resonant stage */
} tw_arrangement;

/* Gate timing of a leg: high switch on from 0 to duty T - t_d, low switch from duty T to T - t_d; the second leg the
 * same, later by phase_shift/(2 pi) T (pi: opposite). The single switch is on from 0 to duty T. In the single-switch
 * stage the midpoint is the switch's node, a positive coil current runs from the rail into it, the snubber is the
 * switch's own, and esr must be 0 (put it into the coil's resistance). Outside the half bridge `split` is not used. */
typedef struct tw_stage {
    tw_arrangement arrangement;
    tw_half_bridge bridge;
    double duty;            /* 0 .. 1, with room for the dead times */
    double phase_shift_rad; /* 0 .. pi; full bridge only */
} tw_stage;

tw_status tw_stage_check(tw_ctx *ctx, const tw_stage *stage) TW_MUST_USE;

/* Periodic solution over a whole period, no symmetry taken for granted. */
typedef struct tw_cycle tw_cycle;

/* As tw_steady_solve. TW_NO_CONVERGENCE where none of the period was found. */
tw_status tw_cycle_solve(tw_ctx *ctx, const tw_stage *stage, const tw_steady_opts *opts, tw_cycle **out) TW_MUST_USE;
void tw_cycle_destroy(tw_cycle *cycle);

/* The record of tw_steady_point. Edges and devices are the first leg's. In the single-switch stage `low` is the
 * switch, `high` is zero, `falling` tells how the node came down before the switch closed (turn_off is the switch's
 * own, its current that into the node; swing_end the node's arrival) and `rising` repeats it. bridge_phase_lag is that
 * of the voltage across coil and capacitor (single: across the coil). window_* only where the swing was complete. */
const tw_operating_point *tw_cycle_point(const tw_cycle *cycle);

/* Edges and devices of leg 0 or 1 (full bridge). */
void tw_cycle_leg(const tw_cycle *cycle, size_t leg, tw_edge *falling, tw_edge *rising, tw_device_stress *high,
                  tw_device_stress *low);

/* Largest modulus of the multipliers by which a small disturbance of the periodic state changes per period: below 1 the
 * solution is stable. */
double tw_cycle_multiplier(const tw_cycle *cycle);

/* As tw_steady_sample, for midpoint, coil and capacitor voltage, coil and pan current, first leg's devices. Others give
 * NaN. */
void tw_cycle_sample(const tw_cycle *cycle, tw_signal signal, const double *time_s, size_t n, double *out);

/* ---- transient runs -------------------------------------------------------------------------------- */

/* A stage moving through time from a state of the caller's, with or without drive. */
typedef struct tw_transient tw_transient;

typedef struct tw_transient_state {
    double coil_current_a;
    double branch_current_a[TW_MAX_BRANCHES];
    double capacitor_v;
    double midpoint_v[2]; /* of each leg */
} tw_transient_state;

/* At rest: no currents, capacitor empty (half bridge with a split one: half the rail), midpoints at half the rail
 * (single: at the rail). */
tw_transient_state tw_transient_rest(const tw_stage *stage);

/* A run from `state` at time 0, all gates off. */
tw_status tw_transient_create(tw_ctx *ctx, const tw_stage *stage, const tw_transient_state *state,
                              tw_transient **out) TW_MUST_USE;
void tw_transient_destroy(tw_transient *run);

/* Moves on by a time. `driven`: gates follow the stage's timing, whose period begins at this call's start, and stay as
 * they are at its end; not driven: all gates open. Events beyond the budget of a period: TW_TOO_LARGE. */
tw_status tw_transient_advance(tw_ctx *ctx, tw_transient *run, double duration_s, bool driven) TW_MUST_USE;

/* Holds the given gates on (bit 0 high, 1 low of the first leg, 2 and 3 of the second) for a time: test pulses. */
tw_status tw_transient_hold(tw_ctx *ctx, tw_transient *run, unsigned gates, double duration_s) TW_MUST_USE;

double tw_transient_time(const tw_transient *run);
tw_transient_state tw_transient_now(const tw_transient *run);

/* As tw_cycle_sample at times from 0 to now. */
void tw_transient_sample(const tw_transient *run, tw_signal signal, const double *time_s, size_t n, double *out);

/* Energy supplied by the rail less everything dissipated and stored since the start, and the integral of |coil voltage
 * x current| as its scale, joule. */
void tw_transient_balance(const tw_transient *run, double *residual_j, double *throughput_j);

#endif

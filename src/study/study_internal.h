/* study, private: what its files share. */
#ifndef TW_STUDY_INTERNAL_H
#define TW_STUDY_INTERNAL_H

#include "tankwright/coil.h"
#include "tankwright/plan.h"
#include "tankwright/reveal.h"
#include "tankwright/study.h"

/* Every result name of the contract: identifier, key, label, unit, group. Order is the order on the page. */
#define TW_STUDY_FIELDS(X)                                                                                        \
    X(SWITCHING_FREQUENCY, "switching_frequency", "switching frequency", "Hz", DRIVE)                             \
    X(RESONANT_FREQUENCY, "resonant_frequency", "resonant frequency", "Hz", DRIVE)                                \
    X(RAIL_VOLTAGE, "rail_voltage", "rail voltage", "V", DRIVE)                                                   \
    X(LOOP_GAIN, "loop_gain", "loop gain", "", DRIVE)                                                             \
    X(CHANNEL_SKEW, "channel_skew", "channel skew", "s", DRIVE)                                                   \
    X(DUTY, "duty", "share of the period with the midpoint high", "", DRIVE)                                      \
    X(WHOLE_CYCLES, "whole_cycles", "whole cycles in the record", "", DRIVE)                                      \
    X(REAL_POWER, "real_power", "real power into the coil", "W", POWER)                                           \
    X(REACTIVE_POWER, "reactive_power", "reactive power", "var", POWER)                                           \
    X(APPARENT_POWER, "apparent_power", "apparent power", "VA", POWER)                                            \
    X(POWER_FACTOR, "power_factor", "power factor of the coil", "", POWER)                                        \
    X(SUPPLY_POWER, "supply_power", "power from the rail", "W", POWER)                                            \
    X(PAN_POWER, "pan_power", "power in the pan", "W", POWER)                                                     \
    X(EFFICIENCY, "efficiency", "share of the rail's power that reaches the pan", "", POWER)                      \
    X(COIL_CURRENT_PEAK, "coil_current_peak", "coil current, peak", "A", COIL)                                    \
    X(COIL_CURRENT_RMS, "coil_current_rms", "coil current, rms", "A", COIL)                                       \
    X(COIL_VOLTAGE_RMS, "coil_voltage_rms", "coil voltage, rms", "V", COIL)                                       \
    X(CAPACITOR_VOLTAGE_PEAK, "capacitor_voltage_peak", "capacitor voltage, peak", "V", COIL)                     \
    X(BRIDGE_PHASE_LAG, "bridge_phase_lag", "current lags the midpoint by", "deg", COIL)                          \
    X(COIL_PHASE_LAG, "coil_phase_lag", "current lags the coil voltage by", "deg", COIL)                          \
    X(EQUIVALENT_RESISTANCE, "equivalent_resistance", "equivalent resistance", "ohm", LOAD)                       \
    X(EQUIVALENT_INDUCTANCE, "equivalent_inductance", "equivalent inductance", "H", LOAD)                         \
    X(TANK_CAPACITANCE, "tank_capacitance", "tank capacitance", "F", LOAD)                                        \
    X(MIDPOINT_CAPACITANCE, "midpoint_capacitance", "midpoint capacitance", "F", LOAD)                            \
    X(TURN_OFF_CURRENT, "turn_off_current", "turn-off current", "A", COMMUTATION)                                 \
    X(SWING_TIME, "swing_time", "swing time", "s", COMMUTATION)                                                   \
    X(ZERO_CROSSING_MARGIN, "zero_crossing_margin", "zero-crossing margin", "s", COMMUTATION)                     \
    X(ZERO_CROSSING_MARGIN_FRACTION, "zero_crossing_margin_fraction", "margin as a share of the period", "",      \
      COMMUTATION)                                                                                                \
    X(DEAD_TIME, "dead_time", "dead time", "s", COMMUTATION)                                                      \
    X(FORCED_COMMUTATION_ENERGY, "forced_commutation_energy", "forced commutation, per period", "J", COMMUTATION) \
    X(SAMPLES_PER_SWING, "samples_per_swing", "samples per swing", "", COMMUTATION)                               \
    X(HIGH_TRANSISTOR_AVERAGE, "high_transistor_current_average", "high transistor, average", "A", STRESS)        \
    X(HIGH_TRANSISTOR_RMS, "high_transistor_current_rms", "high transistor, rms", "A", STRESS)                    \
    X(HIGH_TRANSISTOR_PEAK, "high_transistor_current_peak", "high transistor, peak", "A", STRESS)                 \
    X(HIGH_DIODE_AVERAGE, "high_diode_current_average", "high diode, average", "A", STRESS)                       \
    X(HIGH_DIODE_RMS, "high_diode_current_rms", "high diode, rms", "A", STRESS)                                   \
    X(HIGH_DIODE_PEAK, "high_diode_current_peak", "high diode, peak", "A", STRESS)                                \
    X(LOW_TRANSISTOR_AVERAGE, "low_transistor_current_average", "low transistor, average", "A", STRESS)           \
    X(LOW_TRANSISTOR_RMS, "low_transistor_current_rms", "low transistor, rms", "A", STRESS)                       \
    X(LOW_TRANSISTOR_PEAK, "low_transistor_current_peak", "low transistor, peak", "A", STRESS)                    \
    X(LOW_DIODE_AVERAGE, "low_diode_current_average", "low diode, average", "A", STRESS)                          \
    X(LOW_DIODE_RMS, "low_diode_current_rms", "low diode, rms", "A", STRESS)                                      \
    X(LOW_DIODE_PEAK, "low_diode_current_peak", "low diode, peak", "A", STRESS)                                   \
    X(ENERGY_SUPPLIED, "energy_supplied", "from the rail, per period", "J", STRESS)                               \
    X(ENERGY_COIL, "energy_coil", "in the coil, per period", "J", STRESS)                                         \
    X(ENERGY_PAN, "energy_pan", "in the pan, per period", "J", STRESS)                                            \
    X(ENERGY_CAPACITOR, "energy_capacitor", "in the capacitor's ESR, per period", "J", STRESS)                    \
    X(ENERGY_TRANSISTOR, "energy_transistor", "transistors' on-state, per period", "J", STRESS)                   \
    X(ENERGY_DIODE, "energy_diode", "diodes' on-state, per period", "J", STRESS)                                  \
    X(ENERGY_RESIDUAL, "energy_residual", "left open in the balance, per period", "J", STRESS)                    \
    X(CONDUCTION_RESIDUAL, "conduction_residual", "midpoint off its rail while conducting, rms", "V", STRESS)

/* An edge's own fields. */
#define TW_STUDY_EDGE_FIELDS(X)                                                                                  \
    X(EDGE_TURN_OFF_CURRENT, "turn_off_current", "turn-off current", "A", COMMUTATION)                           \
    X(EDGE_SWING_TIME, "swing_time", "swing time", "s", COMMUTATION)                                             \
    X(EDGE_MARGIN, "zero_crossing_margin", "zero-crossing margin", "s", COMMUTATION)                             \
    X(EDGE_MARGIN_FRACTION, "zero_crossing_margin_fraction", "margin as a share of the period", "", COMMUTATION) \
    X(EDGE_DEAD_TIME_SHORTEST, "dead_time_shortest", "shortest soft dead time", "s", COMMUTATION)                \
    X(EDGE_DEAD_TIME_LONGEST, "dead_time_longest", "longest soft dead time", "s", COMMUTATION)                   \
    X(EDGE_FORCED_VOLTAGE, "forced_voltage", "voltage closed upon", "V", COMMUTATION)                            \
    X(EDGE_FORCED_ENERGY, "forced_commutation_energy", "energy lost per edge", "J", COMMUTATION)                 \
    X(EDGE_TURN_OFF_TIME, "turn_off_time", "gate opens at", "s", COMMUTATION)                                    \
    X(EDGE_SWING_END_TIME, "swing_end_time", "swing ends at", "s", COMMUTATION)                                  \
    X(EDGE_ZERO_CROSSING_TIME, "zero_crossing_time", "current crosses zero at", "s", COMMUTATION)                \
    X(EDGE_CLOSING_TIME, "closing_time", "other switch closes at", "s", COMMUTATION)

typedef enum tw_study__id {
#define TW_STUDY_ID(id, key, label, unit, group) TW_STUDY_##id,
    TW_STUDY_FIELDS(TW_STUDY_ID) TW_STUDY_EDGE_FIELDS(TW_STUDY_ID)
#undef TW_STUDY_ID
        TW_STUDY_ID_COUNT
} tw_study__id;

/* Appends a field; the arrays are as long as the tables above, so there is always room. */
void tw_study__add(tw_reading *reading, tw_study__id id, tw_value value);
void tw_study__add_edge(tw_reading_edge *edge, tw_study__id id, tw_value value);

/* Puts the fields into the order of the table, whatever order they were added in. */
void tw_study__sort_fields(tw_reading *reading);

/* The value in other units: factor * v. */
tw_value tw_study__times(tw_value v, double factor);

/* The top-level turn_off_current, swing_time, margin and its fraction: those of the edge with the smaller margin. */
void tw_study__add_worst_edge(tw_reading *reading);

/* Adds the mark in every period so that it lies on the axis [0, span_s]; gates are cut at the ends. Marks with a NaN
 * are left out. */
void tw_study__add_mark(tw_reading *reading, tw_mark_kind kind, double begin_s, double end_s, double period_s,
                        double span_s);

/* Adds a curve of n zeroed values, for the caller to fill. */
tw_status tw_study__add_wave(tw_ctx *ctx, tw_wave *waves, size_t *n_waves, size_t n, tw_signal signal,
                             double **values) TW_MUST_USE;
/* The key, label and unit of a signal's curve, without values. */
tw_wave tw_study__wave(tw_signal signal);

/* A field of that key, from the table of results or else of edges; key NULL where there is none. */
tw_field tw_study__field(const char *key, double value);

/* Label in plain words: "midpoint voltage". */
const char *tw_study__signal_label(tw_signal signal);

/* The rail as the rig states it at the moment of the record; unknown where it does not. */
tw_value tw_study__record_rail(const tw_rig *rig);

/* What reveal may know beforehand. */
tw_prior tw_study__prior(const tw_rig *rig);

/* The rig's current pick-up with all that core, wire and integrator say about it. A Rogowski coil stands as the
 * transformer of the same transfer (pickup room). Unknown where the rig does not tell; an unknown magnetizing
 * inductance is infinite. */
typedef struct tw_study__pickup {
    tw_value turns, burden_ohm, magnetizing_inductance_h, winding_resistance_ohm, clamp_onset_v;
    tw_value ring_length_m, ring_area_m2; /* of the ring's dimensions alone */
    tw_value length_m, area_m2;           /* effective: stated, else the ring's */
    tw_value inductance_factor_h;         /* stated, else by the permeability */
    tw_value core_inductance_h;           /* A_L N^2 */
    tw_value wire_diameter_m, wire_length_m, wire_resistance_ohm;
    tw_value sensitivity_v_per_a; /* rogowski */
} tw_study__pickup;
tw_study__pickup tw_study__resolve_pickup(const tw_rig *rig);

/* Warnings about what contradicts itself in the rig's current pick-up. */
tw_status tw_study__check_pickup(tw_ctx *ctx, const tw_rig *rig, const tw_study__pickup *pickup,
                                 tw_warnings *warnings) TW_MUST_USE;

/* The current pick-up of the rig as a transformer; errors name the key. */
tw_status tw_study__transformer(tw_ctx *ctx, const tw_rig *rig, tw_transformer *out) TW_MUST_USE;

/* ---- the field of coil and pan (study_field.c, study_field_load.c) ---- */

#define TW_STUDY_FERRITE_PERMEABILITY 2000.0 /* where the rig does not say: common practice, no source */

/* Whether the rig says enough of its winding for the field model. */
bool tw_study__has_geometry(const tw_rig *rig);

/* The winding alone; errors name the key. *turn (NULL for a section) is to be freed by the caller. */
tw_status tw_study__winding(tw_ctx *ctx, const tw_rig *rig, tw_winding *out, tw_turn **turn) TW_MUST_USE;

typedef struct tw_study__coil_field {
    tw_turn *turn; /* owned; what the winding borrows */
    tw_winding winding;
    tw_stack below, pan; /* pan.n_layers 0: none */
    double below_gap_m, gap_m;
    bool has_wire;
    tw_wire wire;
    tw_coil_plan *plan;
} tw_study__coil_field;

/* least_gap_m: the smallest gap that will be asked for; 0: the rig's. with_pan false leaves the rig's pan out. On
 * failure there is nothing to dispose of. */
tw_status tw_study__field_make(tw_ctx *ctx, const tw_rig *rig, bool with_pan, double least_gap_m,
                               tw_study__coil_field *out) TW_MUST_USE;
void tw_study__field_dispose(tw_study__coil_field *field);

/* The coil without pan as the circuit sees it, and what the field model says of it. */
typedef struct tw_study__coil_values {
    double inductance_h, resistance_ohm;                   /* stated where stated, else computed */
    double computed_inductance_h, computed_resistance_ohm; /* NaN without geometry or wire */
    double scale; /* what the field's impedances are multiplied by: stated over computed inductance */
} tw_study__coil_values;

/* `field` as made with or without pan; the resistance is that at the frequency, with the pan there. */
tw_status tw_study__coil_resolve(tw_ctx *ctx, const tw_rig *rig, const tw_study__coil_field *field, double frequency_hz,
                                 tw_study__coil_values *out) TW_MUST_USE;

/* How the load of a stage came about. */
typedef struct tw_study__load_notes {
    double coil_h, coil_ohm;    /* the coil's own part */
    tw_study__coil_values coil; /* scale NaN where no field was computed */
    double fit_error;           /* of the chain; NaN without field */
    size_t iterations;          /* of current and permeability; 0: no saturation */
    double current_peak_a, permeability;
} tw_study__load_notes;

/* The load of a stage whose other members are set. */
tw_status tw_study__take_load(tw_ctx *ctx, const tw_rig *rig, tw_half_bridge *stage,
                              tw_study__load_notes *notes) TW_MUST_USE;

/* tw_study_stage with the notes. */
tw_status tw_study__stage(tw_ctx *ctx, const tw_rig *rig, tw_half_bridge *out, tw_study__load_notes *notes) TW_MUST_USE;

/* Warns where stated and computed coil differ much, and tells what saturation did. */
tw_status tw_study__warn_field(tw_ctx *ctx, const tw_study__load_notes *notes, tw_warnings *list) TW_MUST_USE;

/* The pan of the rig with the first layer's permeability at that peak current of the rig's coil. */
bool tw_study__saturates(const tw_rig *rig);
tw_status tw_study__saturate(tw_ctx *ctx, const tw_rig *rig, const tw_study__coil_field *field, double frequency_hz,
                             double current_peak_a, tw_stack *pan, size_t *iterations) TW_MUST_USE;

/* An axis of the coil's curves: pan.gap or bridge.frequency, the section left out where wanted. */
tw_status tw_study__coil_axis(tw_ctx *ctx, const char *text, size_t default_points, const tw_rig *rig,
                              tw_map_axis *out) TW_MUST_USE;

/* Periods on a reading's time axis. */
#define TW_STUDY_PERIODS 2

/* Fields, edges and marks of an operating point; allocates nothing. */
void tw_study__read_point(const tw_rig *rig, const tw_half_bridge *stage, const tw_operating_point *point,
                          tw_reading *out);

/* The numbers of a rig that shape its operating point. */
typedef struct tw_study__knob {
    const char *key, *label;
    size_t offset; /* of the tw_value in a tw_rig */
    size_t recipe; /* of the double in a tw_study__recipe */
} tw_study__knob;

/* NULL beyond the last. */
const tw_study__knob *tw_study__knob_at(size_t index);
const tw_study__knob *tw_study__find_knob(const char *key);

/* A stage in the making: what a knob turns, so that a point of a map costs no look at the rig. */
typedef struct tw_study__recipe {
    tw_half_bridge stage; /* all but the load */
    tw_pan_kind pan;
    double supply_v, rail_per_supply; /* the rail follows the supply where rail_per_supply > 0 */
    double coil_h, coil_ohm, coupling, pan_ohm, pan_h;
    double gap_m; /* shapes the field: a map that sweeps it makes each stage anew */
    /* pan.kind field: the stage's load is that of this coil, which the knobs scale */
    double field_coil_h, field_coil_ohm;
} tw_study__recipe;

/* The rig must give a stage already (tw_study_stage). */
tw_status tw_study__recipe_make(tw_ctx *ctx, const tw_rig *rig, tw_study__recipe *out) TW_MUST_USE;
void tw_study__recipe_set(tw_study__recipe *recipe, const tw_study__knob *knob, double value);
tw_half_bridge tw_study__recipe_stage(const tw_study__recipe *recipe);

/* Warns that the rail is the crest of the mains, where it is. */
tw_status tw_study__warn_rail(tw_ctx *ctx, const tw_rig *rig, double rail_v, tw_warnings *list) TW_MUST_USE;

/* An axis from its text (tw_map_opts.along); the rig gets the axis's first value. `default_points` where it names no
 * number. Errors carry the option as their place. */
tw_status tw_study__map_axis(tw_ctx *ctx, const char *text, size_t default_points, tw_rig *rig,
                             tw_map_axis *out) TW_MUST_USE;
/* n values from low to high, ends exact. */
tw_status tw_study__fill_axis(tw_ctx *ctx, double low, double high, size_t n, bool logarithmic,
                              tw_map_axis *axis) TW_MUST_USE;

/* "KEY=VALUE" of a target. */
tw_status tw_study__map_target(tw_ctx *ctx, const char *text, tw_field *out) TW_MUST_USE;
/* The result's name from an option. */
tw_status tw_study__map_column(tw_ctx *ctx, const char *option, const char *text, size_t length,
                               tw_plan_column *out) TW_MUST_USE;
/* Where the target is met, into a map that is solved. */
tw_status tw_study__map_inverse(tw_ctx *ctx, const tw_plan_request *request, const tw_plan_map *solved,
                                tw_map *map) TW_MUST_USE;

/* Gives every field of a forecast the standard uncertainty that follows from the rig's. */
tw_status tw_study__spread(tw_ctx *ctx, const tw_rig *rig, tw_reading *out) TW_MUST_USE;

/* A revealed record as a reading; takes the waveforms out of `revealed` (which is still to be disposed of). */
tw_status tw_study__read_revealed(tw_ctx *ctx, const tw_rig *rig, tw_revealed *revealed, tw_reading *out) TW_MUST_USE;

/* Fails with the rig's key as the place. */
#define TW_STUDY_FAIL_KEY(ctx, status, the_key, ...) \
    tw_fail_at((ctx), (status), "study", &(const tw_place){.key = (the_key)}, __VA_ARGS__)

#endif

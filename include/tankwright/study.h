/* study: the use cases. A description goes in (rig, records, options), the rooms do the work, a plain record comes
 * out; no input or output here. Command line, report and page show these records and nothing else, so that they
 * cannot disagree.
 */
#ifndef TANKWRIGHT_STUDY_H
#define TANKWRIGHT_STUDY_H

#include "tankwright/base.h"
#include "tankwright/capture.h"
#include "tankwright/circuit.h"
#include "tankwright/plan.h"
#include "tankwright/rig.h"

/* ---- the reading: what forecast predicts and analyse measures, under the same names ---------------- */

/* One named result. key is the results contract's snake_case name, unit an SI unit without prefix ("deg" for angles,
 * "" for pure numbers). All strings are static. */
typedef struct tw_field {
    const char *key;
    const char *label; /* "real power" */
    const char *unit;
    tw_value value; /* NaN: does not exist here (shown as "-", JSON null) */
    int group;      /* tw_field_group */
} tw_field;

typedef enum tw_field_group {
    TW_GROUP_DRIVE, /* switching frequency, rail voltage, resonance, gain, skew */
    TW_GROUP_POWER,
    TW_GROUP_COIL, /* currents, voltages, phase */
    TW_GROUP_LOAD, /* R, L, C */
    TW_GROUP_COMMUTATION,
    TW_GROUP_STRESS, /* forecast: device currents, energies */
    TW_GROUP_COUNT
} tw_field_group;

const char *tw_field_group_title(tw_field_group group);

/* One edge's numbers as fields, with its verdict. */
#define TW_EDGE_FIELDS 12
typedef struct tw_reading_edge {
    const char *name; /* "falling" or "rising" */
    tw_commutation verdict;
    tw_field fields[TW_EDGE_FIELDS];
    size_t n_fields;
} tw_reading_edge;

/* A curve over the reading's time axis. Values are owned by the reading. */
typedef struct tw_wave {
    const char *key;   /* "midpoint_voltage" */
    const char *label; /* "midpoint voltage" */
    const char *unit;  /* "V", "A" */
    double *values;    /* [n_points] */
} tw_wave;

/* A marked instant or interval on the time axis. */
typedef enum tw_mark_kind {
    TW_MARK_HIGH_GATE,     /* interval: high gate on */
    TW_MARK_LOW_GATE,      /* interval */
    TW_MARK_SWING,         /* interval: turn-off to swing end */
    TW_MARK_ZERO_CROSSING, /* instant: coil current */
    TW_MARK_MARGIN         /* interval: swing end to zero crossing (begin > end when negative) */
} tw_mark_kind;

typedef struct tw_mark {
    tw_mark_kind kind;
    double begin_s, end_s; /* equal for an instant */
} tw_mark;

#define TW_MAX_FIELDS 64
#define TW_MAX_WAVES 12
#define TW_MAX_MARKS 32

typedef enum tw_reading_kind { TW_READING_FORECAST, TW_READING_ANALYSIS } tw_reading_kind;

typedef struct tw_reading {
    tw_reading_kind kind;
    char title[200];  /* the rig's title */
    char source[256]; /* capture file(s), "" for a forecast */
    tw_commutation commutation;
    tw_reading_edge edges[2]; /* falling, rising */
    tw_field fields[TW_MAX_FIELDS];
    size_t n_fields;
    size_t n_points;
    double *time_s; /* [n_points], two periods */
    tw_wave waves[TW_MAX_WAVES];
    size_t n_waves;
    tw_mark marks[TW_MAX_MARKS];
    size_t n_marks;
    tw_warnings warnings;

    /* analysis only: the whole record, for the CSV export; n_record = 0 for a forecast */
    size_t n_record;
    double record_start_s, record_interval_s;
    tw_wave record_waves[TW_MAX_WAVES];
    size_t n_record_waves;
} tw_reading;

/* The field of that key, or NULL. */
const tw_field *tw_reading_field(const tw_reading *reading, const char *key);
void tw_reading_dispose(tw_reading *reading);

/* ---- use cases ------------------------------------------------------------------------------------ */

/* What to expect at the rig's operating point. */
tw_status tw_study_forecast(tw_ctx *ctx, const tw_rig *rig, tw_reading *out) TW_MUST_USE;

/* The stage of a rig, for those who call the engine themselves. Names the rig key that is missing or out of range. */
tw_status tw_study_stage(tw_ctx *ctx, const tw_rig *rig, tw_half_bridge *out) TW_MUST_USE;

/* The record that the recorder would store at the rig's operating point. */
typedef struct tw_rehearse_opts {
    size_t samples;     /* 0: from interval and duration */
    double interval_s;  /* NaN: at least 25 samples per swing, rounded to a 1-2-5 step */
    double duration_s;  /* NaN: twelve periods */
    uint64_t seed;      /* default 1 */
    double skew_s;      /* voltage channel stored later by this; NaN: the rig's recorder.skew, else 0 */
    double start_phase; /* where in the period the record starts, 0..1; NaN: 0.3 */
} tw_rehearse_opts;

tw_rehearse_opts tw_rehearse_opts_default(void);

typedef struct tw_rehearsal {
    size_t samples;
    double interval_s;
    double *current_v, *voltage_v;           /* [samples] as stored */
    double current_range_v, voltage_range_v; /* suggested full vertical span, symmetric about 0 */
    double current_peak_v, voltage_peak_v; /* true peaks, like the ranges in recorded volts (probe factor taken out) */
    double period_s;                       /* of the switching */
    double sweep_s;                        /* suggested record length: a few periods in a 1-2-5 step */
    size_t current_clipped, voltage_clipped;
    tw_warnings warnings;
} tw_rehearsal;

tw_status tw_study_rehearse(tw_ctx *ctx, const tw_rig *rig, const tw_rehearse_opts *opts,
                            tw_rehearsal *out) TW_MUST_USE;
void tw_rehearsal_dispose(tw_rehearsal *rehearsal);

/* ---- the pick-ups ----------------------------------------------------------------------------------- */

typedef enum tw_pickup_group {
    TW_PICKUP_CORE,   /* core and winding */
    TW_PICKUP_SCALE,  /* volts per ampere, volts to expect */
    TW_PICKUP_RANGE,  /* how far it is linear */
    TW_PICKUP_BAND,   /* corners, droop, errors */
    TW_PICKUP_BURDEN, /* heat, what the lead sees */
    TW_PICKUP_EFFECT, /* on the real power */
    TW_PICKUP_LOOP,   /* the sense loop */
    TW_PICKUP_GROUP_COUNT
} tw_pickup_group;

/* A burden of a preferred series for the wanted scale. */
typedef struct tw_burden_choice {
    const char *series; /* "E24" */
    double resistance_ohm, scale_v_per_a;
    double deviation; /* of its scale from the wanted one, relative */
} tw_burden_choice;

typedef struct tw_pickup_opts {
    double scale_v_per_a; /* wanted; NaN: none */
    double lowest_hz;     /* at which the range up to saturation is told; NaN: the switching frequency */
    double direct_a;      /* direct part of the coil's current */
} tw_pickup_opts;

tw_pickup_opts tw_pickup_opts_default(void);

#define TW_PICKUP_FIELDS 48

typedef struct tw_pickup_plan {
    char title[200];
    tw_current_pickup_kind current_kind;
    tw_voltage_pickup_kind voltage_kind;
    tw_field fields[TW_PICKUP_FIELDS]; /* `group` is a tw_pickup_group, in ascending order */
    size_t n_fields;
    tw_burden_choice burdens[2];
    size_t n_burdens;
    /* the current pick-up's errors over frequency, against its nominal scale; n_points = 0 without one */
    size_t n_points;
    double *frequency_hz, *ratio_error, *phase_error_deg; /* [n_points] */
    double marked_hz;                                     /* the switching frequency */
    tw_warnings warnings;
} tw_pickup_plan;

/* The field of that key, or NULL. */
const tw_field *tw_pickup_plan_field(const tw_pickup_plan *plan, const char *key);
void tw_pickup_plan_dispose(tw_pickup_plan *plan);

/* What the rig's pick-ups will do: scale, range, errors, loading. What flows comes from the forecast; where the rig
 * does not suffice for one, a warning says so and what depends on it is left out. With a wanted scale the burden may be
 * unknown: the nearest of series E24 is taken. Errors name the rig's key. *out goes to the caller. */
tw_status tw_study_pickup(tw_ctx *ctx, const tw_rig *rig, const tw_pickup_opts *opts, tw_pickup_plan *out) TW_MUST_USE;

/* What the reader understands of record(s). `rig` (may be NULL) fills in what `opts` (may be NULL) leave open. *out
 * goes to the caller (tw_capture_dispose). */
tw_status tw_study_capture(tw_ctx *ctx, const tw_rig *rig, const char *const *paths, size_t n_paths,
                           const tw_capture_opts *opts, tw_capture *out) TW_MUST_USE;

/* The main job: record(s) and rig to the reading. `opts` as for tw_capture_read (the rig's recorder section fills
 * what they leave open). *out goes to the caller (tw_reading_dispose) in any case: on failure it is an empty reading
 * with the warnings gathered until then. */
tw_status tw_study_analyse(tw_ctx *ctx, const tw_rig *rig, const char *const *paths, size_t n_paths,
                           const tw_capture_opts *opts, tw_reading *out) TW_MUST_USE;

/* ---- maps ------------------------------------------------------------------------------------------ */

typedef struct tw_map_opts {
    /* One or two axes, each "KEY=FROM..TO", "KEY=FROM..TO:POINTS", "KEY=FROM..TO:POINTS:log" or "KEY=VALUE", with a
     * numeric rig key that shapes the operating point. None is legal with a target: the frequency, about resonance. */
    const char *const *along;
    size_t n_along;
    const char *target;         /* "real_power=1200 W", or NULL: where along the (only) axis a result takes a value */
    const char *const *columns; /* result names asked for; a basic set is always there */
    size_t n_columns;
    bool all_columns;
    unsigned threads; /* 0: as many as the machine has */
} tw_map_opts;

tw_map_opts tw_map_opts_default(void);

typedef struct tw_map_axis {
    const char *key, *label, *unit; /* "bridge.frequency", "switching frequency", "Hz"; static */
    bool logarithmic;
    size_t n;
    double *values; /* [n], ascending; the map's */
} tw_map_axis;

typedef struct tw_map_column {
    const char *key, *label, *unit; /* static */
    bool asked;                     /* by the options, or part of the basic set where they ask for none */
    double *values;                 /* [n_points], NaN where it does not exist; the map's */
} tw_map_column;

/* One place along the axis where the target is met. */
typedef struct tw_map_solution {
    double at;
    bool inductive; /* above resonance */
    tw_commutation commutation;
    tw_field fields[TW_PLAN_COLUMN_COUNT];
    size_t n_fields;
} tw_map_solution;

typedef struct tw_map {
    char title[200];
    size_t n_axes;
    tw_map_axis axes[TW_PLAN_AXES];
    size_t n_points; /* product of the axes' lengths; axis 0 varies fastest */
    tw_map_column columns[TW_PLAN_COLUMN_COUNT];
    size_t n_columns;
    unsigned char *commutation; /* [n_points] of tw_commutation */
    size_t n_failed;            /* points without a solution; a warning tells the first */

    /* one axis only */
    tw_plan_region *regions; /* stretches of one verdict, borders exact */
    size_t n_regions;
    double resonance_at; /* where the switching meets the resonance; NaN: nowhere on the axis */

    /* with a target */
    bool has_target;
    tw_field target; /* name and wanted value */
    double least, least_at, most, most_at;
    tw_map_solution *solutions;      /* ascending */
    size_t n_solutions, recommended; /* recommended = n_solutions: none lies above resonance */

    tw_warnings warnings;
} tw_map;

/* Values of the rig are taken as they stand, without their uncertainties. *out goes to the caller (tw_map_dispose).
 * Errors name the option as their place. TW_OUT_OF_RANGE without an option as the place: the target is not met. */
tw_status tw_study_map(tw_ctx *ctx, const tw_rig *rig, const tw_map_opts *opts, tw_map *out) TW_MUST_USE;
void tw_map_dispose(tw_map *map);

/* The column of that key, or NULL. */
const tw_map_column *tw_map_find_column(const tw_map *map, const char *key);

/* ---- state plane ----------------------------------------------------------------------------------- */

/* Who conducts. */
typedef enum tw_conduction {
    TW_CONDUCTS_NONE, /* the midpoint swings */
    TW_CONDUCTS_HIGH_TRANSISTOR,
    TW_CONDUCTS_HIGH_DIODE,
    TW_CONDUCTS_LOW_TRANSISTOR,
    TW_CONDUCTS_LOW_DIODE,
    TW_CONDUCTS_COUNT
} tw_conduction;

const char *tw_conduction_label(tw_conduction who); /* "high transistor" */

typedef struct tw_plane_instant {
    const char *label; /* "high gate off", ... */
    double x, y;
} tw_plane_instant;

/* One period in the state plane: x the AC part of the capacitor voltage, y the coil current times z0, both over half
 * the rail. Undamped, a conducting device holds the point on a circle about (1, 0) or (-1, 0). */
typedef struct tw_plane {
    char title[200];
    double half_rail_v, z0_ohm; /* z0: the capacitor's reactance at resonance */
    size_t n_points;
    double *x, *y;           /* [n_points]; the last point is the first */
    unsigned char *conducts; /* [n_points] of tw_conduction: from this point to the next */
    tw_plane_instant instants[8];
    size_t n_instants;
} tw_plane;

/* From a forecast with its curves. TW_BAD_DATA where it has no resonance or no curves. *out goes to the caller. */
tw_status tw_study_plane(tw_ctx *ctx, const tw_reading *forecast, tw_plane *out) TW_MUST_USE;
void tw_plane_dispose(tw_plane *plane);

/* ---- the field of coil and pan ----------------------------------------------------------------------- */

typedef struct tw_coil_study_opts {
    const char *const *along; /* up to two: "pan.gap=2mm..20mm:40", "bridge.frequency=10k..200k:60:log" */
    size_t n_along;
    const char *target;        /* "inductance=90uH", or NULL: turns for that, all else as in the rig */
    const char *const *accept; /* limits "resistance=1.5..6", "inductance=50uH..85uH" on what the stage sees */
    size_t n_accept;
    bool with_section; /* compute the cross-section's current density, for drawing */
} tw_coil_study_opts;

/* One layer of the pan, from the coil upward. */
typedef struct tw_coil_layer {
    const char *metal; /* static; "" where only numbers are given */
    double thickness_m, conductivity_s_m, permeability, skin_depth_m;
    double resistance_ohm; /* its part of the pan's resistance */
    double share;          /* of the pan's loss */
} tw_coil_layer;

/* L, R and the rest along one axis. Arrays [axis.n]; the record's. */
typedef struct tw_coil_curve {
    tw_map_axis axis;     /* pan.gap or bridge.frequency */
    double *inductance_h; /* with pan */
    double *resistance_ohm, *pan_resistance_ohm, *winding_resistance_ohm;
    double *coupling, *efficiency;
    double *pan_power_w; /* in the pan at the field "curve_current" of the study */
} tw_coil_curve;

/* A pan over this coil against the limits. */
typedef struct tw_coil_candidate {
    const char *name; /* static: a usual pan, or "this pan" */
    double inductance_h, resistance_ohm, coupling, efficiency;
    const char *why; /* static; "" where accepted */
} tw_coil_candidate;

#define TW_COIL_CANDIDATES 16

/* Rectangle of the cross-section, r from the axis, z over the winding's lower face. */
typedef struct tw_coil_box {
    double r_low_m, r_high_m, z_low_m, z_high_m;
} tw_coil_box;

#define TW_COIL_SECTION_R 60
#define TW_COIL_SECTION_Z 24

/* Coil and pan cut through the axis. */
typedef struct tw_coil_section {
    double r_max_m;
    size_t n_turns;
    double *turn_r_m, *turn_z_m; /* [n_turns] centres; none: `winding` is filled evenly */
    double wire_radius_m;
    tw_coil_box winding, ferrite, shield; /* r_high 0: none */
    size_t n_layers;
    tw_coil_box layers[TW_RIG_LAYERS];
    double *density_a_m2; /* [n_layers * TW_COIL_SECTION_R * TW_COIL_SECTION_Z] peak at `current_peak_a`; depth fastest;
                             values at the middles of cells that divide each layer evenly */
} tw_coil_section;

typedef struct tw_coil_study {
    char title[200];
    bool has_pan;
    double frequency_hz, gap_m, current_peak_a; /* the current that densities and a saturating pan are taken at */
    tw_field fields[40];
    size_t n_fields;
    tw_coil_layer layers[TW_RIG_LAYERS];
    size_t n_layers;
    char says[4][400]; /* what it comes to, in sentences */
    size_t n_says;
    tw_coil_curve along_gap, along_frequency; /* axis.n 0: none */
    bool csv_gap; /* the curve that a table shows: the one asked for, else along frequency */
    bool has_limits;
    double r_low_ohm, r_high_ohm, l_low_h, l_high_h; /* -INFINITY, INFINITY where there is no limit */
    tw_coil_candidate candidates[TW_COIL_CANDIDATES];
    size_t n_candidates;
    tw_coil_section section; /* r_max_m 0: not asked for */
    tw_warnings warnings;
} tw_coil_study;

/* The rig's coil over its pan by the field model; the rig needs a frequency. *out goes to the caller. */
tw_status tw_study_coil(tw_ctx *ctx, const tw_rig *rig, const tw_coil_study_opts *opts, tw_coil_study *out) TW_MUST_USE;
void tw_coil_study_dispose(tw_coil_study *study);
const tw_field *tw_coil_study_field(const tw_coil_study *study, const char *key);

/* What a coaxial loop of one turn sees of the rig's coil: loop volts per coil volt (modulus) at the frequency, with the
 * rig's pan where pan.kind is field. height_m from the winding's lower face, negative on the side away from the pan.
 * mutual_h may be NULL: mutual inductance in air. TW_NEEDS_OPTION: the rig says too little of its winding. */
tw_status tw_study_loop_gain(tw_ctx *ctx, const tw_rig *rig, double frequency_hz, double radius_m, double height_m,
                             double *gain, double *mutual_h) TW_MUST_USE;

#endif

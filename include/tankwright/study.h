/* study: the use cases. A description goes in (rig, records, options), the rooms do the work, a plain record comes
 * out; no input or output here. Command line, report and page show these records and nothing else, so that they
 * cannot disagree.
 */
#ifndef TANKWRIGHT_STUDY_H
#define TANKWRIGHT_STUDY_H

#include "tankwright/base.h"
#include "tankwright/capture.h"
#include "tankwright/circuit.h"
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

/* What the reader understands of record(s). `rig` (may be NULL) fills in what `opts` (may be NULL) leave open. *out
 * goes to the caller (tw_capture_dispose). */
tw_status tw_study_capture(tw_ctx *ctx, const tw_rig *rig, const char *const *paths, size_t n_paths,
                           const tw_capture_opts *opts, tw_capture *out) TW_MUST_USE;

/* The main job: record(s) and rig to the reading. `opts` as for tw_capture_read (the rig's recorder section fills
 * what they leave open). *out goes to the caller (tw_reading_dispose) in any case: on failure it is an empty reading
 * with the warnings gathered until then. */
tw_status tw_study_analyse(tw_ctx *ctx, const tw_rig *rig, const char *const *paths, size_t n_paths,
                           const tw_capture_opts *opts, tw_reading *out) TW_MUST_USE;

#endif

/* study, private: what the files of the pick-up's use case share. */
#ifndef TW_STUDY_PICKUP_INTERNAL_H
#define TW_STUDY_PICKUP_INTERNAL_H

#include "study_internal.h"

/* Common practice, no source: a recorder's own input with a metre of cable, and a dividing probe's tip. */
#define TW_STUDY_PLAIN_OHM 1e6
#define TW_STUDY_PLAIN_F 100e-12
#define TW_STUDY_DIVIDING_OHM 10e6
#define TW_STUDY_DIVIDING_F 15e-12

typedef enum tw_study__input {
    IN_TURNS,
    IN_BURDEN,
    IN_MAGNETIZING,
    IN_WINDING,
    IN_LEAKAGE,
    IN_CAPACITANCE,
    IN_PROBE_OHM,
    IN_PROBE_F,
    IN_CLAMP,
    IN_AREA,
    IN_SATURATION,
    IN_HIGH_CORNER,
    N_INPUTS
} tw_study__input;

/* What flows, as the forecast has it; NaN where there is none. */
typedef struct tw_study__flow {
    double frequency_hz, lowest_hz, direct_a;
    double peak_a, rms_a, coil_rms_v, coil_peak_v, lag_rad;
    double steepest_a_per_s;
    double crest_of_flux; /* peak flux over that of a sine with the same peak current */
    bool known;
} tw_study__flow;

typedef struct tw_study__pickup_work {
    tw_ctx *ctx;
    const tw_rig *rig;
    tw_study__pickup pickup;
    tw_value in[N_INPUTS];
    tw_study__flow flow;
    tw_half_bridge stage;
    tw_pickup_plan *plan;
} tw_study__pickup_work;

/* Appends a field where the value is known. */
void tw_study__add_pickup(tw_pickup_plan *plan, const char *key, const char *label, const char *unit,
                          tw_pickup_group group, tw_value value);

/* What the channel's probe brings: as given, else by its factor. */
tw_value tw_study__probe(tw_value given, const tw_rig_channel *channel, double plain, double dividing);

/* What a coaxial sense loop gives beside the flat winding, by its geometry. */
typedef struct tw_study__loop {
    double gain_air;             /* loop volts per coil volt without pan */
    double gain, phase_lead_rad; /* with the rig's pan; NaN where `load` is NULL or the coil is not known */
    double mirror_m;             /* how far off the pan's image lies; infinite without pan */
    double inductance_h;
} tw_study__loop;
/* false where the rig lacks a dimension. */
bool tw_study__loop_by_geometry(tw_ctx *ctx, const tw_rig *rig, const tw_load *load, double frequency_hz,
                                tw_study__loop *out);

/* Fields, curves and warnings of the current pick-up (study_pickup_current.c). */
tw_status tw_study__plan_current(tw_study__pickup_work *w) TW_MUST_USE;
/* Those of the sense loop (study_loop.c). */
tw_status tw_study__plan_loop(tw_study__pickup_work *w) TW_MUST_USE;

#endif

/* study, private: what the files of the coil's use case share. */
#ifndef TW_STUDY_COIL_H
#define TW_STUDY_COIL_H

#include "study_internal.h"

#define TW_STUDY_PAN_C 100.0   /* common practice, no source */
#define TW_STUDY_NO_GAP_M 5e-3 /* where a coil without pan is held against others */

typedef struct tw_study__coil {
    tw_study__coil_field field;
    tw_study__coil_values values;
    tw_stack pan; /* as saturated */
    double gap_m, frequency_hz, current_peak_a;
    size_t rounds;
    bool stated_ohm; /* the coil's resistance is the rig's own */
} tw_study__coil;

/* One point, in the circuit's terms. */
typedef struct tw_study__coil_at {
    tw_coil_z z;
    tw_wire_loss wire;
    double air_h, bare_h, loaded_h, pan_ohm, below_ohm, winding_ohm, total_ohm, efficiency;
} tw_study__coil_at;

tw_status tw_study__coil_point(tw_ctx *ctx, const tw_study__coil *c, const tw_stack *pan, double gap_m,
                               double frequency_hz, tw_study__coil_at *out) TW_MUST_USE;

tw_status tw_study__coil_preset_saturate(tw_ctx *ctx, const tw_rig *rig, const tw_study__coil *c, const char *name,
                                         tw_stack *pan) TW_MUST_USE;

/* study_coil_words.c */
tw_status tw_study__coil_says(tw_ctx *ctx, const tw_rig *rig, const tw_study__coil *c, const tw_study__coil_at *at,
                              tw_coil_study *out) TW_MUST_USE;
tw_status tw_study__coil_limits(tw_ctx *ctx, const tw_coil_study_opts *opts, tw_coil_study *out) TW_MUST_USE;
tw_status tw_study__coil_target(tw_ctx *ctx, const char *text, const tw_study__coil *c, tw_coil_study *out) TW_MUST_USE;

/* study_coil_section.c */
tw_status tw_study__coil_section(tw_ctx *ctx, const tw_study__coil *c, tw_coil_section *out) TW_MUST_USE;

#endif

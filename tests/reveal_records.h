/* Records for the tests of the measuring side: a stage's exact operating point through transformer, loop and recorder.
 * All rigs are invented. */
#ifndef TW_REVEAL_RECORDS_H
#define TW_REVEAL_RECORDS_H

#include "tankwright/circuit.h"
#include "tankwright/pickup.h"
#include "tankwright/reveal.h"
#include "testing.h"

typedef struct tw_test_rig {
    tw_half_bridge stage;
    tw_transformer transformer;
    double loop_gain; /* negative: the loop is the wrong way round */
    double skew_s;    /* voltage channel later */
    double interval_s;
    double cycles;
    double start_phase; /* 0..1 */
    int bits;
    double noise; /* rms over the full span */
    double span;  /* full span over peak-to-peak: 1.1 uses the range well, below 1 clips */
    uint64_t seed;
} tw_test_rig;

typedef struct tw_test_record {
    tw_steady *steady;
    double *current_v, *voltage_v;
    tw_record record;
} tw_test_record;

/* A salvaged plate with a steel pail: 318 V, 26 kHz, full ZVS. */
tw_test_rig tw_test_rig_default(void);

/* A random rig whose verdict is `wanted` on both edges, in a region where a bench record can show it. */
tw_test_rig tw_test_rig_draw(tw_ctx *ctx, tw_random *r, tw_commutation wanted);

/* Makes the record; fails the test where that is impossible. Release with tw_test_record_dispose. */
void tw_test_record_make(tw_ctx *ctx, const tw_test_rig *rig, tw_test_record *out);
void tw_test_record_dispose(tw_test_record *record);

/* What the bench person knows: pick-up, drops, ESR and the rail exactly, neither gain nor capacitance. */
tw_prior tw_test_prior(const tw_test_rig *rig);

#endif

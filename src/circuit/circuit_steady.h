/* Inside of a periodic solution; how its numbers are gathered. */
#ifndef TANKWRIGHT_CIRCUIT_STEADY_H
#define TANKWRIGHT_CIRCUIT_STEADY_H

#include "circuit_half_bridge.h"

struct tw_steady {
    tw_half_bridge_model model;
    tw_run run; /* the pieces of the first half period */
    tw_operating_point point;
};

/* Walks the zero crossings of a functional through consecutive pieces. */
typedef struct tw_scan {
    tw_wave wave;
    double length_s, at_s;
    int sign, pending;
} tw_scan;

/* `sign` carried over from the piece before (0: none), so that a crossing on the border is not lost. */
void tw_scan_wave(tw_scan *scan, const tw_wave *wave, double length_s, int sign);
/* Next crossing in the piece: its time from the piece's start; scan->sign is the sign after it. */
bool tw_scan_next(tw_scan *scan, double *t);

/* Both edges: verdict, swing, margin, window. */
tw_status tw_steady_find_edges(tw_ctx *ctx, tw_steady *steady) TW_MUST_USE;

/* Everything else in the operating point. */
void tw_steady_summarize(tw_steady *steady);

#endif

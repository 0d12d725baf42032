/* Periodic solution by shooting: Newton on the half-wave map with its exact derivative. */
#ifndef TANKWRIGHT_CIRCUIT_SHOOT_H
#define TANKWRIGHT_CIRCUIT_SHOOT_H

#include "circuit_run.h"

typedef struct tw_gate_edge {
    double time_s;
    size_t valve;
    bool on;
} tw_gate_edge;

/* Half a period of a half-wave symmetric drive; the other half follows by the network's mirror. */
typedef struct tw_half_wave {
    double length_s;
    unsigned gates; /* on at the start */
    size_t n_edges;
    tw_gate_edge edges[8]; /* ascending; those at length_s included */
} tw_half_wave;

/* Runs one half wave from the given state. The run then holds its pieces, end state and (if wanted) derivative. */
tw_status tw_half_wave_run(const tw_half_wave *drive, const double *x, size_t mode, tw_run *run) TW_MUST_USE;

/* Finds x with mirror(run(x)) = x, starting from x and mode, and leaves its pieces in `run`. *steps counts Newton
 * steps, damped ones included. */
tw_status tw_shoot_solve(tw_ctx *ctx, const tw_half_wave *drive, const tw_steady_opts *opts, double *x, size_t mode,
                         tw_run *run, size_t *steps) TW_MUST_USE;

#endif

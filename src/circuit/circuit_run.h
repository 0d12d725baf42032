/* A run: the network's motion from one state through gate edges and valve changes, recorded as pieces, with the exact
 * derivative of the state with respect to the start (docs/theory.md, "Events", "Steady state"). */
#ifndef TANKWRIGHT_CIRCUIT_RUN_H
#define TANKWRIGHT_CIRCUIT_RUN_H

#include "circuit_flow.h"

/* A node that a closing valve took over at once. */
typedef struct tw_jump {
    size_t valve;      /* TW_NO_VALVE: none */
    double change_v;   /* of the node, signed */
    double distance_v; /* that the valve removed */
    double energy_j;   /* lost in the valve */
} tw_jump;

/* Stretch of one mode. Where several jumps happen at one instant, pieces of no length hold the earlier ones. */
typedef struct tw_piece {
    double start_s, length_s; /* counted from the run's start */
    size_t mode;
    unsigned gates; /* valves whose gate is on */
    tw_jump jump;   /* at the start */
    double x[TW_N]; /* state at the start, after the jump */
} tw_piece;

#define TW_PIECES_INLINE 24
/* A run that needs more than this is given up with a clear message. */
#define TW_PIECES_MOST 20000

struct tw_run;

/* Called at the end of each piece that has a length, with its flow and run->x at its end. */
typedef void tw_run_observer(void *user, const struct tw_run *run, const tw_piece *piece, tw_flow *flow);

typedef struct tw_run {
    tw_ctx *ctx;
    const tw_network *net;
    size_t mode;
    unsigned gates;
    double time_s;
    double x[TW_N];
    unsigned left; /* valves that stopped conducting at this very instant */
    bool wants_derivative;
    size_t n_columns, column[TW_N]; /* start states that the rest depends on: those that were not slaved */
    double s[TW_N][TW_N];           /* d x / d x(start), of those columns */
    tw_counts counts;
    tw_run_observer *observe; /* NULL: none */
    void *user;
    size_t n_pieces, capacity;
    tw_piece *pieces; /* `fixed` until they outgrow it */
    tw_piece fixed[TW_PIECES_INLINE];
} tw_run;

void tw_run_init(tw_ctx *ctx, const tw_network *net, tw_run *run);
void tw_run_dispose(tw_run *run);

/* Starts at time 0 from x, with mode `mode` where its valve can carry its current there (slaved states are put on
 * their laws), else with the node floating. */
tw_status tw_run_begin(tw_run *run, const double *x, size_t mode, unsigned gates) TW_MUST_USE;

/* Moves on to `time_s`, through every valve change on the way. */
tw_status tw_run_advance(tw_run *run, double time_s) TW_MUST_USE;

/* Begins a new piece at the present time, so that the run can be looked at piecewise. */
tw_status tw_run_mark(tw_run *run) TW_MUST_USE;

/* A gate edge at the present time. */
tw_status tw_run_open(tw_run *run, size_t valve) TW_MUST_USE;
tw_status tw_run_close(tw_run *run, size_t valve) TW_MUST_USE;

/* A flow over the given piece, for evaluation. */
void tw_piece_flow(const tw_network *net, const tw_piece *piece, tw_counts *counts, tw_flow *flow);

#endif

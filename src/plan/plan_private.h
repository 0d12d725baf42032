/* plan, private: what its files share. */
#ifndef TW_PLAN_PRIVATE_H
#define TW_PLAN_PRIVATE_H

#include "tankwright/plan.h"

/* A solver that is used again from point to point: its own context, so that a failing point is no failure of the
 * caller's work, and the storage of one solution. */
typedef struct tw_plan__worker {
    tw_ctx *ctx;
    tw_steady *steady; /* NULL before the first solution */
    size_t n_failed, first_failed;
    tw_error first_error;
    tw_half_bridge stage;
} tw_plan__worker;

tw_status tw_plan__worker_init(tw_ctx *ctx, tw_plan__worker *worker) TW_MUST_USE;
void tw_plan__worker_dispose(tw_plan__worker *worker);

/* Solves one point into worker->stage and worker->steady; `near`: from the state of the last one. `solved` false where
 * the point has no solution: worker's context then tells why, until the next call. Fails only when memory is out. */
tw_status tw_plan__solve_point(const tw_plan_request *request, const double *values, bool near, tw_plan__worker *worker,
                               bool *solved) TW_MUST_USE;

/* Shape of the request: axes and values. */
tw_status tw_plan__check(tw_ctx *ctx, const tw_plan_request *request) TW_MUST_USE;
/* The same, and exactly one axis that the map was solved on. */
tw_status tw_plan__check_line(tw_ctx *ctx, const tw_plan_request *request, const tw_plan_map *map) TW_MUST_USE;

#endif

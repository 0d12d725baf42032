/* The stage that the tests of maps share, with a function for its axes: frequency, then coupling. */
#ifndef TW_PLAN_STAGE_H
#define TW_PLAN_STAGE_H

#include "tankwright/plan.h"

static inline tw_half_bridge plan_stage(double frequency_hz, double coupling) {
    return (tw_half_bridge){.rail_v = 317.0,
                            .frequency_hz = frequency_hz,
                            .dead_time_s = 1.7e-6,
                            .snubber_capacitance_f = 9.1e-9,
                            .transistor = {0.93, 0.021},
                            .diode = {0.81, 0.014},
                            .capacitance_f = 664e-9,
                            .esr_ohm = 3.1e-3,
                            .split = true,
                            .load = tw_load_coupled(91e-6, 0.118, coupling, 5.2)};
}

static inline tw_status plan_set(tw_ctx *ctx, const double *values, const void *user, tw_half_bridge *stage) {
    const size_t *n_axes = user;
    (void)ctx;
    *stage = plan_stage(values[0], *n_axes > 1 ? values[1] : 0.66);
    return TW_OK;
}

static inline void plan_fill(double *values, size_t n, double low, double high) {
    for (size_t k = 0; k < n; k++) {
        values[k] = n > 1 ? low + (high - low) * (double)k / (double)(n - 1) : low;
    }
}

#endif

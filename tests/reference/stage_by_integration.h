/* The half bridge once more, written afresh from Kirchhoff's laws and integrated step by step with CVODE: the witness
 * against which the engine is tested and timed. It shares no code with the engine. */
#ifndef STAGE_BY_INTEGRATION_H
#define STAGE_BY_INTEGRATION_H

#include "tankwright/circuit.h"

typedef enum conduction { NOBODY, HIGH_SWITCH, HIGH_RECTIFIER, LOW_SWITCH, LOW_RECTIFIER } conduction;

typedef struct stage_state {
    double coil_a, pan_a[TW_MAX_BRANCHES]; /* pan currents: coil current less the magnetizing currents */
    double capacitor_v, midpoint_v;
    conduction who;
} stage_state;

typedef struct stage_event {
    double time_s;
    conduction before, after; /* equal: the coil current crosses zero */
    bool falling;             /* of the coil current */
} stage_event;

typedef struct stage_log {
    stage_event events[4000];
    size_t n_events;
    double forced_v, forced_j; /* by the low switch */
    long steps;
} stage_log;

/* Integrates from `state` at time 0 over `duration_s` (gate timing as circuit.h, high switch just closed). Signals at
 * the ascending times go to out[signal * n + k]. `log` may be NULL. Returns 0, or CVODE's error. */
int stage_integrate(const tw_half_bridge *stage, double rel_tolerance, stage_state *state, double duration_s, size_t n,
                    const double *time_s, double *out, stage_log *log);

#endif

/* One steady operating point of a half bridge with a coupled pan, summary numbers included, beside CVODE integrating
 * the same stage (tests/reference/stage_by_integration.c) from rest until its state at the period's start is within
 * 1e-8 of the periodic one. The integrator is told when to stop, which favours it. */
#include "bench.h"

#include <math.h>

#include "stage_by_integration.h"
#include "tankwright/circuit.h"

static tw_mains_supply household(void) {
    return (tw_mains_supply){.voltage_rms_v = 230.0,
                             .frequency_hz = 50.0,
                             .source_inductance_h = 0.3e-3,
                             .source_resistance_ohm = 0.4,
                             .rail_capacitance_f = 6.8e-6,
                             .rectifier = {0.7, 0.02}};
}

typedef struct point {
    bench *b;
    tw_half_bridge stage;
    double current_a, capacitor_v; /* the periodic state */
    double rel_tolerance;
    int periods;
    tw_steady *steady; /* solved again and again, from scratch */
} point;

static void solve_once(void *user) {
    point *p = user;
    bench_require(tw_steady_resolve(p->b->ctx, p->steady, &p->stage, NULL, false) == TW_OK, p->b, "steady point");
}

static void mains_once(void *user) {
    point *p = user;
    const tw_mains_supply supply = household();
    tw_mains_opts opts = tw_mains_opts_default();
    tw_mains_result result;
    opts.most_settling = 0;
    bench_require(tw_mains_run(p->b->ctx, &p->stage, &supply, &opts, &result) == TW_OK, p->b, "mains run");
    tw_mains_result_dispose(&result);
}

/* From rest for p->periods periods; with 0, until the state agrees, and sets p->periods. False where it never does. */
static bool integrate(point *p) {
    const tw_half_bridge *s = &p->stage;
    stage_state state = {.capacitor_v = 0.5 * s->rail_v, .who = HIGH_SWITCH};
    const int most = p->periods > 0 ? p->periods : 2000;
    for (int k = 1; k <= most; k++) {
        if (stage_integrate(s, p->rel_tolerance, &state, 1.0 / s->frequency_hz, 0, NULL, NULL, NULL) < 0) {
            return false;
        }
        if (p->periods == 0 && fabs(state.coil_a - p->current_a) < 1e-8 * fabs(p->current_a) &&
            fabs(state.capacitor_v - p->capacitor_v) < 1e-8 * fabs(p->capacitor_v)) {
            p->periods = k;
            return true;
        }
    }
    return p->periods > 0;
}

static void integrate_once(void *user) {
    point *p = user;
    bench_require(integrate(p), p->b, "integration");
}

void bench_steady(bench *b) {
    point p = {.b = b,
               .stage = {.rail_v = 318.0,
                         .frequency_hz = 26e3,
                         .dead_time_s = 1.8e-6,
                         .snubber_capacitance_f = 10e-9,
                         .transistor = {0.9, 0.02},
                         .diode = {0.8, 0.015},
                         .capacitance_f = 660e-9,
                         .esr_ohm = 3e-3,
                         .split = true,
                         .load = tw_load_coupled(90e-6, 0.12, 0.67, 5.0)}};
    tw_steady *steady = NULL;
    const double zero = 0.0;
    bench_require(tw_steady_solve(b->ctx, &p.stage, NULL, &steady) == TW_OK, b, "steady point");
    tw_steady_sample(steady, TW_SIGNAL_COIL_CURRENT, &zero, 1, &p.current_a);
    tw_steady_sample(steady, TW_SIGNAL_CAPACITOR_VOLTAGE, &zero, 1, &p.capacitor_v);
    p.steady = steady;
    /* The loosest tolerance that reaches 1e-8. */
    for (p.rel_tolerance = 1e-7; p.rel_tolerance > 1e-13; p.rel_tolerance *= 0.1) {
        p.periods = 0;
        if (integrate(&p)) {
            break;
        }
    }
    bench_require(p.periods > 0, b, "integration to 1e-8");
    const bench_times ours = bench_time(solve_once, &p, 1.0), theirs = bench_time(integrate_once, &p, 2.0);
    bench_add(b, "steady", "us", 1e6 * ours.median_s, 1e6 * theirs.median_s, "CVODE from rest to 1e-8", 5.0,
              "three runs of six pieces, integrals of six: about 80 exponentials, 160 wave evaluations, small loops");
    tw_steady_destroy(steady);
    const bench_times mains = bench_time(mains_once, &p, 1.0);
    bench_add(b, "steady-mains-half-cycle", "ms", 1e3 * mains.median_s, 10.0, "real time, 260 periods", 2.0,
              "2080 pieces of four modes: integrals of the balance, then the event search");
}

/* Half bridge with any duty, full bridge with phase shift and single switch, from random states through several
 * periods, beside CVODE (Adams formulas, rootfinding). The reference is written on its own: the coil between two nodes,
 * each of which floats on its capacitance or stands on a part's line. */
#include <math.h>

#include <cvode/cvode.h>
#include <nvector/nvector_serial.h>
#include <sunlinsol/sunlinsol_dense.h>
#include <sunmatrix/sunmatrix_dense.h>

#include "tankwright/circuit.h"
#include "testing.h"

enum { NOBODY, HT, HD, LT, LD };
enum { COIL, PAN, TANK, NODE_A, NODE_B, N };
enum { SAMPLES = 60, PERIODS = 5 };

typedef struct model {
    const tw_stage *s;
    int n_nodes;
    double out[2], node_f; /* +1: a positive coil current leaves the node */
    bool gate[2][2];       /* of each node: high, low */
    int who[2];
    size_t events;
} model;

static bool is_single(const model *m) {
    return m->s->arrangement == TW_ARRANGEMENT_SINGLE;
}

static const tw_device *device(const model *m, int part) {
    return part == HT || part == LT ? &m->s->bridge.transistor : &m->s->bridge.diode;
}

/* Forward voltage less what the part drops. */
static double excess(const model *m, int node, int part, const double *y, bool bare) {
    const double v = y[NODE_A + node], i = m->out[node] * y[COIL], rail = m->s->bridge.rail_v;
    const double r = bare ? 0.0 : device(m, part)->slope_ohm, drop = device(m, part)->threshold_v;
    switch (part) {
    case HT:
        return rail - v - drop - r * i;
    case HD:
        return v - rail - drop + r * i;
    case LT:
        return v - drop + r * i;
    default:
        return -v - drop - r * i;
    }
}

static void rates(const model *m, const double *y, double *d) {
    const tw_half_bridge *s = &m->s->bridge;
    const tw_chain_branch *b = &s->load.branches[0];
    double drive = is_single(m) ? s->rail_v : -y[TANK];
    for (int k = 0; k < m->n_nodes; k++) {
        drive += m->out[k] * y[NODE_A + k];
    }
    d[COIL] =
        (drive - (s->load.resistance_ohm + s->esr_ohm) * y[COIL] - b->resistance_ohm * y[PAN]) / s->load.inductance_h;
    d[PAN] = d[COIL] - b->resistance_ohm * y[PAN] / b->inductance_h;
    d[TANK] = is_single(m) ? 0.0 : y[COIL] / s->capacitance_f;
    d[NODE_B] = 0.0;
    for (int k = 0; k < m->n_nodes; k++) {
        d[NODE_A + k] = m->who[k] == NOBODY ? -m->out[k] * y[COIL] / m->node_f
                                            : -device(m, m->who[k])->slope_ohm * m->out[k] * d[COIL];
    }
}

static double forward(const model *m, int node, const double *y) {
    double d[N];
    rates(m, y, d);
    const double current = m->out[node] * y[COIL] + m->node_f * d[NODE_A + node];
    return m->who[node] == HT || m->who[node] == LD ? current : -current;
}

static int rhs(double t, N_Vector y, N_Vector d, void *user) {
    (void)t;
    rates(user, N_VGetArrayPointer(y), N_VGetArrayPointer(d));
    return 0;
}

static int roots(double t, N_Vector yv, double *g, void *user) {
    (void)t;
    const model *m = user;
    const double *y = N_VGetArrayPointer(yv);
    for (int k = 0; k < 8; k++) {
        g[k] = -1.0;
    }
    for (int k = 0; k < m->n_nodes; k++) {
        if (m->who[k] != NOBODY) {
            g[4 * k + m->who[k] - 1] = -forward(m, k, y);
            continue;
        }
        for (int part = is_single(m) ? LT : HT; part <= LD; part++) {
            if (part == HD || part == LD || m->gate[k][part == LT]) {
                g[4 * k + part - 1] = excess(m, k, part, y, false);
            }
        }
    }
    return 0;
}

typedef struct integrator {
    void *memory;
    N_Vector y;
    model m;
    double t;
} integrator;

/* Where one leg's change reverses the other's current at once no root is left to find. */
static void release(model *m, const double *y) {
    for (int k = 0; k < m->n_nodes; k++) {
        if (m->who[k] != NOBODY && forward(m, k, y) < 0.0) {
            m->who[k] = NOBODY;
            m->events++;
        }
    }
}

static void go_to(integrator *g, double end) {
    while (g->t < end) {
        assert_int_equal(CVodeSetStopTime(g->memory, end), 0);
        const int flag = CVode(g->memory, end, g->y, &g->t, CV_NORMAL);
        assert_true(flag >= 0);
        if (flag == CV_ROOT_RETURN) {
            int found[8];
            assert_int_equal(CVodeGetRootInfo(g->memory, found), 0);
            for (int k = 0; k < 8; k++) {
                if (found[k] != 0) {
                    g->m.who[k / 4] = g->m.who[k / 4] == NOBODY ? k % 4 + 1 : NOBODY;
                    g->m.events++; /* both legs may have one at the same instant */
                }
            }
            release(&g->m, N_VGetArrayPointer(g->y));
            assert_int_equal(CVodeReInit(g->memory, g->t, g->y), 0);
        }
    }
}

/* A gate closes: on a node that is not on its line the node is brought there, and floats on if nothing flows. */
static void close_gate(model *m, int node, int part, double *y) {
    if (m->who[node] == part || m->who[node] == part + 1) {
        return;
    }
    const double full = excess(m, node, part, y, false), bare = excess(m, node, part, y, true);
    if (fmin(full, bare) <= 1e-9) {
        return;
    }
    const double per_volt = part == HT ? -1.0 : 1.0, before = y[NODE_A + node];
    y[NODE_A + node] = before - full / per_volt;
    m->who[node] = part;
    if (!(forward(m, node, y) > 0.0)) {
        m->who[node] = NOBODY;
        y[NODE_A + node] = before - fmin(full, bare) / per_volt;
    }
}

static bool wants_gate(const tw_stage *s, int node, int low, double t) {
    const double period = 1.0 / s->bridge.frequency_hz, dead = s->bridge.dead_time_s;
    const double shift = node == 1 ? s->phase_shift_rad / (2.0 * TW_PI) * period : 0.0;
    const double at = fmod(t - shift + 2.0 * period, period), on = s->duty * period;
    if (s->arrangement == TW_ARRANGEMENT_SINGLE) {
        return low && at < on;
    }
    return low ? at > on && at < period - dead : at < on - dead;
}

static void set_gates(integrator *g, double probe) {
    model *m = &g->m;
    double *y = N_VGetArrayPointer(g->y);
    for (int closing = 0; closing < 2; closing++) {
        for (int node = 0; node < m->n_nodes; node++) {
            for (int low = 0; low < 2; low++) {
                const bool want = wants_gate(m->s, node, low, probe);
                if (want == m->gate[node][low] || want != (closing == 1)) {
                    continue;
                }
                m->gate[node][low] = want;
                const int part = low ? LT : HT;
                if (want) {
                    close_gate(m, node, part, y);
                } else if (m->who[node] == part) {
                    m->who[node] = NOBODY;
                }
            }
        }
    }
    release(m, y);
    assert_int_equal(CVodeReInit(g->memory, g->t, g->y), 0);
}

/* Times in a period at which some gate changes, ascending, 0 and the period included. */
static size_t gate_times(const tw_stage *s, double *out) {
    const double period = 1.0 / s->bridge.frequency_hz, on = s->duty * period, dead = s->bridge.dead_time_s;
    const double own[4] = {0.0, on - dead, on, period - dead};
    size_t n = 0;
    for (int node = 0; node < 2; node++) {
        const double shift = node == 1 ? s->phase_shift_rad / (2.0 * TW_PI) * period : 0.0;
        for (int k = 0; k < 4; k++) {
            out[n++] = fmod(own[k] + shift, period);
        }
    }
    out[n++] = period;
    for (size_t a = 1; a < n; a++) {
        for (size_t b = a; b > 0 && out[b - 1] > out[b]; b--) {
            const double t = out[b];
            out[b] = out[b - 1];
            out[b - 1] = t;
        }
    }
    return n;
}

static void open_integrator(integrator *g, SUNContext sun, const tw_stage *s, const tw_transient_state *start,
                            SUNMatrix *matrix, SUNLinearSolver *solver) {
    const bool single = s->arrangement == TW_ARRANGEMENT_SINGLE;
    g->m =
        (model){.s = s, .n_nodes = s->arrangement == TW_ARRANGEMENT_FULL ? 2 : 1, .out = {single ? -1.0 : 1.0, -1.0}};
    g->m.node_f =
        single ? s->bridge.snubber_capacitance_f + s->bridge.capacitance_f : 2.0 * s->bridge.snubber_capacitance_f;
    g->t = 0.0;
    g->y = N_VNew_Serial(N, sun);
    double *y = N_VGetArrayPointer(g->y);
    y[COIL] = start->coil_current_a;
    y[PAN] = start->coil_current_a - start->branch_current_a[0];
    y[TANK] = single ? 0.0 : start->capacitor_v;
    y[NODE_A] = start->midpoint_v[0];
    y[NODE_B] = s->arrangement == TW_ARRANGEMENT_FULL ? start->midpoint_v[1] : 0.0;
    g->memory = CVodeCreate(CV_ADAMS, sun);
    int up[8] = {1, 1, 1, 1, 1, 1, 1, 1};
    assert_int_equal(CVodeInit(g->memory, rhs, 0.0, g->y), 0);
    assert_int_equal(CVodeSStolerances(g->memory, 1e-12, 1e-10), 0);
    assert_int_equal(CVodeSetUserData(g->memory, &g->m), 0);
    *matrix = SUNDenseMatrix(N, N, sun);
    *solver = SUNLinSol_Dense(g->y, *matrix, sun);
    assert_int_equal(CVodeSetLinearSolver(g->memory, *solver, *matrix), 0);
    assert_int_equal(CVodeRootInit(g->memory, 8, roots), 0);
    assert_int_equal(CVodeSetRootDirection(g->memory, up), 0);
    assert_int_equal(CVodeSetNoInactiveRootWarn(g->memory), 0);
    assert_int_equal(CVodeSetMaxNumSteps(g->memory, 1000000), 0);
}

/* Integrates and samples coil current, tank and node. */
static size_t integrate(const tw_stage *s, const tw_transient_state *start, const double *at, double out[3][SAMPLES]) {
    SUNContext sun;
    SUNMatrix matrix;
    SUNLinearSolver solver;
    integrator g;
    double times[16];
    const double period = 1.0 / s->bridge.frequency_hz;
    const size_t n_times = gate_times(s, times);
    assert_int_equal(SUNContext_Create(NULL, &sun), 0);
    open_integrator(&g, sun, s, start, &matrix, &solver);
    size_t next = 0;
    for (int cycle = 0; cycle < PERIODS; cycle++) {
        for (size_t k = 0; k + 1 < n_times; k++) {
            const double from = times[k], to = times[k + 1];
            if (to - from < 1e-12 * period) {
                continue;
            }
            set_gates(&g, 0.5 * (from + to));
            const double end = cycle * period + to;
            for (; next < SAMPLES && at[next] <= end; next++) {
                go_to(&g, at[next]);
                const double *y = N_VGetArrayPointer(g.y);
                out[0][next] = y[COIL];
                out[1][next] = y[TANK];
                out[2][next] = y[NODE_A];
            }
            go_to(&g, end);
        }
    }
    const size_t events = g.m.events;
    assert_int_equal(next, SAMPLES);
    CVodeFree(&g.memory);
    SUNLinSolFree(solver);
    SUNMatDestroy(matrix);
    N_VDestroy(g.y);
    SUNContext_Free(&sun);
    return events;
}

static tw_stage random_stage(tw_ctx *ctx, tw_random *r, tw_arrangement arrangement) {
    tw_half_bridge b = {.rail_v = tw_random_uniform(r, 50.0, 400.0),
                        .snubber_capacitance_f = tw_random_log_uniform(r, 1e-9, 3e-8),
                        .transistor = {tw_random_uniform(r, 0.3, 2.0), tw_random_uniform(r, 0.0, 0.1)},
                        .diode = {tw_random_uniform(r, 0.3, 2.0), tw_random_uniform(r, 0.0, 0.1)},
                        .capacitance_f = tw_random_log_uniform(r, 2e-7, 2e-6),
                        .esr_ohm = arrangement == TW_ARRANGEMENT_SINGLE ? 0.0 : tw_random_uniform(r, 0.0, 0.05)};
    b.load = tw_load_coupled(tw_random_log_uniform(r, 3e-5, 2e-4), tw_random_uniform(r, 0.02, 0.3),
                             tw_random_uniform(r, 0.2, 0.85), tw_random_log_uniform(r, 1.0, 20.0));
    double f0;
    assert_ok(tw_load_resonance(ctx, &b.load, b.capacitance_f, &f0), ctx);
    b.frequency_hz =
        f0 * (arrangement == TW_ARRANGEMENT_SINGLE ? tw_random_uniform(r, 0.4, 0.9) : tw_random_uniform(r, 0.7, 1.9));
    b.dead_time_s = tw_random_uniform(r, 0.003, 0.1) / b.frequency_hz;
    return (tw_stage){.arrangement = arrangement,
                      .bridge = b,
                      .duty = tw_random_uniform(r, 0.25, 0.75),
                      .phase_shift_rad = tw_random_uniform(r, 0.1, 3.1)};
}

static void compare(tw_ctx *ctx, tw_random *r, const tw_stage *s, size_t *events) {
    const double period = 1.0 / s->bridge.frequency_hz, rail = s->bridge.rail_v;
    tw_transient_state start = {
        .coil_current_a = tw_random_uniform(r, -20.0, 20.0),
        .capacitor_v = tw_random_uniform(r, -0.5, 1.5) * rail,
        .midpoint_v = {tw_random_uniform(r, 0.05, 0.95) * rail, tw_random_uniform(r, 0.05, 0.95) * rail}};
    start.branch_current_a[0] = tw_random_uniform(r, -10.0, 10.0);
    tw_transient *t = NULL;
    assert_ok(tw_transient_create(ctx, s, &start, &t), ctx);
    assert_ok(tw_transient_advance(ctx, t, PERIODS * period, true), ctx);
    double at[SAMPLES], want[3][SAMPLES], got[SAMPLES], residual, throughput;
    for (int k = 0; k < SAMPLES; k++) {
        at[k] = (k + 0.413) / SAMPLES * PERIODS * period;
    }
    *events += integrate(s, &start, at, want);
    const tw_signal signals[3] = {TW_SIGNAL_COIL_CURRENT, TW_SIGNAL_CAPACITOR_VOLTAGE, TW_SIGNAL_MIDPOINT_VOLTAGE};
    for (int c = 0; c < 3; c++) {
        double peak = 0.0;
        tw_transient_sample(t, signals[c], at, SAMPLES, got);
        for (int k = 0; k < SAMPLES; k++) {
            if (c == 1 && s->arrangement == TW_ARRANGEMENT_SINGLE) {
                want[c][k] = rail - want[2][k];
            }
            peak = fmax(peak, fabs(want[c][k]));
        }
        for (int k = 0; k < SAMPLES; k++) {
            assert_close(got[k], want[c][k], 0.0, 1e-7 * peak);
        }
    }
    tw_transient_balance(t, &residual, &throughput);
    assert_close(residual, 0.0, 0.0, 1e-10 * throughput);
    tw_transient_destroy(t);
}

static void random_stages_from_random_states(void **state) {
    tw_ctx *ctx = tw_ctx_create();
    (void)state;
    tw_random r = {90210};
    size_t events = 0;
    for (int k = 0; k < 420; k++) {
        const tw_stage s = random_stage(ctx, &r, (tw_arrangement)(k % 3));
        compare(ctx, &r, &s, &events);
    }
    assert_true(events > 420 * 10);
    tw_ctx_destroy(ctx);
}

int main(void) {
    const struct CMUnitTest tests[] = {cmocka_unit_test(random_stages_from_random_states)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}

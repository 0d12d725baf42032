/* The mains run beside CVODE's implicit formulas (BDF) with rootfinding. The reference is set up on its own: node
 * voltages from the capacitance matrix, solved anew at every evaluation, the mains as a function of time, device
 * currents from the constraint of the conducting part. Stage and mains frequency are chosen so that a half cycle holds
 * some thirty periods. */
#include <math.h>

#include <cvode/cvode.h>
#include <nvector/nvector_serial.h>
#include <sunlinsol/sunlinsol_dense.h>
#include <sunmatrix/sunmatrix_dense.h>

#include "tankwright/circuit.h"
#include "testing.h"

enum { NOBODY, HT, HD, LT, LD };

typedef struct model {
    const tw_half_bridge *s;
    const tw_mains_supply *m;
    double k[3][3]; /* inverse of the capacitance matrix of tank, rail, midpoint */
    bool high_gate, low_gate;
    int leg, rectifier;
    size_t events;
} model;

/* y = coil current, pan current, v tank, v rail, v midpoint, source current */
enum { COIL, PAN, TANK, RAIL, MIDDLE, SOURCE, N };

static void invert(const double a[3][3], double out[3][3]) {
    for (int r = 0; r < 3; r++) {
        for (int c = 0; c < 3; c++) { /* cofactors, cyclically */
            out[c][r] = a[(r + 1) % 3][(c + 1) % 3] * a[(r + 2) % 3][(c + 2) % 3] -
                        a[(r + 1) % 3][(c + 2) % 3] * a[(r + 2) % 3][(c + 1) % 3];
        }
    }
    const double det = a[0][0] * out[0][0] + a[0][1] * out[1][0] + a[0][2] * out[2][0];
    for (int r = 0; r < 3; r++) {
        for (int c = 0; c < 3; c++) {
            out[r][c] /= det;
        }
    }
}

static void prepare(model *q) {
    const double cs = q->s->snubber_capacitance_f, c = q->s->capacitance_f, h = q->s->split ? 0.5 * c : 0.0;
    const double k[3][3] = {{c, -h, 0.0}, {-h, q->m->rail_capacitance_f + cs + h, -cs}, {0.0, -cs, 2.0 * cs}};
    invert(k, q->k);
}

static double drop_slope(const model *q) {
    return q->leg == HT || q->leg == LT ? q->s->transistor.slope_ohm : q->s->diode.slope_ohm;
}

/* Distance of the midpoint from the part's line, in the direction of conduction. */
static double excess(const model *q, int part, const double *y, bool bare) {
    const double r = bare ? 0.0 : (part == HT || part == LT ? q->s->transistor.slope_ohm : q->s->diode.slope_ohm);
    const double v = part == HT || part == LT ? q->s->transistor.threshold_v : q->s->diode.threshold_v;
    switch (part) {
    case HT:
        return y[RAIL] - y[MIDDLE] - v - r * y[COIL];
    case HD:
        return y[MIDDLE] - y[RAIL] - v + r * y[COIL];
    case LT:
        return y[MIDDLE] - v + r * y[COIL];
    default:
        return -y[MIDDLE] - v - r * y[COIL];
    }
}

static double mains(const model *q, double t) {
    return sqrt(2.0) * q->m->voltage_rms_v * sin(2.0 * TW_PI * q->m->frequency_hz * t);
}

/* Rates; returns the device current into the midpoint. */
static double rates(const model *q, double t, const double *y, double *d) {
    const tw_half_bridge *s = q->s;
    const tw_chain_branch *b = &s->load.branches[0];
    const double i = y[COIL], high = q->leg == HT || q->leg == HD;
    d[COIL] = (y[MIDDLE] - y[TANK] - (s->load.resistance_ohm + s->esr_ohm) * i - b->resistance_ohm * y[PAN]) /
              s->load.inductance_h;
    d[PAN] = d[COIL] - b->resistance_ohm * y[PAN] / b->inductance_h;
    const double j = q->rectifier != 0 ? y[SOURCE] : 0.0;
    const double in[3] = {i, fabs(j), -i}, per[3] = {0.0, -high, 1.0};
    double v[3], w[3];
    for (int r = 0; r < 3; r++) {
        v[r] = w[r] = 0.0;
        for (int c = 0; c < 3; c++) {
            v[r] += q->k[r][c] * in[c];
            w[r] += q->k[r][c] * per[c];
        }
    }
    double device = 0.0;
    if (q->leg != NOBODY) {
        device = (-drop_slope(q) * d[COIL] - (v[2] - high * v[1])) / (w[2] - high * w[1]);
    }
    for (int r = 0; r < 3; r++) {
        d[TANK + r] = v[r] + device * w[r];
    }
    d[SOURCE] = q->rectifier == 0 ? 0.0
                                  : (mains(q, t) - (q->m->source_resistance_ohm + 2.0 * q->m->rectifier.slope_ohm) * j -
                                     q->rectifier * (y[RAIL] + 2.0 * q->m->rectifier.threshold_v)) /
                                        q->m->source_inductance_h;
    return device;
}

static int rhs(double t, N_Vector y, N_Vector d, void *user) {
    (void)rates(user, t, N_VGetArrayPointer(y), N_VGetArrayPointer(d));
    return 0;
}

static double forward(const model *q, double device) {
    return q->leg == HT || q->leg == LD ? device : -device;
}

static int roots(double t, N_Vector yv, double *g, void *user) {
    const model *q = user;
    const double *y = N_VGetArrayPointer(yv);
    double d[N];
    for (int k = 0; k < 6; k++) {
        g[k] = -1.0;
    }
    if (q->leg == NOBODY) {
        g[0] = q->high_gate ? excess(q, HT, y, false) : -1.0;
        g[1] = excess(q, HD, y, false);
        g[2] = q->low_gate ? excess(q, LT, y, false) : -1.0;
        g[3] = excess(q, LD, y, false);
    } else {
        g[q->leg - 1] = -forward(q, rates(q, t, y, d));
    }
    const double e = mains(q, t), stop = y[RAIL] + 2.0 * q->m->rectifier.threshold_v;
    if (q->rectifier == 0) {
        g[4] = e - stop;
        g[5] = -e - stop;
    } else {
        g[4] = -q->rectifier * y[SOURCE];
    }
    return 0;
}

/* A switch closes where the midpoint is not on its line: its charge moves all three nodes. */
static void force(model *q, int part, double t, double *y) {
    const double full = excess(q, part, y, false), bare = excess(q, part, y, true);
    if (fmin(full, bare) <= 1e-9) {
        return;
    }
    const double per[3] = {0.0, part == HT ? -1.0 : 0.0, 1.0};
    double before[N], d[N], probe[N], unit;
    for (int k = 0; k < N; k++) {
        probe[k] = before[k] = y[k];
    }
    for (int r = 0; r < 3; r++) {
        for (int c = 0; c < 3; c++) {
            probe[TANK + r] += q->k[r][c] * per[c];
        }
    }
    unit = excess(q, part, probe, false) - full; /* what a unit of charge does */
    for (int r = 0; r < 3; r++) {
        y[TANK + r] = before[TANK + r] - (probe[TANK + r] - before[TANK + r]) * full / unit;
    }
    q->leg = part;
    if (forward(q, rates(q, t, y, d)) > 0.0) {
        return;
    }
    q->leg = NOBODY;
    for (int r = 0; r < 3; r++) {
        y[TANK + r] = before[TANK + r] - (probe[TANK + r] - before[TANK + r]) * fmin(full, bare) / unit;
    }
}

static void apply_root(model *q, const int *found) {
    q->events++;
    for (int k = 0; k < 4; k++) {
        if (found[k] != 0) {
            q->leg = q->leg == NOBODY ? k + 1 : NOBODY;
            return;
        }
    }
    q->rectifier = q->rectifier != 0 ? 0 : (found[4] != 0 ? 1 : -1);
}

typedef struct sample {
    double t, values[TW_MAINS_SIGNAL_COUNT];
} sample;

typedef struct samples {
    size_t n;
    sample items[64];
} samples;

static bool keep(double t, const double *values, void *user) {
    samples *s = user;
    s->items[s->n].t = t;
    for (int k = 0; k < TW_MAINS_SIGNAL_COUNT; k++) {
        s->items[s->n].values[k] = values[k];
    }
    return ++s->n == 64;
}

typedef struct integrator {
    void *memory;
    N_Vector y;
    model q;
    double t;
} integrator;

static void go_to(integrator *g, double end) {
    while (g->t < end) {
        assert_int_equal(CVodeSetStopTime(g->memory, end), 0);
        const int flag = CVode(g->memory, end, g->y, &g->t, CV_NORMAL);
        assert_true(flag >= 0);
        if (flag == CV_ROOT_RETURN) {
            int found[6];
            assert_int_equal(CVodeGetRootInfo(g->memory, found), 0);
            double *y = N_VGetArrayPointer(g->y);
            apply_root(&g->q, found);
            if (g->q.rectifier == 0) {
                y[SOURCE] = 0.0;
            }
            assert_int_equal(CVodeReInit(g->memory, g->t, g->y), 0);
        }
    }
}

static void gate(integrator *g, bool high, bool on) {
    const int part = high ? HT : LT, leg = g->q.leg;
    *(high ? &g->q.high_gate : &g->q.low_gate) = on;
    if (!on && g->q.leg == part) {
        g->q.leg = NOBODY;
    }
    if (on && g->q.leg != part && g->q.leg != part + 1) {
        force(&g->q, part, g->t, N_VGetArrayPointer(g->y));
    }
    g->q.events += leg != g->q.leg;
    assert_int_equal(CVodeReInit(g->memory, g->t, g->y), 0);
}

static void open_integrator(integrator *g, SUNContext sun, const tw_half_bridge *s, const tw_mains_supply *m,
                            SUNMatrix *matrix, SUNLinearSolver *solver) {
    g->q = (model){.s = s, .m = m};
    prepare(&g->q);
    g->t = 0.0;
    g->y = N_VNew_Serial(N, sun);
    double *y = N_VGetArrayPointer(g->y);
    const double peak = sqrt(2.0) * m->voltage_rms_v;
    for (int k = 0; k < N; k++) {
        y[k] = 0.0;
    }
    y[RAIL] = peak;
    y[MIDDLE] = 0.5 * peak;
    y[TANK] = s->split ? 0.5 * peak : 0.0;
    g->memory = CVodeCreate(CV_BDF, sun);
    int up[6] = {1, 1, 1, 1, 1, 1};
    assert_int_equal(CVodeInit(g->memory, rhs, 0.0, g->y), 0);
    assert_int_equal(CVodeSStolerances(g->memory, 1e-11, 1e-9), 0);
    assert_int_equal(CVodeSetUserData(g->memory, &g->q), 0);
    *matrix = SUNDenseMatrix(N, N, sun);
    *solver = SUNLinSol_Dense(g->y, *matrix, sun);
    assert_int_equal(CVodeSetLinearSolver(g->memory, *solver, *matrix), 0);
    assert_int_equal(CVodeRootInit(g->memory, 6, roots), 0);
    assert_int_equal(CVodeSetRootDirection(g->memory, up), 0);
    assert_int_equal(CVodeSetNoInactiveRootWarn(g->memory), 0);
    assert_int_equal(CVodeSetMaxNumSteps(g->memory, 1000000), 0);
}

/* The same run by both; every signal at every sample within 1e-7 of its peak, the same number of events. */
static void compare(tw_ctx *ctx, const tw_half_bridge *s, const tw_mains_supply *m) {
    samples got = {.n = 0};
    tw_mains_opts opts = tw_mains_opts_default();
    opts.most_settling = 0;
    opts.sample = keep;
    opts.user = &got;
    opts.sample_interval_s = 0.5 / m->frequency_hz / 61.7;
    tw_mains_result r;
    assert_ok(tw_mains_run(ctx, s, m, &opts, &r), ctx);
    assert_close(r.energy.residual, 0.0, 0.0, 1e-10 * r.energy.throughput);
    assert_true(got.n > 60);
    double peak[TW_MAINS_SIGNAL_COUNT] = {0.0};
    for (size_t k = 0; k < got.n; k++) {
        for (int c = 0; c < TW_MAINS_SIGNAL_COUNT; c++) {
            peak[c] = fmax(peak[c], fabs(got.items[k].values[c]));
        }
    }
    SUNContext sun;
    SUNMatrix matrix;
    SUNLinearSolver solver;
    assert_int_equal(SUNContext_Create(NULL, &sun), 0);
    integrator g;
    open_integrator(&g, sun, s, m, &matrix, &solver);
    const double period = 1.0 / s->frequency_hz, end = 0.5 / m->frequency_hz;
    size_t next = 0;
    for (size_t cycle = 0; g.t < end; cycle++) {
        for (int edge = 0; edge < 4; edge++) {
            if (edge % 2 == 0) {
                gate(&g, edge == 0, true);
            } else {
                gate(&g, edge == 1, false);
            }
            const double half = 0.5 * period, on = half - s->dead_time_s;
            const double ends[4] = {on, half, half + on, period};
            const double until = fmin((double)cycle * period + ends[edge], end);
            while (next < got.n && got.items[next].t <= until) {
                go_to(&g, got.items[next].t);
                const double *y = N_VGetArrayPointer(g.y);
                const double want[TW_MAINS_SIGNAL_COUNT] = {mains(&g.q, g.t), y[SOURCE], y[RAIL],
                                                            y[MIDDLE],        y[COIL],   y[TANK]};
                for (int c = 0; c < TW_MAINS_SIGNAL_COUNT; c++) {
                    assert_close(got.items[next].values[c], want[c], 0.0, 1e-7 * peak[c]);
                }
                next++;
            }
            go_to(&g, until);
            if (g.t >= end) {
                break;
            }
        }
    }
    assert_int_equal(next, got.n);
    assert_int_equal(g.q.events, r.events);
    CVodeFree(&g.memory);
    SUNLinSolFree(solver);
    SUNMatDestroy(matrix);
    N_VDestroy(g.y);
    SUNContext_Free(&sun);
    tw_mains_result_dispose(&r);
}

static void mains_runs_agree_with_implicit_integration(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    tw_random r = {860111};
    for (int k = 0; k < 8; k++) {
        const double inductance = tw_random_log_uniform(&r, 4e-5, 2e-4),
                     capacitance = tw_random_log_uniform(&r, 3e-7, 1e-6);
        tw_half_bridge s = {.dead_time_s = tw_random_uniform(&r, 0.8e-6, 2.5e-6),
                            .snubber_capacitance_f = tw_random_log_uniform(&r, 1e-9, 3e-8),
                            .transistor = {tw_random_uniform(&r, 0.3, 1.2), tw_random_uniform(&r, 0.0, 0.05)},
                            .diode = {tw_random_uniform(&r, 0.3, 1.2), tw_random_uniform(&r, 0.0, 0.05)},
                            .capacitance_f = capacitance,
                            .esr_ohm = tw_random_uniform(&r, 0.0, 0.02),
                            .split = k % 2 == 0};
        s.load = tw_load_coupled(inductance, tw_random_uniform(&r, 0.05, 0.3), tw_random_uniform(&r, 0.3, 0.8),
                                 tw_random_log_uniform(&r, 2.0, 12.0));
        double f0;
        assert_ok(tw_load_resonance(ctx, &s.load, capacitance, &f0), ctx);
        s.frequency_hz = f0 * (k < 6 ? tw_random_uniform(&r, 1.05, 1.6) : tw_random_uniform(&r, 0.8, 0.95));
        const tw_mains_supply m = {.voltage_rms_v = tw_random_uniform(&r, 100.0, 240.0),
                                   .frequency_hz = s.frequency_hz / tw_random_uniform(&r, 50.0, 80.0),
                                   .source_inductance_h = tw_random_log_uniform(&r, 3e-5, 6e-4),
                                   .source_resistance_ohm = tw_random_uniform(&r, 0.05, 0.8),
                                   .rail_capacitance_f = tw_random_log_uniform(&r, 2e-6, 3e-5),
                                   .rectifier = {tw_random_uniform(&r, 0.5, 1.0), tw_random_uniform(&r, 0.0, 0.05)}};
        compare(ctx, &s, &m);
    }
    tw_ctx_destroy(ctx);
}

int main(void) {
    const struct CMUnitTest tests[] = {cmocka_unit_test(mains_runs_agree_with_implicit_integration)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}

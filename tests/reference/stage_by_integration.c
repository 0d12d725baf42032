/* CVODE model of the stage; see the header. Variables: coil current i, pan currents j_k, capacitor voltage v, midpoint
 * voltage m (integrated while nobody conducts, else given by the conducting part's drop). */
#include "stage_by_integration.h"

#include <math.h>
#include <string.h>

#include <cvode/cvode.h>
#include <nvector/nvector_serial.h>
#include <sunlinsol/sunlinsol_dense.h>
#include <sunmatrix/sunmatrix_dense.h>

typedef struct model {
    const tw_half_bridge *s;
    double node_f;
    bool high_gate, low_gate;
    conduction who;
} model;

static double clamped_midpoint(const model *m, double i) {
    const tw_half_bridge *s = m->s;
    switch (m->who) {
    case HIGH_SWITCH:
        return s->rail_v - s->transistor.threshold_v - s->transistor.slope_ohm * i;
    case HIGH_RECTIFIER:
        return s->rail_v + s->diode.threshold_v - s->diode.slope_ohm * i;
    case LOW_SWITCH:
        return s->transistor.threshold_v - s->transistor.slope_ohm * i;
    case LOW_RECTIFIER:
        return -s->diode.threshold_v - s->diode.slope_ohm * i;
    case NOBODY:
        break;
    }
    return NAN;
}

static double slope_of(const model *m) {
    return m->who == HIGH_SWITCH || m->who == LOW_SWITCH ? m->s->transistor.slope_ohm : m->s->diode.slope_ohm;
}

/* y = i, j_1 .. j_n, v, m */
static double midpoint(const model *m, const double *y) {
    return m->who == NOBODY ? y[m->s->load.n_branches + 2] : clamped_midpoint(m, y[0]);
}

static void derivative(const model *m, const double *y, double *d) {
    const tw_half_bridge *s = m->s;
    const size_t n = s->load.n_branches;
    double left = midpoint(m, y) - y[n + 1] - (s->load.resistance_ohm + s->esr_ohm) * y[0]; /* around the loop */
    for (size_t k = 0; k < n; k++) {
        left -= s->load.branches[k].resistance_ohm * y[k + 1];
    }
    d[0] = left / s->load.inductance_h;
    for (size_t k = 0; k < n; k++) {
        const tw_chain_branch *b = &s->load.branches[k];
        d[k + 1] = d[0] - b->resistance_ohm * y[k + 1] / b->inductance_h;
    }
    d[n + 1] = y[0] / s->capacitance_f;
    d[n + 2] = m->who == NOBODY ? -y[0] / m->node_f : -slope_of(m) * d[0];
}

/* Current that the conducting part must supply at the midpoint: coil plus both snubbers, forward positive. */
static double forward_current(const model *m, const double *y, const double *d) {
    const double into_node = y[0] + m->node_f * d[m->s->load.n_branches + 2];
    return m->who == HIGH_SWITCH || m->who == LOW_RECTIFIER ? into_node : -into_node;
}

static int rate(double t, N_Vector y, N_Vector ydot, void *user) {
    (void)t;
    derivative(user, N_VGetArrayPointer(y), N_VGetArrayPointer(ydot));
    return 0;
}

static int roots(double t, N_Vector yv, double *g, void *user) {
    (void)t;
    const model *m = user;
    const tw_half_bridge *s = m->s;
    const double *y = N_VGetArrayPointer(yv), i = y[0], v = midpoint(m, y);
    double d[TW_MAX_BRANCHES + 3];
    for (int k = 0; k < 4; k++) {
        g[k] = -1.0;
    }
    if (m->who == NOBODY) {
        if (m->high_gate) {
            g[0] = s->rail_v - s->transistor.threshold_v - s->transistor.slope_ohm * i - v;
        }
        g[1] = v - s->rail_v - s->diode.threshold_v + s->diode.slope_ohm * i;
        if (m->low_gate) {
            g[2] = v - s->transistor.threshold_v + s->transistor.slope_ohm * i;
        }
        g[3] = -v - s->diode.threshold_v - s->diode.slope_ohm * i;
    } else {
        derivative(m, y, d);
        g[m->who - 1] = -forward_current(m, y, d);
    }
    g[4] = i;
    return 0;
}

static void note(stage_log *log, double t, conduction before, conduction after, bool falling) {
    if (log != NULL && log->n_events < sizeof log->events / sizeof *log->events) {
        log->events[log->n_events++] = (stage_event){t, before, after, falling};
    }
}

/* The part that ended hands over: without any drop there is no band between a switch and its diode. */
static conduction after_end(const model *m) {
    const tw_half_bridge *s = m->s;
    if (s->transistor.threshold_v + s->diode.threshold_v + s->transistor.slope_ohm + s->diode.slope_ohm > 0.0) {
        return NOBODY;
    }
    switch (m->who) {
    case HIGH_SWITCH:
        return HIGH_RECTIFIER;
    case HIGH_RECTIFIER:
        return m->high_gate ? HIGH_SWITCH : NOBODY;
    case LOW_SWITCH:
        return LOW_RECTIFIER;
    case LOW_RECTIFIER:
        return m->low_gate ? LOW_SWITCH : NOBODY;
    case NOBODY:
        break;
    }
    return NOBODY;
}

static void change_to(model *m, double t, double *y, conduction next, stage_log *log) {
    note(log, t, m->who, next, false);
    y[m->s->load.n_branches + 2] = midpoint(m, y);
    m->who = next;
    y[m->s->load.n_branches + 2] = midpoint(m, y);
}

/* A switch closes: seen from its own rail, with `across` the voltage over it and `i` the current it could carry. */
static void close_switch(model *m, double t, double *y, bool high, stage_log *log) {
    const tw_half_bridge *s = m->s;
    const size_t node = s->load.n_branches + 2;
    const conduction own = high ? HIGH_SWITCH : LOW_SWITCH, mate = high ? HIGH_RECTIFIER : LOW_RECTIFIER;
    *(high ? &m->high_gate : &m->low_gate) = true;
    if (m->who == own || m->who == mate) {
        return;
    }
    y[node] = midpoint(m, y);
    const double across = high ? s->rail_v - y[node] : y[node], i = high ? y[0] : -y[0];
    const double drop = s->transistor.threshold_v + s->transistor.slope_ohm * fmax(i, 0.0);
    if (across <= drop) {
        return;
    }
    y[node] = high ? s->rail_v - drop : drop;
    if (!high && log != NULL) {
        log->forced_v += across - drop;
        log->forced_j += 0.5 * m->node_f * (across * across - drop * drop);
    }
    conduction next = i > 0.0 ? own : NOBODY;
    const double diode_excess = (high ? y[node] - s->rail_v : -y[node]) - s->diode.threshold_v + s->diode.slope_ohm * i;
    if (next == NOBODY && diode_excess >= 0.0) {
        next = mate;
    }
    const conduction before = m->who;
    m->who = next;
    note(log, t, before, next, false);
}

static void open_switch(model *m, double t, double *y, bool high, stage_log *log) {
    *(high ? &m->high_gate : &m->low_gate) = false;
    if (m->who == (high ? HIGH_SWITCH : LOW_SWITCH)) {
        change_to(m, t, y, NOBODY, log);
    }
}

static void write_signals(const model *m, const double *y, size_t n, size_t k, double *out) {
    const tw_half_bridge *s = m->s;
    const size_t nb = s->load.n_branches;
    double d[TW_MAX_BRANCHES + 3], high = 0.0, low = 0.0;
    derivative(m, y, d);
    if (m->who != NOBODY) {
        const double forward = forward_current(m, y, d);
        if (m->who == HIGH_SWITCH || m->who == HIGH_RECTIFIER) {
            high = m->who == HIGH_SWITCH ? forward : -forward;
        } else {
            low = m->who == LOW_SWITCH ? forward : -forward;
        }
    }
    const double upper_snubber = -0.5 * m->node_f * d[nb + 2];
    const double upper_half = s->split ? -0.5 * s->capacitance_f * d[nb + 1] : 0.0;
    double coil = s->load.resistance_ohm * y[0] + s->load.inductance_h * d[0];
    for (size_t b = 0; b < nb; b++) {
        coil += s->load.branches[b].resistance_ohm * y[b + 1];
    }
    out[TW_SIGNAL_MIDPOINT_VOLTAGE * n + k] = midpoint(m, y);
    out[TW_SIGNAL_COIL_VOLTAGE * n + k] = coil;
    out[TW_SIGNAL_COIL_CURRENT * n + k] = y[0];
    out[TW_SIGNAL_CAPACITOR_VOLTAGE * n + k] = y[nb + 1];
    out[TW_SIGNAL_HIGH_DEVICE_CURRENT * n + k] = high;
    out[TW_SIGNAL_LOW_DEVICE_CURRENT * n + k] = low;
    out[TW_SIGNAL_SUPPLY_CURRENT * n + k] = high + upper_snubber + upper_half;
    out[TW_SIGNAL_PAN_CURRENT * n + k] = nb > 0 ? y[1] : 0.0;
}

typedef struct solver {
    void *cvode;
    N_Vector y;
    model *m;
    stage_log *log;
} solver;

/* Advances to `until`, through every root. */
static int advance(solver *v, double *t, double until) {
    double *y = N_VGetArrayPointer(v->y);
    while (*t < until) {
        int status = CVodeSetStopTime(v->cvode, until);
        if (status == CV_SUCCESS) {
            status = CVode(v->cvode, until, v->y, t, CV_NORMAL);
        }
        if (status < 0) {
            return status;
        }
        if (status != CV_ROOT_RETURN) {
            continue;
        }
        int hit[5];
        CVodeGetRootInfo(v->cvode, hit);
        if (hit[4] != 0) {
            note(v->log, *t, v->m->who, v->m->who, hit[4] < 0);
        }
        for (int k = 0; k < 4; k++) {
            if (hit[k] > 0) {
                const conduction own = (conduction)(k + 1);
                change_to(v->m, *t, y, v->m->who == own ? after_end(v->m) : own, v->log);
                status = CVodeReInit(v->cvode, *t, v->y);
                if (status != CV_SUCCESS) {
                    return status;
                }
                break;
            }
        }
    }
    return CV_SUCCESS;
}

static int run(solver *v, double duration_s, size_t n, const double *time_s, double *out) {
    const tw_half_bridge *s = v->m->s;
    const double half = 0.5 / s->frequency_hz;
    double t = 0.0, *y = N_VGetArrayPointer(v->y);
    size_t k = 0;
    for (size_t edge = 0;; edge++) { /* off, on, off, on ... at half - t_d, half, ... */
        const bool closing = edge % 2 == 1;
        const double at = half * (double)(edge / 2 + 1) - (closing ? 0.0 : s->dead_time_s);
        const double stop = fmin(at, duration_s);
        for (; k < n && time_s[k] < stop; k++) {
            const int status = advance(v, &t, time_s[k]);
            if (status < 0) {
                return status;
            }
            write_signals(v->m, y, n, k, out);
        }
        int status = advance(v, &t, stop);
        if (status < 0) {
            return status;
        }
        const bool high = (edge / 2) % 2 == (closing ? 1 : 0);
        if (stop < at) {
            return CV_SUCCESS;
        }
        if (closing) {
            close_switch(v->m, t, y, high, v->log);
        } else {
            open_switch(v->m, t, y, high, v->log);
        }
        if (stop >= duration_s) {
            return CV_SUCCESS;
        }
        status = CVodeReInit(v->cvode, t, v->y);
        if (status != CV_SUCCESS) {
            return status;
        }
    }
}

static int set_up(solver *v, double rel_tolerance, N_Vector scale, SUNMatrix matrix, SUNLinearSolver linear) {
    static const int rising[5] = {1, 1, 1, 1, 0};
    int direction[5];
    memcpy(direction, rising, sizeof direction);
    const int status[] = {
        CVodeInit(v->cvode, rate, 0.0, v->y),       CVodeSVtolerances(v->cvode, rel_tolerance, scale),
        CVodeSetUserData(v->cvode, v->m),           CVodeSetLinearSolver(v->cvode, linear, matrix),
        CVodeSetMaxNumSteps(v->cvode, 10000000),    CVodeRootInit(v->cvode, 5, roots),
        CVodeSetRootDirection(v->cvode, direction), CVodeSetNoInactiveRootWarn(v->cvode),
    };
    for (size_t k = 0; k < sizeof status / sizeof *status; k++) {
        if (status[k] != CV_SUCCESS) {
            return status[k];
        }
    }
    return CV_SUCCESS;
}

int stage_integrate(const tw_half_bridge *stage, double rel_tolerance, stage_state *state, double duration_s, size_t n,
                    const double *time_s, double *out, stage_log *log) {
    const size_t nb = stage->load.n_branches;
    model m = {.s = stage, .node_f = 2.0 * stage->snubber_capacitance_f, .high_gate = true, .who = state->who};
    SUNContext context;
    if (SUNContext_Create(NULL, &context) != 0) {
        return CV_MEM_FAIL;
    }
    const sunindextype size = (sunindextype)nb + 3;
    solver v = {CVodeCreate(CV_ADAMS, context), N_VNew_Serial(size, context), &m, log};
    N_Vector scale = N_VNew_Serial(size, context);
    SUNMatrix matrix = SUNDenseMatrix(size, size, context);
    SUNLinearSolver linear = SUNLinSol_Dense(v.y, matrix, context);
    double *y = N_VGetArrayPointer(v.y), *a = N_VGetArrayPointer(scale);
    y[0] = state->coil_a;
    memcpy(y + 1, state->pan_a, nb * sizeof *y);
    y[nb + 1] = state->capacitor_v;
    y[nb + 2] = state->midpoint_v;
    for (size_t k = 0; k < nb + 3; k++) {
        a[k] = rel_tolerance * (k <= nb ? stage->rail_v / 100.0 : stage->rail_v); /* amperes: rail over 100 ohm */
    }
    if (log != NULL) {
        memset(log, 0, sizeof *log);
    }
    int status = set_up(&v, rel_tolerance, scale, matrix, linear);
    if (status == CV_SUCCESS) {
        status = run(&v, duration_s, n, time_s, out);
    }
    if (log != NULL) {
        CVodeGetNumSteps(v.cvode, &log->steps);
    }
    state->coil_a = y[0];
    memcpy(state->pan_a, y + 1, nb * sizeof *y);
    state->capacitor_v = y[nb + 1];
    state->midpoint_v = midpoint(&m, y);
    state->who = m.who;
    SUNLinSolFree(linear);
    SUNMatDestroy(matrix);
    N_VDestroy(scale);
    N_VDestroy(v.y);
    CVodeFree(&v.cvode);
    SUNContext_Free(&context);
    return status;
}

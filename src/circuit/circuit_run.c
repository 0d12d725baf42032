/* Valve logic: which valve takes over or leaves, projections, and the derivative through them. See circuit_run.h.
 *
 * Derivative through a change of mode at a time t*(x) defined by g(x(t*)) = 0, with jump map J and rates f-, f+:
 *   dt* = -(grad g . S)/(grad g . f-),   S+ = DJ (S + f- dt*) - f+ dt*
 * (saltation matrix; e.g. R. I. Leine & H. Nijmeijer, Dynamics and Bifurcations of Non-smooth Mechanical Systems,
 * 2004, ch. 7). At a gate edge dt* = 0.
 */
#include "circuit_run.h"

#include <float.h>
#include <math.h>
#include <string.h>

static const char room[] = "circuit";

/* A node this close to a valve's line (relative to the network's voltage) stands on it. */
static const double on_line = 1e-13;

/* Most pieces of no length in a row: more than any chain of takeovers can need. */
static const size_t most_instant_pieces = 32;

void tw_run_init(tw_ctx *ctx, const tw_network *net, tw_run *run) {
    run->ctx = ctx;
    run->net = net;
    run->counts = (tw_counts){0};
    run->n_pieces = 0;
    run->capacity = TW_PIECES_INLINE;
    run->pieces = run->fixed;
    run->wants_derivative = false;
    run->observe = NULL;
    run->user = NULL;
}

void tw_run_dispose(tw_run *run) {
    if (run->pieces != run->fixed) {
        tw_free(run->pieces);
    }
    run->pieces = run->fixed;
    run->n_pieces = 0;
}

void tw_piece_flow(const tw_network *net, const tw_piece *piece, tw_counts *counts, tw_flow *flow) {
    tw_flow_start(flow, net, &net->modes[piece->mode], piece->x, counts);
}

/* Too many changes: says which valve starts conducting over and over, and how fast. */
static tw_status report_storm(tw_run *run) {
    enum { LOOK_BACK = 200 };
    const size_t first = run->n_pieces - LOOK_BACK;
    size_t times[TW_MAX_VALVES] = {0}, most = 0;
    for (size_t k = first; k < run->n_pieces; k++) {
        const unsigned fresh = run->net->modes[run->pieces[k].mode].on & ~run->net->modes[run->pieces[k - 1].mode].on;
        for (size_t w = 0; w < run->net->n_valves; w++) {
            times[w] += fresh >> w & 1u;
            most = times[w] > times[most] ? w : most;
        }
    }
    const double span = run->time_s - run->pieces[first].start_s;
    return tw_fail(run->ctx, TW_TOO_LARGE, room,
                   "more than %d changes of conduction state in one run: at %.4g s the %s starts "
                   "conducting every %.3g s; the midpoint rings too fast for this dead time and snubber, or the "
                   "frequency lies too far below resonance",
                   TW_PIECES_MOST, run->time_s, run->net->valves[most].name,
                   times[most] > 0 ? span / (double)times[most] : span);
}

static tw_status grow(tw_run *run) {
    if (run->n_pieces >= TW_PIECES_MOST) {
        return report_storm(run);
    }
    const size_t capacity = run->capacity * 4;
    tw_piece *old = run->pieces == run->fixed ? NULL : run->pieces;
    tw_piece *more = tw_resize(run->ctx, old, capacity, sizeof *more);
    if (more == NULL) {
        return TW_NO_MEMORY;
    }
    if (old == NULL) {
        memcpy(more, run->fixed, sizeof run->fixed);
    }
    run->pieces = more;
    run->capacity = capacity;
    return TW_OK;
}

/* Opens a piece at the present state; its length follows when it ends. */
static tw_status record(tw_run *run, const tw_jump *jump) {
    if (run->n_pieces == run->capacity) {
        TW_TRY(grow(run));
    }
    tw_piece *p = &run->pieces[run->n_pieces++];
    p->start_s = run->time_s;
    p->length_s = 0.0;
    p->mode = run->mode;
    p->gates = run->gates;
    p->jump = *jump;
    memcpy(p->x, run->x, sizeof p->x);
    return TW_OK;
}

static const tw_jump no_jump = {.valve = TW_NO_VALVE};

/* S row of a slaved state := derivative of its law. */
static void enslave_derivative(tw_run *run, const tw_slave *slave) {
    for (size_t k = 0; k < run->n_columns; k++) {
        double sum = 0.0;
        for (size_t j = 0; j < run->net->n; j++) {
            sum += slave->law.c[j] * run->s[j][k];
        }
        run->s[slave->state][k] = sum;
    }
}

static void set_mode(tw_run *run, size_t mode) {
    run->mode = mode;
    const tw_mode *m = &run->net->modes[mode];
    tw_mode_enslave(m, run->net->n, run->x);
    if (run->wants_derivative) {
        for (size_t k = 0; k < m->n_slaved; k++) {
            enslave_derivative(run, &m->slave[k]);
        }
    }
}

/* Moves the valve's node, and what jumps with it, to where `line` is zero; returns the line's change per volt. */
static double shift_state(const tw_network *net, const tw_valve *valve, const tw_functional *line, double *x) {
    double along = line->c[valve->node];
    for (size_t k = 0; k < valve->n_jumping; k++) {
        along += line->c[valve->jumping[k]] * valve->per_volt[k];
    }
    const double change = -tw_functional_value(net, line, x) / along;
    x[valve->node] += change;
    for (size_t k = 0; k < valve->n_jumping; k++) {
        x[valve->jumping[k]] += valve->per_volt[k] * change;
    }
    return along;
}

static void project(tw_run *run, const tw_valve *valve, const tw_functional *line) {
    const double along = shift_state(run->net, valve, line, run->x);
    double shift[TW_N];
    if (!run->wants_derivative) {
        return;
    }
    for (size_t c = 0; c < run->n_columns; c++) {
        double sum = 0.0;
        for (size_t j = 0; j < run->net->n; j++) {
            sum += line->c[j] * run->s[j][c];
        }
        shift[c] = -sum / along;
    }
    for (size_t c = 0; c < run->n_columns; c++) {
        run->s[valve->node][c] += shift[c];
        for (size_t k = 0; k < valve->n_jumping; k++) {
            run->s[valve->jumping[k]][c] += valve->per_volt[k] * shift[c];
        }
    }
}

/* Records what the valve did to the state since `before`: its charge times the mean of its voltage is lost. */
static void account(const tw_run *run, size_t index, const double *before, tw_jump *jump) {
    const tw_valve *valve = &run->net->valves[index];
    jump->valve = index;
    jump->change_v = run->x[valve->node] - before[valve->node];
    jump->distance_v = fabs(jump->change_v);
    const double first = tw_functional_value(run->net, &valve->voltage, before);
    const double last = tw_functional_value(run->net, &valve->voltage, run->x);
    jump->energy_j = valve->node_capacitance_f * jump->distance_v * 0.5 * (first + last);
}

/* Whether a valve that would conduct in `mode` carries forward current there, decided just after the instant. */
static bool carries(const tw_run *run, size_t mode, size_t valve, const double *x, tw_counts *counts) {
    tw_flow flow;
    tw_wave wave;
    tw_flow_start(&flow, run->net, &run->net->modes[mode], x, counts);
    tw_wave_watch(&wave, &flow, valve);
    return tw_wave_start_sign(&wave) > 0;
}

static bool eligible(const tw_run *run, size_t w) {
    const unsigned bit = 1u << w;
    const tw_valve *valve = &run->net->valves[w];
    return !(run->net->modes[run->mode].on & (bit | valve->mates)) && (!valve->gated || (run->gates & bit));
}

typedef enum takeover { NOTHING, ENTERED, FORCED } takeover;

/* Tries valve w at the present instant: it enters, or takes the node to its line and leaves it floating there, or
 * nothing happens. */
static takeover try_valve(tw_run *run, size_t w, tw_jump *jump) {
    const tw_network *net = run->net;
    const tw_valve *valve = &net->valves[w];
    const double full = tw_functional_value(net, &valve->excess, run->x);
    const double bare = tw_functional_value(net, &valve->excess_bare, run->x);
    const double tolerance = on_line * net->voltage_scale_v;
    if (tw_smaller(full, bare) < -tolerance) {
        return NOTHING;
    }
    const unsigned rest = net->modes[run->mode].on & ~valve->replaces;
    const size_t entered = tw_network_find_mode(net, rest | (1u << w));
    const bool jumps = valve->node != TW_NO_NODE && tw_smaller(full, bare) > tolerance;
    double before[TW_N], x[TW_N];
    memcpy(before, run->x, sizeof before);
    memcpy(x, run->x, sizeof x);
    if (jumps) {
        shift_state(net, valve, &valve->excess, x);
    }
    tw_mode_enslave(&net->modes[entered], net->n, x);
    if (carries(run, entered, w, x, &run->counts)) {
        if (jumps) {
            project(run, valve, &valve->excess);
        }
        set_mode(run, entered);
        if (jumps) {
            account(run, w, before, jump);
        }
        return ENTERED;
    }
    if (!jumps) {
        return NOTHING;
    }
    set_mode(run, tw_network_find_mode(net, rest));
    project(run, valve, bare <= full ? &valve->excess_bare : &valve->excess);
    account(run, w, before, jump);
    return FORCED;
}

/* Lets the candidates (bits) take over until nothing changes, then opens the next piece. */
static tw_status settle(tw_run *run, unsigned candidates) {
    unsigned tried = 0;
    tw_jump jump = no_jump;
    for (size_t w = 0; w < run->net->n_valves; w++) {
        if (!(candidates & ~tried & (1u << w)) || !eligible(run, w)) {
            continue;
        }
        tw_jump this_jump = no_jump;
        const takeover outcome = try_valve(run, w, &this_jump);
        if (outcome == NOTHING) {
            continue;
        }
        tried |= 1u << w;
        if (jump.valve != TW_NO_VALVE && this_jump.valve != TW_NO_VALVE) {
            TW_TRY(record(run, &jump));
        }
        if (this_jump.valve != TW_NO_VALVE) {
            jump = this_jump;
        }
        if (outcome == FORCED) {
            run->left |= 1u << w;
            candidates = ~run->left;
            w = (size_t)-1; /* from the start: another valve may stand on its line now */
        }
    }
    return record(run, &jump);
}

/* A change of state at the present instant, with `event` (may be NULL) whose zero sets the instant. */
static tw_status change(tw_run *run, const tw_functional *event, size_t drop_to, unsigned candidates) {
    const tw_network *net = run->net;
    const size_t n = net->n;
    double shift[TW_N], rate[TW_N];
    bool moves = false;
    if (event != NULL && run->wants_derivative) {
        tw_mode_rate(net, &net->modes[run->mode], run->x, rate);
        double speed = 0.0, size = 0.0;
        for (size_t j = 0; j < n; j++) {
            speed += event->c[j] * rate[j];
            size += fabs(event->c[j] * rate[j]);
        }
        moves = fabs(speed) > 1e-12 * size; /* a graze has no derivative; Newton copes without */
        for (size_t k = 0; moves && k < run->n_columns; k++) {
            double sum = 0.0;
            for (size_t j = 0; j < n; j++) {
                sum += event->c[j] * run->s[j][k];
            }
            shift[k] = -sum / speed;
            for (size_t j = 0; j < n; j++) {
                run->s[j][k] += rate[j] * shift[k];
            }
        }
    }
    set_mode(run, drop_to);
    TW_TRY(settle(run, candidates));
    if (moves) {
        tw_mode_rate(net, &net->modes[run->mode], run->x, rate);
        for (size_t j = 0; j < n; j++) {
            for (size_t k = 0; k < run->n_columns; k++) {
                run->s[j][k] -= rate[j] * shift[k];
            }
        }
    }
    return TW_OK;
}

static void begin_derivative(tw_run *run, const tw_mode *mode) {
    run->n_columns = 0;
    for (size_t j = 0; run->wants_derivative && j < run->net->n; j++) {
        bool slaved = false;
        for (size_t k = 0; k < mode->n_slaved; k++) {
            slaved = slaved || mode->slave[k].state == j;
        }
        if (!slaved) {
            run->column[run->n_columns++] = j;
        }
    }
    for (size_t j = 0; j < run->net->n; j++) {
        for (size_t k = 0; k < run->n_columns; k++) {
            run->s[j][k] = run->column[k] == j ? 1.0 : 0.0;
        }
    }
}

tw_status tw_run_begin(tw_run *run, const double *x, size_t mode, unsigned gates) {
    const tw_network *net = run->net;
    memcpy(run->x, x, sizeof run->x);
    run->time_s = 0.0;
    run->gates = gates;
    run->left = 0;
    run->n_pieces = 0;
    begin_derivative(run, &net->modes[mode]);
    set_mode(run, mode);
    const unsigned on = net->modes[mode].on;
    unsigned idle = 0;
    for (size_t w = 0; w < net->n_valves; w++) {
        if ((on & (1u << w)) && !carries(run, mode, w, run->x, &run->counts)) {
            idle |= 1u << w;
        }
    }
    if (on != 0 && idle == 0) {
        return record(run, &no_jump);
    }
    set_mode(run, tw_network_find_mode(net, on & ~idle));
    run->left = idle;
    TW_TRY(settle(run, ~idle));
    for (size_t k = 0; k < run->n_pieces; k++) {
        run->pieces[k].jump = no_jump; /* the run begins after what the start state made the valves do */
    }
    return TW_OK;
}

typedef struct candidate {
    size_t valve;
    bool on;
    tw_wave wave;
    tw_wave_point start;
    double estimate_s; /* where its parabola meets zero */
} candidate;

/* Earliest valve change within `span`; returns the valve, TW_NO_VALVE where none. The likely one is looked for first:
 * it shortens the search for the others. */
static size_t find_event(tw_run *run, tw_flow *flow, double span, double *when) {
    const tw_network *net = run->net;
    const tw_mode *mode = &net->modes[run->mode];
    candidate list[TW_MAX_VALVES];
    size_t n = 0;
    for (size_t w = 0; w < net->n_valves; w++) {
        const unsigned bit = 1u << w;
        const bool on = (mode->on & bit) != 0;
        if (!on && (!eligible(run, w) || (mode->on & net->valves[w].replaces))) {
            continue;
        }
        candidate *c = &list[n++];
        c->valve = w;
        c->on = on;
        c->estimate_s = 0.0;
        tw_wave_watch(&c->wave, flow, w);
        tw_wave_eval(&c->wave, 0.0, span, &c->start);
    }
    for (size_t k = 0; n > 1 && k < n; k++) {
        const bool left = (run->left & (1u << list[k].valve)) != 0;
        list[k].estimate_s = left ? INFINITY : tw_wave_guess(&list[k].start, list[k].on ? 1 : -1);
    }
    size_t found = TW_NO_VALVE;
    for (unsigned todo = (1u << n) - 1u; todo != 0;) {
        size_t next = TW_MAX_VALVES;
        for (size_t k = 0; k < n; k++) {
            if ((todo & (1u << k)) && (next == TW_MAX_VALVES || list[k].estimate_s < list[next].estimate_s)) {
                next = k;
            }
        }
        todo &= ~(1u << next);
        const candidate *c = &list[next];
        double t;
        const bool hit =
            c->on ? tw_wave_next_change_from(&c->wave, 1, &c->start, span, &t)
                  : tw_wave_first_rise_from(&c->wave, (run->left & (1u << c->valve)) != 0, &c->start, span, &t);
        if (hit && (found == TW_NO_VALVE || t < span || (t == span && c->valve < found))) {
            found = c->valve;
            span = t;
        }
    }
    *when = span;
    return found;
}

static void move(tw_run *run, tw_flow *flow, double h) {
    tw_flow_state(flow, h, run->x);
    if (run->wants_derivative) {
        tw_flow_carry(flow, h, run->n_columns, run->s);
    }
    tw_piece *piece = &run->pieces[run->n_pieces - 1];
    piece->length_s = h;
    run->time_s += h;
    if (run->observe != NULL && h > 0.0) {
        run->observe(run->user, run, piece, flow);
    }
}

tw_status tw_run_advance(tw_run *run, double time_s) {
    const tw_network *net = run->net;
    size_t instant = 0;
    while (run->time_s < time_s) {
        const double start = run->time_s, span = time_s - start;
        tw_flow flow;
        double h;
        tw_flow_start(&flow, net, &net->modes[run->mode], run->x, &run->counts);
        const size_t w = find_event(run, &flow, span, &h);
        if (!isfinite(run->x[0])) {
            return tw_fail(run->ctx, TW_OUT_OF_RANGE, room, "the circuit's state overflows");
        }
        move(run, &flow, h);
        if (w == TW_NO_VALVE) {
            run->time_s = time_s;
            run->left = 0;
            return TW_OK;
        }
        instant = run->time_s > start ? 0 : instant + 1;
        if (instant > most_instant_pieces) {
            return tw_fail(run->ctx, TW_INTERNAL, room, "conduction does not settle at %.9g s", start);
        }
        const unsigned bit = 1u << w;
        const tw_mode *mode = &net->modes[run->mode];
        const bool leaves = (mode->on & bit) != 0;
        const tw_functional event = leaves ? mode->current[w] : net->valves[w].excess;
        if (leaves) {
            run->left = bit;
            TW_TRY(change(run, &event, tw_network_find_mode(net, mode->on & ~bit), ~bit));
        } else {
            run->left = 0;
            const unsigned on = (mode->on & ~net->valves[w].replaces) | bit;
            TW_TRY(change(run, &event, tw_network_find_mode(net, on), 0));
        }
    }
    return TW_OK;
}

tw_status tw_run_mark(tw_run *run) {
    return record(run, &no_jump);
}

tw_status tw_run_open(tw_run *run, size_t valve) {
    const unsigned bit = 1u << valve, on = run->net->modes[run->mode].on;
    run->gates &= ~bit;
    run->left = 0;
    if (!(on & bit)) {
        return record(run, &no_jump);
    }
    return change(run, NULL, tw_network_find_mode(run->net, on & ~bit), ~bit);
}

tw_status tw_run_close(tw_run *run, size_t valve) {
    run->gates |= 1u << valve;
    run->left = 0;
    return change(run, NULL, run->mode, 1u << valve);
}

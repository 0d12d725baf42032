/* A stage moving through time from a given state: the engine's run, all pieces kept. */
#include <math.h>
#include <string.h>

#include "circuit_stage.h"

struct tw_transient {
    tw_stage_model model;
    tw_run run;         /* of the present stretch; its clock starts with each */
    double stretch_s;   /* when the stretch began */
    size_t n, capacity; /* pieces of the stretches before, on the clock of the whole */
    tw_piece *pieces;
    tw_stage_sums sums;
    double start[TW_N];
};

static void put_state(const tw_stage_model *m, const tw_transient_state *s, double *x) {
    memset(x, 0, TW_N * sizeof *x);
    x[0] = s->coil_current_a;
    for (size_t k = 1; k <= m->stage.bridge.load.n_branches; k++) {
        x[k] = s->branch_current_a[k - 1];
    }
    if (m->v_c != TW_NO_NODE) {
        x[m->v_c] = s->capacitor_v;
    }
    for (size_t k = 0; k < m->n_legs; k++) {
        x[m->legs[k].node] = s->midpoint_v[k];
    }
}

tw_transient_state tw_transient_rest(const tw_stage *stage) {
    const double rail = stage->bridge.rail_v;
    tw_transient_state s = {.midpoint_v = {0.5 * rail, 0.5 * rail}};
    if (stage->arrangement == TW_ARRANGEMENT_SINGLE) {
        s.midpoint_v[0] = rail;
    } else if (stage->arrangement == TW_ARRANGEMENT_HALF && stage->bridge.split) {
        s.capacitor_v = 0.5 * rail;
    }
    return s;
}

static tw_status start(tw_transient *t, const tw_transient_state *state) {
    double x[TW_N];
    put_state(&t->model, state, x);
    for (size_t k = 0; k < t->model.net.n; k++) {
        if (!isfinite(x[k])) {
            return tw_fail(t->run.ctx, TW_OUT_OF_RANGE, "circuit", "the start state is not finite");
        }
    }
    TW_TRY(tw_run_begin(&t->run, x, 0, 0));
    memcpy(t->start, t->run.x, sizeof t->start);
    tw_stage_start_sums(&t->model, t->run.x, &t->sums);
    return TW_OK;
}

tw_status tw_transient_create(tw_ctx *ctx, const tw_stage *stage, const tw_transient_state *state, tw_transient **out) {
    TW_TRY(tw_stage_check(ctx, stage));
    tw_transient *t = tw_alloc(ctx, 1, sizeof *t);
    if (t == NULL) {
        return TW_NO_MEMORY;
    }
    tw_run_init(ctx, &t->model.net, &t->run);
    tw_status status = tw_stage_build(ctx, stage, &t->model);
    if (status == TW_OK) {
        status = start(t, state);
    }
    if (status != TW_OK) {
        tw_transient_destroy(t);
        return status;
    }
    *out = t;
    return TW_OK;
}

void tw_transient_destroy(tw_transient *t) {
    if (t != NULL) {
        tw_run_dispose(&t->run);
        tw_free(t->pieces);
        tw_free(t);
    }
}

/* Keeps the run's pieces on the clock of the whole and starts its clock anew: a run's own budget of pieces then holds
 * for each stretch. */
static tw_status collect(tw_ctx *ctx, tw_transient *t, double now_s) {
    tw_run *run = &t->run;
    if (t->n + run->n_pieces > t->capacity) {
        const size_t capacity = 2 * (t->n + run->n_pieces) + 64;
        tw_piece *more = tw_resize(ctx, t->pieces, capacity, sizeof *more);
        if (more == NULL) {
            return TW_NO_MEMORY;
        }
        t->pieces = more;
        t->capacity = capacity;
    }
    for (size_t k = 0; k < run->n_pieces; k++) {
        tw_piece *p = &t->pieces[t->n++];
        *p = run->pieces[k];
        tw_stage_add_piece(&t->model, p, &run->counts, &t->sums);
        p->start_s += t->stretch_s;
    }
    run->n_pieces = 0;
    run->time_s = 0.0;
    t->stretch_s = now_s;
    return tw_run_mark(run);
}

static tw_status check_duration(tw_ctx *ctx, double duration_s) {
    if (!(duration_s >= 0.0 && duration_s <= 1e6)) {
        return tw_fail(ctx, TW_OUT_OF_RANGE, "circuit", "duration %.9g s is outside 0 .. 1e6", duration_s);
    }
    return TW_OK;
}

/* Opens and closes what differs from `gates`: opens first. */
static tw_status set_gates(tw_transient *t, unsigned gates) {
    for (size_t on = 0; on < 2; on++) {
        for (size_t v = 0; v < t->model.net.n_valves; v++) {
            const unsigned bit = 1u << v;
            if (t->model.net.valves[v].gated && ((t->run.gates ^ gates) & bit) && ((gates & bit) != 0) == (on == 1)) {
                TW_TRY(on == 1 ? tw_run_close(&t->run, v) : tw_run_open(&t->run, v));
            }
        }
    }
    return TW_OK;
}

tw_status tw_transient_hold(tw_ctx *ctx, tw_transient *t, unsigned gates, double duration_s) {
    TW_TRY(check_duration(ctx, duration_s));
    unsigned valves = 0;
    for (size_t k = 0; k < t->model.n_legs; k++) {
        const tw_leg *leg = &t->model.legs[k];
        const unsigned high = gates >> (2 * k) & 1u, low = gates >> (2 * k + 1) & 1u;
        if (high && low) {
            return tw_fail(ctx, TW_BAD_ARGUMENT, "circuit", "both gates of a leg on");
        }
        valves |= leg->n_valves == 4 ? high << leg->first_valve : 0u;
        valves |= low << (leg->first_valve + leg->n_valves - 2);
    }
    const double end = t->stretch_s + duration_s;
    t->run.ctx = ctx;
    TW_TRY(set_gates(t, valves));
    TW_TRY(tw_run_advance(&t->run, duration_s));
    return collect(ctx, t, end);
}

/* One period of the drive, or its beginning. */
static tw_status drive_once(tw_transient *t, double length_s) {
    const tw_half_wave *drive = &t->model.drive;
    TW_TRY(set_gates(t, drive->gates));
    for (size_t k = 0; k < drive->n_edges; k++) {
        const tw_gate_edge *edge = &drive->edges[k];
        if (edge->time_s >= length_s) {
            break; /* an edge at the period's end is the next period's start */
        }
        TW_TRY(tw_run_advance(&t->run, edge->time_s));
        TW_TRY(edge->on ? tw_run_close(&t->run, edge->valve) : tw_run_open(&t->run, edge->valve));
    }
    return tw_run_advance(&t->run, length_s);
}

tw_status tw_transient_advance(tw_ctx *ctx, tw_transient *t, double duration_s, bool driven) {
    if (!driven) {
        return tw_transient_hold(ctx, t, 0, duration_s);
    }
    TW_TRY(check_duration(ctx, duration_s));
    const double period = t->model.drive.length_s, begin = t->stretch_s;
    t->run.ctx = ctx;
    for (double n = 0.0; n * period < duration_s; n += 1.0) {
        const double length = fmin(period, duration_s - n * period);
        if (length <= 1e-12 * period) {
            break; /* rounding of the last period's end */
        }
        TW_TRY(drive_once(t, length));
        TW_TRY(collect(ctx, t, begin + n * period + length));
    }
    return TW_OK;
}

double tw_transient_time(const tw_transient *t) {
    return t->stretch_s;
}

tw_transient_state tw_transient_now(const tw_transient *t) {
    const tw_stage_model *m = &t->model;
    tw_transient_state s = {.coil_current_a = t->run.x[0]};
    for (size_t k = 1; k <= m->stage.bridge.load.n_branches; k++) {
        s.branch_current_a[k - 1] = t->run.x[k];
    }
    for (size_t k = 0; k < m->n_legs; k++) {
        s.midpoint_v[k] = t->run.x[m->legs[k].node];
    }
    s.capacitor_v = m->v_c != TW_NO_NODE ? t->run.x[m->v_c] : m->stage.bridge.rail_v - s.midpoint_v[0];
    return s;
}

void tw_transient_sample(const tw_transient *t, tw_signal signal, const double *time_s, size_t n, double *out) {
    for (size_t k = 0; k < n; k++) {
        size_t low = 0, high = t->n;
        while (high - low > 1) {
            const size_t middle = low + (high - low) / 2;
            *(t->pieces[middle].start_s <= time_s[k] ? &low : &high) = middle;
        }
        tw_counts counts = {0};
        tw_flow flow;
        tw_wave wave;
        tw_functional f;
        out[k] = NAN;
        if (t->n == 0 || !(time_s[k] >= 0.0 && time_s[k] <= t->stretch_s) ||
            !tw_stage_signal(&t->model, t->pieces[low].mode, signal, &f)) {
            continue;
        }
        tw_piece_flow(&t->model.net, &t->pieces[low], &counts, &flow);
        tw_wave_make(&wave, &flow, &f);
        out[k] = tw_wave_value(&wave, time_s[k] - t->pieces[low].start_s);
    }
}

void tw_transient_balance(const tw_transient *t, double *residual_j, double *throughput_j) {
    tw_energy e;
    tw_stage_energy(&t->model, &t->sums, t->start, t->run.x, &e);
    *residual_j = e.residual;
    *throughput_j = e.throughput;
}

/* Commutation record. The falling edge (high switch opens) is read off the pieces of the first half period; the rising
 * one is its mirror. Definitions: circuit.h, tw_edge; docs/theory.md, "Conduction states". */
#include <math.h>
#include <string.h>

#include "circuit_steady.h"

void tw_scan_wave(tw_scan *scan, const tw_wave *wave, double length_s, int sign) {
    scan->wave = *wave;
    scan->length_s = length_s;
    scan->at_s = 0.0;
    const int here = tw_wave_start_sign(&scan->wave);
    scan->sign = here != 0 ? here : sign;
    scan->pending = sign != 0 && here != 0 && sign != here; /* it crossed on the border */
}

bool tw_scan_next(tw_scan *scan, double *t) {
    if (scan->pending) {
        scan->pending = 0;
        *t = 0.0;
        return true;
    }
    if (scan->sign == 0 || !tw_wave_next_change(&scan->wave, scan->sign, scan->at_s, scan->length_s, t)) {
        return false;
    }
    scan->at_s = *t;
    scan->sign = -scan->sign;
    return true;
}

typedef struct search {
    const tw_network *net;
    tw_counts *counts;
    double from_s, to_s; /* on the shifted clock */
    bool last;           /* the last crossing instead of the first */
    int sign;
    double found_s; /* NaN: none */
} search;

/* Looks through pieces [first, end) for the current (times factor) falling through zero. `shift_s` is added to the
 * pieces' clock. */
static void search_fall(search *s, const tw_piece *pieces, size_t first, size_t end, double factor, double shift_s) {
    for (size_t k = first; k < end && (s->last || isnan(s->found_s)); k++) {
        const tw_piece *p = &pieces[k];
        if (p->length_s <= 0.0 || p->start_s + p->length_s + shift_s < s->from_s) {
            continue;
        }
        tw_flow flow;
        tw_scan scan;
        double t;
        tw_piece_flow(s->net, p, s->counts, &flow);
        tw_wave wave;
        tw_wave_state(&wave, &flow, 0);
        tw_wave_combine(&wave, factor, &wave, 0.0, &wave);
        tw_scan_wave(&scan, &wave, p->length_s, s->sign);
        while (tw_scan_next(&scan, &t)) {
            const double when = p->start_s + t + shift_s;
            if (scan.sign < 0 && when >= s->from_s && when <= s->to_s && (s->last || isnan(s->found_s))) {
                s->found_s = when;
            }
        }
        s->sign = scan.sign;
    }
}

static double first_fall_after(const tw_steady *steady, size_t dead, double turn_off_s, tw_counts *counts) {
    const tw_run *run = &steady->run;
    const double half = steady->model.drive.length_s;
    search s = {&steady->model.net, counts, turn_off_s, turn_off_s + half, false, 1, NAN};
    search_fall(&s, run->pieces, dead, run->n_pieces, 1.0, 0.0);
    if (isnan(s.found_s)) {
        search_fall(&s, run->pieces, 0, dead, -1.0, half);
    }
    return s.found_s;
}

static double last_fall_before(const tw_steady *steady, size_t dead, double turn_off_s, tw_counts *counts) {
    const tw_run *run = &steady->run;
    const double half = steady->model.drive.length_s;
    search s = {&steady->model.net, counts, turn_off_s - half, turn_off_s, true, 0, NAN};
    search_fall(&s, run->pieces, dead, run->n_pieces, -1.0, -half);
    search_fall(&s, run->pieces, 0, dead, 1.0, 0.0);
    if (isnan(s.found_s) && s.sign > 0 && run->pieces[dead].x[0] <= 0.0) {
        s.found_s = turn_off_s; /* it falls through zero at the very instant */
    }
    return s.found_s;
}

/* The midpoint left alone from turn-off: from the swing's completion to the current's reversal. */
static tw_status free_window(tw_ctx *ctx, const tw_steady *steady, size_t dead, tw_counts *counts, tw_edge *edge) {
    tw_run run;
    tw_run_init(ctx, &steady->model.net, &run);
    tw_status status = tw_run_begin(&run, steady->run.pieces[dead].x, TW_FLOATING, 0);
    if (status == TW_OK) {
        status = tw_run_advance(&run, steady->model.drive.length_s);
    }
    if (status == TW_OK) {
        search s = {&steady->model.net, counts, 0.0, steady->model.drive.length_s, false, 1, NAN};
        search_fall(&s, run.pieces, 0, run.n_pieces, 1.0, 0.0);
        for (size_t k = 0; k < run.n_pieces; k++) {
            if (run.pieces[k].mode == TW_LOW_DIODE + 1) {
                if (!(run.pieces[k].start_s >= s.found_s)) {
                    edge->window_shortest_s = run.pieces[k].start_s;
                    edge->window_longest_s = s.found_s;
                }
                break;
            }
        }
    }
    tw_run_dispose(&run);
    return status;
}

/* Reads swing and verdict off the dead time's pieces [dead, closed). */
static void judge(const tw_steady *steady, size_t dead, size_t closed, tw_edge *edge) {
    const tw_piece *pieces = steady->run.pieces;
    size_t done = dead;
    while (done < closed && pieces[done].mode != TW_LOW_DIODE + 1) {
        done++;
    }
    edge->swing_end_s = edge->turn_on_s;
    if (!(edge->turn_off_current_a > 0.0)) {
        edge->verdict = TW_COMMUTATION_HARD;
        return;
    }
    if (done == closed || pieces[done].start_s >= edge->zero_crossing_s) {
        edge->verdict = TW_COMMUTATION_PARTIAL_ZVS;
        return;
    }
    edge->swing_end_s = pieces[done].start_s;
    edge->verdict = TW_COMMUTATION_FULL_ZVS;
    for (size_t k = done; k < closed; k++) {
        if (pieces[k].mode != TW_LOW_DIODE + 1) {
            edge->verdict = TW_COMMUTATION_REBOUND;
        }
    }
}

tw_status tw_steady_find_edges(tw_ctx *ctx, tw_steady *steady) {
    const tw_run *run = &steady->run;
    const double half = steady->model.drive.length_s;
    tw_edge e = {.rising = false, .zero_crossing_s = NAN, .window_shortest_s = NAN, .window_longest_s = NAN};
    size_t dead = 0, closed;
    while (run->pieces[dead].gates & (1u << TW_HIGH_TRANSISTOR)) {
        dead++;
    }
    for (closed = dead; closed < run->n_pieces && run->pieces[closed].gates == 0; closed++) {
    }
    for (size_t k = closed; k < run->n_pieces; k++) {
        if (run->pieces[k].jump.valve == TW_LOW_TRANSISTOR) {
            e.forced_voltage_v += run->pieces[k].jump.distance_v;
            e.forced_energy_j += run->pieces[k].jump.energy_j;
        }
    }
    tw_counts *counts = &steady->run.counts;
    e.turn_off_s = steady->model.drive.edges[0].time_s;
    e.turn_on_s = half;
    e.turn_off_current_a = run->pieces[dead].x[0];
    e.zero_crossing_s = e.turn_off_current_a > 0.0 ? first_fall_after(steady, dead, e.turn_off_s, counts)
                                                   : last_fall_before(steady, dead, e.turn_off_s, counts);
    judge(steady, dead, closed, &e);
    e.swing_time_s = e.swing_end_s - e.turn_off_s;
    e.zero_crossing_margin_s = e.zero_crossing_s - e.swing_end_s;
    if (e.verdict == TW_COMMUTATION_FULL_ZVS || e.verdict == TW_COMMUTATION_REBOUND) {
        e.window_shortest_s = e.swing_time_s;
        e.window_longest_s = e.zero_crossing_s - e.turn_off_s;
    } else if (e.verdict == TW_COMMUTATION_PARTIAL_ZVS) {
        TW_TRY(free_window(ctx, steady, dead, counts, &e));
    }
    steady->point.falling = e;
    e.rising = true;
    e.turn_off_s += half;
    e.turn_on_s += half;
    e.swing_end_s += half;
    e.zero_crossing_s += half;
    steady->point.rising = e;
    steady->point.commutation = tw_commutation_worse(steady->point.falling.verdict, e.verdict);
    return TW_OK;
}

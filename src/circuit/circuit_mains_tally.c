/* Sums, extremes and commutations along a mains run. Every energy is integrated on its own, as on a constant rail
 * (circuit_point.c), so that the balance is a witness; the coil's energy per cycle follows from its parts:
 * integral of v_coil i = R_1 int i^2 + sum R_k int (i - i_k)^2 + change of the energy in its inductances.
 * Verdicts: docs/theory.md, "Conduction states". */
#include "circuit_mains_tally.h"

#include <math.h>
#include <string.h>

static double coil_stored(const tw_mains_model *m, const double *x) {
    double e = 0.5 * m->stage.load.inductance_h * x[0] * x[0];
    for (size_t k = 1; k <= m->stage.load.n_branches; k++) {
        e += 0.5 * m->stage.load.branches[k - 1].inductance_h * x[k] * x[k];
    }
    return e;
}

/* ---- commutations ------------------------------------------------------------------------------- */

static void finish_edge(tw_mains_tally *t, double now_s) {
    tw_mains_edge *e = &t->edge;
    if (!e->open || e->row == NULL || isnan(e->turn_on_s)) {
        e->open = false;
        return;
    }
    const double half = 0.5 / t->model->stage.frequency_hz;
    double end_s = e->turn_on_s, zero_s = e->zero_s;
    tw_commutation verdict;
    if (!(e->turn_off_a > 0.0)) {
        verdict = TW_COMMUTATION_HARD;
        zero_s = t->last_fall_s[e->which];
        if (!(zero_s >= e->turn_off_s - half && zero_s <= now_s)) {
            zero_s = NAN;
        }
    } else if (isnan(e->done_s) || e->done_s >= e->zero_s) {
        verdict = TW_COMMUTATION_PARTIAL_ZVS;
    } else {
        end_s = e->done_s;
        verdict = e->sprang_back ? TW_COMMUTATION_REBOUND : TW_COMMUTATION_FULL_ZVS;
    }
    e->row->verdict[e->which] = verdict;
    e->row->zero_crossing_margin_s[e->which] = zero_s - end_s;
    e->open = false;
}

void tw_mains_tally_open(tw_mains_tally *t, const tw_run *run, size_t which, tw_mains_cycle *row) {
    const double now = t->cycle_start_s + run->time_s, current = which == 0 ? run->x[0] : -run->x[0];
    finish_edge(t, now);
    t->edge = (tw_mains_edge){.open = true,
                              .row = row,
                              .which = which,
                              .turn_off_s = now,
                              .turn_off_a = current,
                              .turn_on_s = NAN,
                              .done_s = NAN,
                              .zero_s = NAN};
    if (row != NULL) {
        row->turn_off_current_a[which] = current;
    }
}

void tw_mains_tally_close(tw_mains_tally *t, const tw_run *run) {
    t->edge.turn_on_s = t->cycle_start_s + run->time_s;
}

static void follow_edge(tw_mains_tally *t, const tw_piece *p) {
    tw_mains_edge *e = &t->edge;
    if (!e->open) {
        return;
    }
    if (p->jump.valve != TW_NO_VALVE && e->row != NULL) {
        e->row->forced_energy_j += p->jump.energy_j;
    }
    if (isnan(e->turn_on_s) && p->gates == 0) {
        const size_t valve = tw_mains_leg_valve(p->mode);
        const bool there = valve == (e->which == 0 ? TW_LOW_DIODE : TW_HIGH_DIODE);
        if (isnan(e->done_s)) {
            e->done_s = there ? t->cycle_start_s + p->start_s : NAN;
        } else if (!there) {
            e->sprang_back = true;
        }
    }
}

/* Zero crossings of the coil current; `end_a` its value at the piece's end. */
static void follow_current(tw_mains_tally *t, const tw_piece *p, const tw_wave *i) {
    int sign = tw_wave_start_sign(i);
    double at = 0.0;
    while (sign != 0 && tw_wave_next_change(i, sign, at, p->length_s, &at)) {
        const size_t which = sign > 0 ? 0 : 1; /* the current (its negative) falls */
        const double now = t->cycle_start_s + p->start_s + at;
        if (t->edge.open && t->edge.which == which) {
            if (t->edge.turn_off_a > 0.0) {
                t->edge.zero_s = isnan(t->edge.zero_s) ? now : t->edge.zero_s;
                t->last_fall_s[which] = now;
            }
        } else {
            t->last_fall_s[which] = now;
        }
        sign = -sign;
    }
}

/* ---- sums --------------------------------------------------------------------------------------- */

typedef struct part {
    double i2, pan, supplied, source2, source_charge, own_charge, own_slope;
    size_t valve;
} part;

static void integrate(const tw_mains_model *m, const tw_gram *gram, const tw_wave *i, const tw_wave *source,
                      size_t mode, part *out) {
    tw_wave wave;
    tw_flow *flow = gram->flow;
    tw_gram_row row;
    *out = (part){.valve = tw_mains_leg_valve(mode)};
    tw_gram_apply(gram, i, &row);
    out->i2 = tw_gram_dot(gram, &row, i);
    if (out->valve != TW_NO_VALVE) {
        tw_wave_watch(&wave, flow, out->valve);
        out->own_charge = tw_gram_mean(gram, &wave);
        out->own_slope = tw_gram_dot(gram, &row, &wave);
    }
    for (size_t k = 1; k <= m->stage.load.n_branches; k++) {
        tw_wave_state(&wave, flow, k);
        tw_wave_combine(&wave, 1.0, i, -1.0, &wave);
        out->pan += m->stage.load.branches[k - 1].resistance_ohm * tw_gram_product(gram, &wave, &wave);
    }
    if (tw_mains_rectifier_sign(mode) != 0) {
        tw_wave_state(&wave, flow, m->sine);
        tw_gram_apply(gram, source, &row);
        out->supplied = tw_gram_dot(gram, &row, &wave);
        out->source2 = tw_gram_dot(gram, &row, source);
        out->source_charge = fabs(tw_gram_mean(gram, source));
    }
}

static void add_energies(tw_mains_tally *t, const part *q, double coil_j) {
    const tw_mains_model *m = t->model;
    const tw_mains_supply *s = &m->supply;
    tw_mains_energy *e = &t->result->energy;
    e->supplied += q->supplied;
    e->source_resistance += s->source_resistance_ohm * q->source2;
    e->rectifier += 2.0 * (s->rectifier.threshold_v * q->source_charge + s->rectifier.slope_ohm * q->source2);
    e->coil += m->stage.load.resistance_ohm * q->i2;
    e->pan += q->pan;
    e->esr += m->stage.esr_ohm * q->i2;
    if (q->valve != TW_NO_VALVE) {
        const bool transistor = q->valve == TW_HIGH_TRANSISTOR || q->valve == TW_LOW_TRANSISTOR;
        const bool forward = q->valve == TW_HIGH_TRANSISTOR || q->valve == TW_LOW_DIODE;
        const tw_device *device = transistor ? &m->stage.transistor : &m->stage.diode;
        const double heat =
            device->threshold_v * q->own_charge + device->slope_ohm * (forward ? q->own_slope : -q->own_slope);
        *(transistor ? &e->transistor : &e->diode) += heat;
    }
    e->throughput += fabs(q->supplied) + fabs(coil_j);
    t->source2 += q->source2;
    t->coil_j += coil_j;
}

static void add_fourier(tw_mains_tally *t, tw_gram *gram, const tw_wave *source, double start_s) {
    const double w = 2.0 * TW_PI * t->model->supply.frequency_hz;
    for (unsigned n = 1; n <= t->harmonics; n += 2) {
        double re, im, c, s;
        tw_gram_fourier(gram, source, n * w, &re, &im);
        sincos(n * w * start_s, &s, &c);
        t->fourier[n][0] += re * c + im * s;
        t->fourier[n][1] += im * c - re * s;
    }
}

static void add_recorded(tw_mains_tally *t, const tw_piece *p, tw_gram *gram, const tw_wave *source) {
    tw_mains_result *r = t->result;
    tw_wave rail, below;
    double most = r->rail_most_v, least = 2.0 * t->model->peak_v - r->rail_least_v;
    tw_wave_state(&rail, gram->flow, t->model->v_r);
    tw_wave_combine(&below, -1.0, &rail, 0.0, &rail);
    below.k0 += 2.0 * t->model->peak_v;
    below.amplitude += 2.0 * t->model->peak_v;
    tw_wave_raise_peak(&rail, p->length_s, &most);
    tw_wave_raise_peak(&below, p->length_s, &least);
    r->rail_most_v = most;
    r->rail_least_v = 2.0 * t->model->peak_v - least;
    if (t->harmonics > 0 && tw_mains_rectifier_sign(p->mode) != 0) {
        add_fourier(t, gram, source, t->cycle_start_s + p->start_s - t->record_start_s);
    }
}

void tw_mains_tally_piece(void *user, const tw_run *run, const tw_piece *p, tw_flow *flow) {
    tw_mains_tally *t = user;
    const tw_mains_model *m = t->model;
    tw_gram gram;
    tw_wave i, source;
    part q;
    tw_gram_make(&gram, flow, p->length_s);
    tw_wave_state(&i, flow, 0);
    tw_wave_state(&source, flow, m->source);
    integrate(m, &gram, &i, &source, p->mode, &q);
    const double coil_j = m->stage.load.resistance_ohm * q.i2 + q.pan + coil_stored(m, run->x) - coil_stored(m, p->x);
    t->half_coil_j += coil_j;
    t->half_supplied_j += q.supplied;
    if (t->row != NULL) {
        t->i2 += q.i2;
        t->cycle_coil_j += coil_j;
        tw_wave_raise_peak(&i, p->length_s, &t->row->coil_current_peak_a);
    }
    follow_current(t, p, &i);
    if (t->recording) {
        add_energies(t, &q, coil_j);
        add_recorded(t, p, &gram, &source);
    }
}

void tw_mains_tally_pieces(tw_mains_tally *t, const tw_run *run) {
    for (size_t k = 0; k < run->n_pieces; k++) {
        const tw_piece *p = &run->pieces[k];
        const bool event = p->mode != t->last_mode;
        follow_edge(t, p);
        if (t->row != NULL) {
            t->row->events += event;
        }
        if (t->recording) {
            t->result->events += event;
            t->result->forced_events += p->jump.valve != TW_NO_VALVE;
            t->result->energy.forced += p->jump.valve != TW_NO_VALVE ? p->jump.energy_j : 0.0;
        }
        t->last_mode = p->mode;
    }
}

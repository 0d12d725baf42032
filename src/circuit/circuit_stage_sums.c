/* Integrals and extremes over pieces of a stage on a constant rail. Every term of the energy balance is integrated on
 * its own. The charge from the rail is that of the high devices, jumps included, and of what hangs on the rail: the
 * upper snubbers (legs) or coil and capacitor (single switch). */
#include <math.h>

#include "circuit_stage.h"

void tw_stage_start_sums(const tw_stage_model *m, const double *x, tw_stage_sums *sums) {
    *sums = (tw_stage_sums){0};
    const double v_c = m->v_c != TW_NO_NODE ? x[m->v_c] : m->stage.bridge.rail_v - x[m->legs[0].node];
    sums->v_c_most = sums->v_c_least = v_c;
}

static void add_jump(const tw_stage_model *m, const tw_jump *jump, tw_stage_sums *s) {
    if (jump->valve == TW_NO_VALVE) {
        return;
    }
    s->forced += jump->energy_j;
    if (tw_stage_kind(m, jump->valve) <= TW_HIGH_DIODE) {
        s->supply += m->net.valves[jump->valve].node_capacitance_f * jump->change_v;
    }
}

static void add_devices(const tw_stage_model *m, size_t mode, tw_gram *gram, const tw_gram_row *i, tw_stage_sums *s) {
    for (size_t k = 0; k < m->n_legs; k++) {
        const size_t valve = tw_stage_valve(m, mode, k);
        if (valve == TW_NO_VALVE) {
            continue;
        }
        const size_t kind = tw_stage_kind(m, valve);
        const tw_device *device = kind % 2 == 0 ? &m->stage.bridge.transistor : &m->stage.bridge.diode;
        const double forward = kind == TW_HIGH_TRANSISTOR || kind == TW_LOW_DIODE ? 1.0 : -1.0;
        tw_wave own;
        tw_wave_watch(&own, gram->flow, valve);
        const double charge = tw_gram_mean(gram, &own);
        s->loss[kind % 2] += device->threshold_v * charge +
                             forward * m->legs[k].outward * device->slope_ohm * tw_gram_dot(gram, i, &own);
        s->charge[valve] += charge;
        s->square[valve] += tw_gram_product(gram, &own, &own);
        s->supply += kind <= TW_HIGH_DIODE ? forward * charge : 0.0;
        tw_wave_raise_peak(&own, gram->h, &s->peak[valve]);
    }
}

static void add_fundamental(const tw_stage_model *m, tw_gram *gram, const tw_wave *wave, double start_s, double *re,
                            double *im) {
    const double w = 2.0 * TW_PI * m->stage.bridge.frequency_hz;
    double a, b;
    tw_gram_fourier(gram, wave, w, &a, &b);
    *re += a * cos(w * start_s) + b * sin(w * start_s);
    *im += b * cos(w * start_s) - a * sin(w * start_s);
}

/* v_C is extreme at the piece's ends and where its rate, the coil's or the node's current, changes sign. */
static void add_extremes(const tw_wave *v_c, double length_s, tw_stage_sums *s) {
    const double far = 4.0 * (fabs(s->v_c_most) + fabs(s->v_c_least) + v_c->amplitude) + 1.0;
    tw_wave above = *v_c, below;
    tw_wave_combine(&below, -1.0, v_c, 0.0, v_c);
    above.k0 += far;
    above.amplitude += far;
    below.k0 += far;
    below.amplitude += far;
    double most = s->v_c_most + far, least = far - s->v_c_least;
    tw_wave_raise_peak(&above, length_s, &most);
    tw_wave_raise_peak(&below, length_s, &least);
    s->v_c_most = most - far;
    s->v_c_least = far - least;
}

void tw_stage_add_piece(const tw_stage_model *m, const tw_piece *p, tw_counts *counts, tw_stage_sums *s) {
    add_jump(m, &p->jump, s);
    if (!(p->length_s > 0.0)) {
        return;
    }
    tw_flow flow;
    tw_gram gram;
    tw_gram_row row;
    tw_wave i, v, drive, v_c, wave;
    tw_functional f;
    tw_piece_flow(&m->net, p, counts, &flow);
    tw_gram_make(&gram, &flow, p->length_s);
    tw_wave_state(&i, &flow, 0);
    (void)tw_stage_signal(m, p->mode, TW_SIGNAL_COIL_VOLTAGE, &f);
    tw_wave_make(&v, &flow, &f);
    (void)tw_stage_signal(m, p->mode, TW_SIGNAL_CAPACITOR_VOLTAGE, &f);
    tw_wave_make(&v_c, &flow, &f);
    drive = v;
    if (m->v_c != TW_NO_NODE) {
        tw_wave_combine(&drive, 1.0, &v, 1.0, &v_c);
        tw_wave_combine(&drive, 1.0, &drive, m->stage.bridge.esr_ohm, &i);
    }
    tw_gram_apply(&gram, &i, &row);
    const double i2 = tw_gram_dot(&gram, &row, &i), vi = tw_gram_dot(&gram, &row, &v);
    s->i2 += i2;
    s->vi += vi;
    s->v2 += tw_gram_product(&gram, &v, &v);
    s->v_c += tw_gram_mean(&gram, &v_c);
    s->throughput += fabs(vi) + fabs(tw_gram_dot(&gram, &row, &drive));
    for (size_t k = 1; k <= m->stage.bridge.load.n_branches; k++) {
        tw_wave_state(&wave, &flow, k);
        tw_wave_combine(&wave, 1.0, &i, -1.0, &wave);
        s->pan += m->stage.bridge.load.branches[k - 1].resistance_ohm * tw_gram_product(&gram, &wave, &wave);
    }
    if (m->v_c == TW_NO_NODE) {
        s->supply += tw_gram_mean(&gram, &i);
    }
    add_devices(m, p->mode, &gram, &row, s);
    add_fundamental(m, &gram, &i, p->start_s, &s->i_re, &s->i_im);
    add_fundamental(m, &gram, &v, p->start_s, &s->v_re, &s->v_im);
    add_fundamental(m, &gram, &drive, p->start_s, &s->drive_re, &s->drive_im);
    tw_wave_raise_peak(&i, p->length_s, &s->i_peak);
    tw_wave_raise_peak(&v, p->length_s, &s->v_peak);
    add_extremes(&v_c, p->length_s, s);
}

void tw_stage_energy(const tw_stage_model *m, const tw_stage_sums *s, const double *from, const double *to,
                     tw_energy *e) {
    const tw_half_bridge *b = &m->stage.bridge;
    double supply = s->supply;
    for (size_t k = 0; k < m->n_legs; k++) { /* what hangs on the rail besides: upper snubbers; or the capacitor */
        const tw_leg *leg = &m->legs[k];
        const double c = m->v_c != TW_NO_NODE ? 0.5 * leg->capacitance_f : b->capacitance_f;
        supply -= c * (to[leg->node] - from[leg->node]);
    }
    e->supplied = b->rail_v * supply;
    e->coil = b->load.resistance_ohm * s->i2;
    e->pan = s->pan;
    e->esr = b->esr_ohm * s->i2;
    e->transistor = s->loss[0];
    e->diode = s->loss[1];
    e->forced = s->forced;
    e->stored = tw_stage_stored(m, to) - tw_stage_stored(m, from);
    e->residual = e->supplied - (e->coil + e->pan + e->esr + e->transistor + e->diode + e->forced + e->stored);
    e->throughput = s->throughput;
}

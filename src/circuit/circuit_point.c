/* The operating point's numbers: exact integrals over the pieces of the first half period, and their mirror.
 * Formulas: docs/theory.md, "Energy balance", "Averages and Fourier coefficients"; reactive power as IEEE Std
 * 1459-2010, 3.1.2.4. Each term of the energy balance is integrated on its own, so that the residual is a witness. */
#include <math.h>
#include <string.h>

#include "circuit_steady.h"

/* Sums over half a period. */
typedef struct sums {
    double i2, v2, vi, v_c;                        /* integrals of i^2, v_coil^2, v_coil i, v_C */
    double pan, supply, other_supply;              /* pan heat; supply charge of this half and of its mirror */
    double loss[2], charge[2], square[2], peak[2]; /* transistors, diodes */
    double forced, throughput;
    double i_peak, v_peak, v_c_peak;
    double vm_re, vm_im, i_re, i_im; /* fundamental, without the factor 2/T */
} sums;

/* Raises *peak to the largest |g| over the wave's piece. */
static void raise_peak(const tw_flow *flow, const tw_functional *f, double length_s, double *peak) {
    tw_functional rate;
    tw_wave wave;
    tw_scan scan;
    double t;
    tw_wave_make(&wave, flow, f);
    *peak = fmax(*peak, fmax(fabs(tw_wave_value(&wave, 0.0)), fabs(tw_wave_value(&wave, length_s))));
    if (flow->dec->modal && !flow->mode->drifts && wave.amplitude <= *peak) {
        return; /* |g| cannot exceed the sum of its decaying amplitudes */
    }
    tw_functional_rate(flow->net, flow->mode, f, &rate);
    tw_scan_start(&scan, flow, &rate, length_s, 0);
    while (tw_scan_next(&scan, &t)) {
        *peak = fmax(*peak, fabs(tw_wave_value(&wave, t)));
    }
}

static void add_device(const tw_half_bridge_model *m, const tw_flow *flow, const tw_gram *gram, size_t valve, sums *s) {
    const size_t kind = valve & 1u; /* 0 transistor, 1 diode */
    const tw_device *device = kind == 0 ? &m->stage.transistor : &m->stage.diode;
    const double forward = valve == TW_HIGH_TRANSISTOR || valve == TW_LOW_DIODE ? 1.0 : -1.0;
    tw_functional leg = {.d = 0.0};
    tw_wave current, drop;
    leg.c[0] = forward * device->slope_ohm;
    leg.d = device->threshold_v;
    const tw_functional *own = &flow->mode->current[valve];
    tw_wave_make(&current, flow, own);
    tw_wave_make(&drop, flow, &leg);
    s->loss[kind] += tw_gram_product(gram, &drop, &current);
    s->charge[kind] += tw_gram_mean(gram, &current);
    s->square[kind] += tw_gram_product(gram, &current, &current);
    raise_peak(flow, own, gram->h, &s->peak[kind]);
}

/* Integral of |v_m i| over a floating piece: C_m v_m' = -i makes it a sum of changes of C_m v_m^2/2. */
static double floating_throughput(const tw_half_bridge_model *m, const tw_flow *flow, double length_s) {
    tw_functional i = {.d = 0.0}, v = {.d = 0.0};
    tw_wave v_wave;
    tw_scan scan[2];
    double next[2], last, sum = 0.0;
    i.c[0] = 1.0;
    v.c[m->v_m] = 1.0;
    tw_wave_make(&v_wave, flow, &v);
    tw_scan_start(&scan[0], flow, &i, length_s, 0);
    tw_scan_start(&scan[1], flow, &v, length_s, 0);
    for (size_t k = 0; k < 2; k++) {
        next[k] = tw_scan_next(&scan[k], &next[k]) ? next[k] : length_s;
    }
    last = tw_wave_value(&v_wave, 0.0);
    for (;;) {
        const size_t k = next[0] <= next[1] ? 0 : 1;
        const double v_here = tw_wave_value(&v_wave, next[k]);
        sum += 0.5 * m->midpoint_capacitance_f * fabs(v_here * v_here - last * last);
        last = v_here;
        if (next[k] >= length_s) {
            return sum;
        }
        next[k] = tw_scan_next(&scan[k], &next[k]) ? next[k] : length_s;
    }
}

/* v_C is extreme where the coil current crosses zero. */
static void raise_capacitor_peak(const tw_half_bridge_model *m, const tw_flow *flow, const tw_wave *v_c,
                                 double length_s, int *sign, double *peak) {
    tw_functional i = {.d = 0.0};
    tw_scan scan;
    double t;
    const double middle = 0.5 * m->stage.rail_v;
    i.c[0] = 1.0;
    *peak = fmax(*peak, fabs(tw_wave_value(v_c, 0.0) - middle));
    *peak = fmax(*peak, fabs(tw_wave_value(v_c, length_s) - middle));
    tw_scan_start(&scan, flow, &i, length_s, *sign);
    while (tw_scan_next(&scan, &t)) {
        *peak = fmax(*peak, fabs(tw_wave_value(v_c, t) - middle));
    }
    *sign = scan.sign;
}

static void add_pan(const tw_half_bridge_model *m, const tw_flow *flow, const tw_gram *gram, sums *s) {
    for (size_t k = 1; k <= m->stage.load.n_branches; k++) {
        tw_functional f = {.d = 0.0};
        tw_wave wave;
        f.c[0] = 1.0;
        f.c[k] = -1.0;
        tw_wave_make(&wave, flow, &f);
        s->pan += m->stage.load.branches[k - 1].resistance_ohm * tw_gram_product(gram, &wave, &wave);
    }
}

static void add_fundamental(const tw_half_bridge_model *m, tw_gram *gram, const tw_wave *i, const tw_wave *v_m,
                            double start_s, sums *s) {
    const double w = 2.0 * TW_PI * m->stage.frequency_hz, c = cos(w * start_s), sn = sin(w * start_s);
    double re, im;
    /* The mirror turns i into -i and v_m into V_r - v_m half a period later: the whole period gives twice these. */
    tw_wave ac = *v_m;
    ac.k0 -= 0.5 * m->stage.rail_v;
    tw_gram_fourier(gram, i, w, &re, &im);
    s->i_re += 2.0 * (re * c + im * sn);
    s->i_im += 2.0 * (im * c - re * sn);
    tw_gram_fourier(gram, &ac, w, &re, &im);
    s->vm_re += 2.0 * (re * c + im * sn);
    s->vm_im += 2.0 * (im * c - re * sn);
}

static void add_piece(const tw_half_bridge_model *m, const tw_piece *p, tw_counts *counts, int *sign, sums *s) {
    const tw_signal signals[] = {TW_SIGNAL_COIL_CURRENT,     TW_SIGNAL_COIL_VOLTAGE,   TW_SIGNAL_CAPACITOR_VOLTAGE,
                                 TW_SIGNAL_MIDPOINT_VOLTAGE, TW_SIGNAL_SUPPLY_CURRENT, TW_SIGNAL_SUPPLY_CURRENT};
    tw_functional f[6];
    tw_wave w[6];
    tw_flow flow;
    tw_gram gram;
    tw_piece_flow(&m->net, p, counts, &flow);
    tw_gram_make(&gram, &flow, p->length_s);
    for (size_t k = 0; k < 6; k++) {
        tw_half_bridge_signal(m, k == 5 ? m->net.mirror.mode[p->mode] : p->mode, signals[k], &f[k]);
        if (k == 5) {
            tw_functional_mirror(&m->net, &f[k], &f[k]);
        }
        tw_wave_make(&w[k], &flow, &f[k]);
    }
    s->i2 += tw_gram_product(&gram, &w[0], &w[0]);
    s->v2 += tw_gram_product(&gram, &w[1], &w[1]);
    s->vi += tw_gram_product(&gram, &w[0], &w[1]);
    s->v_c += tw_gram_mean(&gram, &w[2]);
    s->supply += tw_gram_mean(&gram, &w[4]);
    s->other_supply += tw_gram_mean(&gram, &w[5]);
    add_pan(m, &flow, &gram, s);
    add_fundamental(m, &gram, &w[0], &w[3], p->start_s, s);
    if (p->mode == TW_FLOATING) {
        s->throughput += floating_throughput(m, &flow, p->length_s);
    } else {
        s->throughput += fabs(tw_gram_product(&gram, &w[0], &w[3]));
        add_device(m, &flow, &gram, p->mode - 1, s);
    }
    raise_peak(&flow, &f[0], p->length_s, &s->i_peak);
    raise_peak(&flow, &f[1], p->length_s, &s->v_peak);
    raise_capacitor_peak(m, &flow, &w[2], p->length_s, sign, &s->v_c_peak);
}

static void add_jump(const tw_half_bridge_model *m, const tw_jump *jump, sums *s) {
    if (jump->valve == TW_NO_VALVE) {
        return;
    }
    tw_jump other = *jump;
    other.valve = m->net.mirror.valve[jump->valve];
    other.change_v = -jump->change_v;
    s->forced += jump->energy_j;
    s->supply += tw_half_bridge_jump_charge(m, jump, TW_SIGNAL_SUPPLY_CURRENT);
    s->other_supply += tw_half_bridge_jump_charge(m, &other, TW_SIGNAL_SUPPLY_CURRENT);
}

static void fill_energy(const tw_steady *steady, const sums *s, tw_energy *e) {
    const tw_half_bridge_model *m = &steady->model;
    const tw_half_bridge *stage = &m->stage;
    const double *start = steady->run.pieces[0].x, *end = steady->run.x;
    double other_start[TW_N], other_end[TW_N];
    tw_network_mirror_state(&m->net, start, other_start);
    tw_network_mirror_state(&m->net, end, other_end);
    e->supplied = stage->rail_v * (s->supply + s->other_supply);
    e->coil = 2.0 * stage->load.resistance_ohm * s->i2;
    e->pan = 2.0 * s->pan;
    e->esr = 2.0 * stage->esr_ohm * s->i2;
    e->transistor = 2.0 * s->loss[0];
    e->diode = 2.0 * s->loss[1];
    e->forced = 2.0 * s->forced;
    e->stored = tw_half_bridge_stored(m, end) - tw_half_bridge_stored(m, start) + tw_half_bridge_stored(m, other_end) -
                tw_half_bridge_stored(m, other_start);
    e->residual = e->supplied - (e->coil + e->pan + e->esr + e->transistor + e->diode + e->forced + e->stored);
    e->throughput = 2.0 * s->throughput;
}

static void fill_devices(const sums *s, double period_s, tw_operating_point *p) {
    const double both = 2.0 / period_s;
    /* Each switch works once a period: the pieces of both halves' transistors are one transistor's. */
    p->high = (tw_device_stress){
        .transistor_average_a = 0.5 * both * s->charge[0],
        .transistor_rms_a = sqrt(0.5 * both * s->square[0]),
        .transistor_peak_a = s->peak[0],
        .diode_average_a = 0.5 * both * s->charge[1],
        .diode_rms_a = sqrt(0.5 * both * s->square[1]),
        .diode_peak_a = s->peak[1],
    };
    p->low = p->high;
}

static double angle_between(double a_re, double a_im, double b_re, double b_im) {
    return atan2(a_im * b_re - a_re * b_im, a_re * b_re + a_im * b_im);
}

static void fill_fundamental(const tw_half_bridge_model *m, const sums *s, tw_operating_point *p) {
    const double w = 2.0 * TW_PI * m->stage.frequency_hz, factor = 2.0 / p->period_s;
    const double i_re = factor * s->i_re, i_im = factor * s->i_im;
    const double v_re = factor * s->vm_re, v_im = factor * s->vm_im;
    /* v_coil = v_m - esr i - v_C, v_C = i/(j w C) */
    const double x = 1.0 / (w * m->stage.capacitance_f);
    const double c_re = v_re - m->stage.esr_ohm * i_re - x * i_im;
    const double c_im = v_im - m->stage.esr_ohm * i_im + x * i_re;
    p->bridge_phase_lag_rad = angle_between(v_re, v_im, i_re, i_im);
    p->coil_phase_lag_rad = angle_between(c_re, c_im, i_re, i_im);
    p->reactive_power_var = 0.5 * (c_im * i_re - c_re * i_im);
}

void tw_steady_summarize(tw_steady *steady) {
    const tw_half_bridge_model *m = &steady->model;
    tw_run *run = &steady->run;
    tw_operating_point *p = &steady->point;
    sums s = {0};
    int sign = 0;
    for (size_t k = 0; k < run->n_pieces; k++) {
        add_jump(m, &run->pieces[k].jump, &s);
        if (run->pieces[k].length_s > 0.0) {
            add_piece(m, &run->pieces[k], &run->counts, &sign, &s);
        }
    }
    const double period = 2.0 * m->drive.length_s, factor = 2.0 / period;
    p->period_s = period;
    p->coil_current_peak_a = s.i_peak;
    p->coil_current_rms_a = sqrt(factor * s.i2);
    p->coil_voltage_peak_v = s.v_peak;
    p->coil_voltage_rms_v = sqrt(factor * s.v2);
    p->capacitor_voltage_peak_v = s.v_c_peak;
    p->capacitor_voltage_mean_v = 0.5 * m->stage.rail_v; /* the mirror's mean is V_r less this half's */
    p->real_power_w = factor * s.vi;
    p->apparent_power_va = p->coil_voltage_rms_v * p->coil_current_rms_a;
    fill_fundamental(m, &s, p);
    fill_devices(&s, period, p);
    fill_energy(steady, &s, &p->energy);
    p->supply_power_w = p->energy.supplied / period;
    p->forced_commutation_energy_j = p->energy.forced;
    p->midpoint_capacitance_f = m->midpoint_capacitance_f;
    double reactance;
    const double w = 2.0 * TW_PI * m->stage.frequency_hz;
    tw_load_impedance(&m->stage.load, w, &p->equivalent_resistance_ohm, &reactance);
    p->equivalent_inductance_h = reactance / w;
    p->pieces = 2 * run->n_pieces;
    p->exponentials = run->counts.exponentials;
    p->root_steps = run->counts.root_steps;
}

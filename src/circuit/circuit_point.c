/* The operating point's numbers: exact integrals over the pieces of the first half period, and their mirror.
 * Formulas: docs/theory.md, "Energy balance", "Averages and Fourier coefficients"; reactive power as IEEE Std
 * 1459-2010, 3.1.2.4. Each term of the energy balance is integrated on its own, so that the residual is a witness. */
#include <math.h>
#include <string.h>

#include "circuit_steady.h"

/* Sums over half a period. */
typedef struct sums {
    double i2, v2, vi;                             /* integrals of i^2, v_coil^2, v_coil i */
    double pan, supply;                            /* pan heat; supply charge of this half and its mirror together */
    double loss[2], charge[2], square[2], peak[2]; /* transistors, diodes */
    double forced, throughput;
    double i_peak, v_peak, v_c_peak;
    double vm_re, vm_im, i_re, i_im; /* fundamental, without the factor 2/T */
} sums;

/* Integral of |v_m i| over a floating piece: C_m v_m' = -i makes it a sum of changes of C_m v_m^2/2. */
static double floating_throughput(const tw_half_bridge_model *m, const tw_wave *i, const tw_wave *v_m,
                                  double length_s) {
    tw_scan scan[2];
    double next[2], last, sum = 0.0;
    tw_scan_wave(&scan[0], i, length_s, 0);
    tw_scan_wave(&scan[1], v_m, length_s, 0);
    for (size_t k = 0; k < 2; k++) {
        next[k] = tw_scan_next(&scan[k], &next[k]) ? next[k] : length_s;
    }
    last = tw_wave_value(v_m, 0.0);
    for (;;) {
        const size_t k = next[0] <= next[1] ? 0 : 1;
        const double v_here = tw_wave_value(v_m, next[k]);
        sum += 0.5 * m->midpoint_capacitance_f * fabs(v_here * v_here - last * last);
        last = v_here;
        if (next[k] >= length_s) {
            return sum;
        }
        next[k] = tw_scan_next(&scan[k], &next[k]) ? next[k] : length_s;
    }
}

/* What a conducting valve does: its heat, its charge, its own current's square and peak, and the charge drawn from the
 * rail. With a positive coil current forward through it (fwd = +1) its own current is i + C_m v_m', else the opposite.
 * The supply's current is that of the high devices less C_m v_m'/2 (upper snubber) less i/2 of a split capacitor; over
 * this piece and its mirror, half a period later with high and low exchanged, the latter two cancel. */
static void add_device(const tw_half_bridge_model *m, const tw_gram *gram, size_t valve, const tw_gram_row *i,
                       double i_charge, double i2, sums *s) {
    const size_t kind = valve & 1u; /* 0 transistor, 1 diode */
    const tw_device *device = kind == 0 ? &m->stage.transistor : &m->stage.diode;
    const double forward = valve == TW_HIGH_TRANSISTOR || valve == TW_LOW_DIODE ? 1.0 : -1.0;
    const double at_zero_v = m->net.modes[valve + 1].slave[0].law.d; /* v_m = at_zero - slope i */
    tw_wave own;
    tw_wave_watch(&own, gram->flow, valve);
    const double charge = tw_gram_mean(gram, &own);
    s->loss[kind] += device->threshold_v * charge;
    if (device->slope_ohm != 0.0) {
        s->loss[kind] += forward * device->slope_ohm * tw_gram_dot(gram, i, &own);
    }
    s->charge[kind] += charge;
    s->square[kind] += tw_gram_product(gram, &own, &own);
    s->supply += valve <= TW_HIGH_DIODE ? forward * charge : -forward * charge;
    s->throughput += fabs(at_zero_v * i_charge - device->slope_ohm * i2);
    tw_wave_raise_peak(&own, gram->h, &s->peak[kind]);
}

static void add_pan(const tw_half_bridge_model *m, const tw_gram *gram, const tw_wave *i, sums *s) {
    for (size_t k = 1; k <= m->stage.load.n_branches; k++) {
        tw_wave wave;
        tw_wave_state(&wave, gram->flow, k);
        tw_wave_combine(&wave, 1.0, i, -1.0, &wave);
        s->pan += m->stage.load.branches[k - 1].resistance_ohm * tw_gram_product(gram, &wave, &wave);
    }
}

static void add_fundamental(const tw_half_bridge_model *m, tw_gram *gram, const tw_wave *i, const tw_wave *v_m,
                            double start_s, sums *s) {
    const double w = 2.0 * TW_PI * m->stage.frequency_hz;
    double re, im, c, sn;
    /* The mirror turns i into -i and v_m into V_r - v_m half a period later: the whole period gives twice these. */
    tw_wave ac = *v_m;
    ac.k0 -= 0.5 * m->stage.rail_v;
    sincos(w * start_s, &sn, &c);
    tw_gram_fourier(gram, i, w, &re, &im);
    s->i_re += 2.0 * (re * c + im * sn);
    s->i_im += 2.0 * (im * c - re * sn);
    tw_gram_fourier(gram, &ac, w, &re, &im);
    s->vm_re += 2.0 * (re * c + im * sn);
    s->vm_im += 2.0 * (im * c - re * sn);
}

static double coil_voltage(const tw_half_bridge_model *m, const double *x) {
    return x[m->v_m] - x[m->v_c] - m->stage.esr_ohm * x[0];
}

/* Peaks at the pieces' starts: most of the search for greater ones then ends at its bounds. */
static void start_peaks(const tw_half_bridge_model *m, const tw_run *run, sums *s) {
    for (size_t k = 0; k < run->n_pieces; k++) {
        const double *x = run->pieces[k].x;
        s->i_peak = tw_larger(s->i_peak, fabs(x[0]));
        s->v_peak = tw_larger(s->v_peak, fabs(coil_voltage(m, x)));
        s->v_c_peak = tw_larger(s->v_c_peak, fabs(x[m->v_c] - 0.5 * m->stage.rail_v));
    }
}

static void add_piece(const tw_half_bridge_model *m, const tw_piece *p, tw_counts *counts, sums *s) {
    tw_flow flow;
    tw_gram gram;
    tw_wave i, v_c, v_m, v;
    tw_piece_flow(&m->net, p, counts, &flow);
    tw_gram_make(&gram, &flow, p->length_s);
    tw_wave_state(&i, &flow, 0);
    tw_wave_state(&v_c, &flow, m->v_c);
    tw_wave_state(&v_m, &flow, m->v_m);
    tw_wave_combine(&v, 1.0, &v_m, -1.0, &v_c);
    tw_wave_combine(&v, 1.0, &v, -m->stage.esr_ohm, &i);
    tw_gram_row row;
    tw_gram_apply(&gram, &i, &row);
    const double i2 = tw_gram_dot(&gram, &row, &i), i_charge = tw_gram_mean(&gram, &i);
    s->i2 += i2;
    s->v2 += tw_gram_product(&gram, &v, &v);
    s->vi += tw_gram_dot(&gram, &row, &v);
    add_pan(m, &gram, &i, s);
    add_fundamental(m, &gram, &i, &v_m, p->start_s, s);
    if (p->mode == TW_FLOATING) {
        s->throughput += floating_throughput(m, &i, &v_m, p->length_s);
    } else {
        add_device(m, &gram, p->mode - 1, &row, i_charge, i2, s);
    }
    v_c.k0 -= 0.5 * m->stage.rail_v;
    tw_wave_raise_peak(&i, p->length_s, &s->i_peak);
    tw_wave_raise_peak(&v, p->length_s, &s->v_peak);
    tw_wave_raise_peak(&v_c, p->length_s, &s->v_c_peak);
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
    s->supply += tw_half_bridge_jump_charge(m, &other, TW_SIGNAL_SUPPLY_CURRENT);
}

static void fill_energy(const tw_steady *steady, const sums *s, tw_energy *e) {
    const tw_half_bridge_model *m = &steady->model;
    const tw_half_bridge *stage = &m->stage;
    const double *start = steady->run.pieces[0].x, *end = steady->run.x;
    double other_start[TW_N], other_end[TW_N];
    tw_network_mirror_state(&m->net, start, other_start);
    tw_network_mirror_state(&m->net, end, other_end);
    e->supplied = stage->rail_v * s->supply;
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
    start_peaks(m, run, &s);
    for (size_t k = 0; k < run->n_pieces; k++) {
        add_jump(m, &run->pieces[k].jump, &s);
        if (run->pieces[k].length_s > 0.0) {
            add_piece(m, &run->pieces[k], &run->counts, &s);
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

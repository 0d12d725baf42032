/* Periodic solution of any arrangement over a whole period: Newton on the period map (circuit_shoot.c with the identity
 * for a mirror), its numbers, its edges and its stability. */
#include <math.h>
#include <string.h>

#include "circuit_stage.h"
#include "tankwright/numeric.h"

static const char room[] = "circuit";

typedef struct leg_result {
    tw_edge falling, rising;
    tw_device_stress high, low;
} leg_result;

struct tw_cycle {
    tw_stage_model model;
    tw_run run;
    tw_operating_point point;
    leg_result legs[2];
    double multiplier;
};

/* ---- edges -------------------------------------------------------------------------------------- */

/* Last piece at or before t in the period. */
static size_t find_piece(const tw_run *run, double t) {
    size_t k = run->n_pieces - 1;
    while (k > 0 && run->pieces[k].start_s > t) {
        k--;
    }
    return k;
}

/* First (or last) time in [from, to] at which the coil current times `factor` falls through zero, on the periodic clock
 * (from may be negative, to beyond the period); NaN where none. */
static double find_fall(tw_cycle *c, double factor, double from, double to, bool last) {
    const double period = c->model.drive.length_s;
    double found = NAN;
    int sign = 0;
    for (int turn = -1; turn <= 2; turn++) {
        for (size_t k = 0; k < c->run.n_pieces; k++) {
            const tw_piece *p = &c->run.pieces[k];
            const double start = p->start_s + turn * period;
            if (!(p->length_s > 0.0) || start + p->length_s < from || start > to || (!last && !isnan(found))) {
                continue;
            }
            tw_flow flow;
            tw_wave i;
            tw_piece_flow(&c->model.net, p, &c->run.counts, &flow);
            tw_wave_state(&i, &flow, 0);
            tw_wave_combine(&i, factor, &i, 0.0, &i);
            const int here = tw_wave_start_sign(&i);
            if (sign > 0 && here < 0 && start >= from && start <= to && (last || isnan(found))) {
                found = start; /* it crossed on the border */
            }
            sign = here != 0 ? here : sign;
            double t = 0.0;
            while (sign != 0 && tw_wave_next_change(&i, sign, t, p->length_s, &t)) {
                sign = -sign;
                if (sign < 0 && start + t >= from && start + t <= to && (last || isnan(found))) {
                    found = start + t;
                }
            }
        }
    }
    return found;
}

/* Between turn-off and turn-on: when the other side's diode took over (NaN: never), and whether it still conducts. */
static void follow_swing(const tw_cycle *c, size_t diode, size_t leg, double off, double on, double *done,
                         bool *sprang_back) {
    const double period = c->model.drive.length_s;
    *done = NAN;
    *sprang_back = false;
    for (int turn = 0; turn <= 1; turn++) {
        for (size_t k = 0; k < c->run.n_pieces; k++) {
            const tw_piece *p = &c->run.pieces[k];
            const double start = p->start_s + turn * period;
            /* A gate edge's own pieces begin at its time: those of turn-off belong to the swing, those of turn-on do
             * not. */
            if (start < off || start >= on || (p->gates & (3u << (diode & ~1u)))) {
                continue;
            }
            const bool there = tw_stage_valve(&c->model, p->mode, leg) == diode;
            if (isnan(*done)) {
                *done = there ? start : NAN;
            } else if (!there) {
                *sprang_back = true;
            }
        }
    }
}

static const tw_gate_edge *find_gate(const tw_half_wave *drive, size_t valve, bool on) {
    for (size_t k = 0; k < drive->n_edges; k++) {
        if (drive->edges[k].valve == valve && drive->edges[k].on == on) {
            return &drive->edges[k];
        }
    }
    return NULL;
}

static void judge(tw_cycle *c, size_t leg, size_t off_valve, size_t on_valve, size_t diode, tw_edge *e) {
    const double period = c->model.drive.length_s;
    const double off = find_gate(&c->model.drive, off_valve, false)->time_s;
    double on = find_gate(&c->model.drive, on_valve, true)->time_s, done;
    bool sprang_back;
    on += on < off ? period : 0.0;
    const bool rising = e->rising, single = c->model.v_c == TW_NO_NODE;
    /* Current that drives the swing: out of the midpoint where that should fall. In the single-switch stage the node
     * swings a whole arch and comes down while its current flows out of it. */
    const double factor = c->model.legs[leg].outward * (rising ? -1.0 : 1.0);
    size_t at = find_piece(&c->run, off);
    e->turn_off_s = off;
    e->turn_on_s = on;
    e->turn_off_current_a = factor * c->run.pieces[at].x[0] * (single ? -1.0 : 1.0);
    follow_swing(c, diode, leg, off, on, &done, &sprang_back);
    e->swing_end_s = isnan(done) ? on : done;
    e->window_shortest_s = e->window_longest_s = NAN;
    const bool hard = !(e->turn_off_current_a > 0.0);
    if (single) {
        e->zero_crossing_s = find_fall(c, factor, e->swing_end_s, off + period, false);
    } else {
        e->zero_crossing_s = hard ? find_fall(c, factor, off - 0.5 * period, off, true)
                                  : find_fall(c, factor, off, off + 0.5 * period, false);
    }
    if (hard && !single) {
        e->verdict = TW_COMMUTATION_HARD;
        e->swing_end_s = on;
    } else if (isnan(done) || done >= e->zero_crossing_s) {
        e->verdict = TW_COMMUTATION_PARTIAL_ZVS;
        e->swing_end_s = on;
    } else {
        e->verdict = sprang_back ? TW_COMMUTATION_REBOUND : TW_COMMUTATION_FULL_ZVS;
        e->window_shortest_s = done - off;
        e->window_longest_s = e->zero_crossing_s - off;
    }
    e->swing_time_s = e->swing_end_s - off;
    e->zero_crossing_margin_s = e->zero_crossing_s - e->swing_end_s;
    e->forced_voltage_v = e->forced_energy_j = 0.0;
    for (size_t k = 0; k < c->run.n_pieces; k++) {
        const tw_jump *jump = &c->run.pieces[k].jump;
        if (jump->valve == on_valve) {
            e->forced_voltage_v += jump->distance_v;
            e->forced_energy_j += jump->energy_j;
        }
    }
}

static void find_edges(tw_cycle *c) {
    c->point.commutation = TW_COMMUTATION_UNKNOWN;
    for (size_t k = 0; k < c->model.n_legs; k++) {
        const size_t first = c->model.legs[k].first_valve;
        leg_result *r = &c->legs[k];
        r->falling.rising = false;
        r->rising.rising = true;
        if (c->model.v_c == TW_NO_NODE) {
            judge(c, k, first, first, first + 1, &r->falling);
            r->rising = r->falling;
        } else {
            judge(c, k, first, first + 2, first + 3, &r->falling);
            judge(c, k, first + 2, first, first + 1, &r->rising);
        }
        c->point.commutation =
            tw_commutation_worse(c->point.commutation, tw_commutation_worse(r->falling.verdict, r->rising.verdict));
    }
}

/* ---- numbers ------------------------------------------------------------------------------------ */

static void fill_devices(tw_cycle *c, const tw_stage_sums *s) {
    const double period = c->model.drive.length_s;
    for (size_t k = 0; k < c->model.n_legs; k++) {
        const tw_leg *l = &c->model.legs[k];
        tw_device_stress *both[2] = {&c->legs[k].high, &c->legs[k].low};
        for (size_t side = 0; side < 2; side++) {
            *both[side] = (tw_device_stress){0};
            if (side == 0 && l->n_valves < 4) {
                continue;
            }
            const size_t t = l->first_valve + (l->n_valves == 4 ? 2 * side : 0), d = t + 1;
            *both[side] = (tw_device_stress){.transistor_average_a = s->charge[t] / period,
                                             .transistor_rms_a = sqrt(s->square[t] / period),
                                             .transistor_peak_a = s->peak[t],
                                             .diode_average_a = s->charge[d] / period,
                                             .diode_rms_a = sqrt(s->square[d] / period),
                                             .diode_peak_a = s->peak[d]};
        }
    }
}

static double lag(double v_re, double v_im, double i_re, double i_im) {
    return atan2(v_im * i_re - v_re * i_im, v_re * i_re + v_im * i_im);
}

static void fill_point(tw_cycle *c, const tw_stage_sums *s) {
    const tw_half_bridge *b = &c->model.stage.bridge;
    tw_operating_point *p = &c->point;
    const double period = c->model.drive.length_s, w = 2.0 * TW_PI * b->frequency_hz, f = 2.0 / period;
    double reactance;
    p->period_s = period;
    p->coil_current_peak_a = s->i_peak;
    p->coil_current_rms_a = sqrt(s->i2 / period);
    p->coil_voltage_rms_v = sqrt(s->v2 / period);
    p->coil_voltage_peak_v = s->v_peak;
    p->capacitor_voltage_peak_v = 0.5 * (s->v_c_most - s->v_c_least);
    p->capacitor_voltage_mean_v = s->v_c / period;
    p->real_power_w = s->vi / period;
    p->reactive_power_var = 0.5 * f * f * (s->v_im * s->i_re - s->v_re * s->i_im);
    p->apparent_power_va = p->coil_voltage_rms_v * p->coil_current_rms_a;
    p->bridge_phase_lag_rad = lag(s->drive_re, s->drive_im, s->i_re, s->i_im);
    p->coil_phase_lag_rad = lag(s->v_re, s->v_im, s->i_re, s->i_im);
    p->resonant_frequency_hz = tw_load__resonance_hz(&b->load, b->capacitance_f);
    tw_load_impedance(&b->load, w, &p->equivalent_resistance_ohm, &reactance);
    p->equivalent_inductance_h = reactance / w;
    p->midpoint_capacitance_f = c->model.legs[0].capacitance_f;
    tw_stage_energy(&c->model, s, c->run.pieces[0].x, c->run.x, &p->energy);
    p->supply_power_w = p->energy.supplied / period;
    p->forced_commutation_energy_j = p->energy.forced;
    p->falling = c->legs[0].falling;
    p->rising = c->legs[0].rising;
    p->high = c->legs[0].high;
    p->low = c->legs[0].low;
    p->pieces = c->run.n_pieces;
    p->exponentials = c->run.counts.exponentials;
    p->root_steps = c->run.counts.root_steps;
}

/* Spectral radius of the period map's derivative, in energy coordinates. */
static tw_status find_multiplier(tw_ctx *ctx, tw_cycle *c, const double *x, size_t mode) {
    const tw_network *net = &c->model.net;
    double a[TW_N * TW_N] = {0.0}, re[TW_N], im[TW_N], v[TW_N * TW_N], w[TW_N * TW_N];
    c->run.wants_derivative = true;
    TW_TRY(tw_half_wave_run(&c->model.drive, x, mode, &c->run));
    for (size_t i = 0; i < net->n; i++) {
        for (size_t k = 0; k < c->run.n_columns; k++) {
            const size_t j = c->run.column[k];
            a[i * net->n + j] = c->run.s[i][k] * (net->scale[i] / net->scale[j]);
        }
    }
    const bool clean = tw_ctx_error(ctx)->status == TW_OK;
    const tw_status status = tw_eigen_decompose(ctx, net->n, a, re, im, v, w, NULL);
    c->multiplier = NAN;
    if (status != TW_OK) { /* no complete set of vectors: the norm of a high power decides */
        if (clean) {
            tw_ctx_clear_error(ctx);
        }
        double norm = 0.0;
        for (int k = 0; k < 6; k++) { /* a^64 */
            tw_matrix_multiply(net->n, net->n, net->n, a, a, w);
            memcpy(a, w, net->n * net->n * sizeof *a);
        }
        for (size_t k = 0; k < net->n * net->n; k++) {
            norm = hypot(norm, a[k]);
        }
        c->multiplier = pow(norm, 1.0 / 64.0);
        return TW_OK;
    }
    for (size_t k = 0; k < net->n; k++) {
        const double size = hypot(re[k], im[k]);
        c->multiplier = isnan(c->multiplier) || size > c->multiplier ? size : c->multiplier;
    }
    return TW_OK;
}

static tw_status solve(tw_ctx *ctx, const tw_stage *stage, const tw_steady_opts *opts, tw_cycle *c) {
    double x[TW_N];
    size_t mode;
    TW_TRY(tw_stage_build(ctx, stage, &c->model));
    tw_stage_guess(&c->model, x, &mode);
    TW_TRY(tw_shoot_solve(ctx, &c->model.drive, opts, x, mode, &c->run, &c->point.newton_steps));
    TW_TRY(find_multiplier(ctx, c, x, c->run.pieces[0].mode));
    tw_stage_sums sums;
    tw_stage_start_sums(&c->model, c->run.pieces[0].x, &sums);
    for (size_t k = 0; k < c->run.n_pieces; k++) {
        tw_stage_add_piece(&c->model, &c->run.pieces[k], &c->run.counts, &sums);
    }
    find_edges(c);
    fill_devices(c, &sums);
    fill_point(c, &sums);
    return TW_OK;
}

tw_status tw_cycle_solve(tw_ctx *ctx, const tw_stage *stage, const tw_steady_opts *opts, tw_cycle **out) {
    const tw_steady_opts chosen = opts != NULL ? *opts : tw_steady_opts_default();
    TW_TRY(tw_stage_check(ctx, stage));
    if (chosen.max_newton_steps < 1 || !(chosen.tolerance >= 1e-14 && chosen.tolerance <= 1e-2)) {
        return tw_fail(ctx, TW_OUT_OF_RANGE, room, "tolerance %.9g or max_newton_steps %zu out of range",
                       chosen.tolerance, chosen.max_newton_steps);
    }
    tw_cycle *c = tw_alloc(ctx, 1, sizeof *c);
    if (c == NULL) {
        return TW_NO_MEMORY;
    }
    tw_run_init(ctx, &c->model.net, &c->run);
    const tw_status status = solve(ctx, stage, &chosen, c);
    if (status != TW_OK) {
        tw_cycle_destroy(c);
        return status;
    }
    *out = c;
    return TW_OK;
}

void tw_cycle_destroy(tw_cycle *c) {
    if (c != NULL) {
        tw_run_dispose(&c->run);
        tw_free(c);
    }
}

const tw_operating_point *tw_cycle_point(const tw_cycle *c) {
    return &c->point;
}

void tw_cycle_leg(const tw_cycle *c, size_t leg, tw_edge *falling, tw_edge *rising, tw_device_stress *high,
                  tw_device_stress *low) {
    const leg_result *r = &c->legs[leg < c->model.n_legs ? leg : 0];
    *falling = r->falling;
    *rising = r->rising;
    *high = r->high;
    *low = r->low;
}

double tw_cycle_multiplier(const tw_cycle *c) {
    return c->multiplier;
}

void tw_cycle_sample(const tw_cycle *c, tw_signal signal, const double *time_s, size_t n, double *out) {
    const double period = c->model.drive.length_s;
    for (size_t k = 0; k < n; k++) {
        double t = fmod(time_s[k], period);
        t += t < 0.0 ? period : 0.0;
        const tw_piece *p = &c->run.pieces[find_piece(&c->run, t)];
        tw_counts counts = {0};
        tw_flow flow;
        tw_wave wave;
        tw_functional f;
        tw_piece_flow(&c->model.net, p, &counts, &flow);
        const bool known = tw_stage_signal(&c->model, p->mode, signal, &f);
        tw_wave_make(&wave, &flow, &f);
        out[k] = known ? tw_wave_value(&wave, t - p->start_s) : NAN;
    }
}

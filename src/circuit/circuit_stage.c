/* One or two legs around a coil, on a constant rail. Equations: docs/theory.md, "Other arrangements". A leg's midpoint
 * with outward current s i (s = +-1) floats as C_m v' = -s i and stands on v = line - r s i while a valve conducts,
 * whose own current is +-(s i + C_m v').
 */
#include "circuit_stage.h"

#include <math.h>
#include <string.h>

static const char room[] = "circuit";
static const double least_capacitance_f = 1e-12; /* as in circuit_half_bridge.c */

static tw_status refuse(tw_ctx *ctx, const char *key, double value, const char *range) {
    const tw_place place = {.key = key};
    return tw_fail_at(ctx, TW_OUT_OF_RANGE, room, &place, "%.9g is outside %s", value, range);
}

tw_status tw_stage_check(tw_ctx *ctx, const tw_stage *s) {
    TW_TRY(tw_half_bridge_check(ctx, &s->bridge));
    const double dead = s->bridge.dead_time_s * s->bridge.frequency_hz;
    const bool single = s->arrangement == TW_ARRANGEMENT_SINGLE;
    if ((unsigned)s->arrangement > TW_ARRANGEMENT_SINGLE) {
        return refuse(ctx, "arrangement", (double)s->arrangement, "half, full, single");
    }
    if (!(s->duty > (single ? 0.0 : dead) && s->duty < (single ? 1.0 : 1.0 - dead))) {
        return refuse(ctx, "duty", s->duty, "0 .. 1 less the dead times");
    }
    if (s->arrangement == TW_ARRANGEMENT_FULL && !(s->phase_shift_rad >= 0.0 && s->phase_shift_rad <= TW_PI)) {
        return refuse(ctx, "phase_shift", s->phase_shift_rad, "0 .. pi");
    }
    if (single && s->bridge.esr_ohm != 0.0) {
        return refuse(ctx, "esr", s->bridge.esr_ohm, "0 (single switch: put it into the coil's resistance)");
    }
    return TW_OK;
}

size_t tw_stage_valve(const tw_stage_model *m, size_t mode, size_t leg) {
    const tw_leg *l = &m->legs[leg];
    const size_t state = mode / l->stride % l->n_states;
    return state == 0 ? TW_NO_VALVE : l->first_valve + state - 1;
}

static size_t leg_of(const tw_stage_model *m, size_t valve) {
    return m->n_legs > 1 && valve >= m->legs[1].first_valve ? 1 : 0;
}

size_t tw_stage_kind(const tw_stage_model *m, size_t valve) {
    const tw_leg *l = &m->legs[leg_of(m, valve)];
    return valve - l->first_valve + (4 - l->n_valves);
}

static double forward_sign(size_t kind) {
    return kind == TW_HIGH_TRANSISTOR || kind == TW_LOW_DIODE ? 1.0 : -1.0;
}

static const tw_device *device_of(const tw_stage_model *m, size_t kind) {
    return kind == TW_HIGH_TRANSISTOR || kind == TW_LOW_TRANSISTOR ? &m->stage.bridge.transistor
                                                                   : &m->stage.bridge.diode;
}

/* Midpoint voltage at no current while a valve conducts. */
static double line_of(const tw_stage_model *m, size_t kind) {
    const double rail = kind <= TW_HIGH_DIODE ? m->stage.bridge.rail_v : 0.0;
    return rail - forward_sign(kind) * device_of(m, kind)->threshold_v;
}

/* ---- network ------------------------------------------------------------------------------------ */

static void fill_valve(tw_stage_model *m, size_t index) {
    const tw_leg *l = &m->legs[leg_of(m, index)];
    tw_valve *valve = &m->net.valves[index];
    const size_t kind = tw_stage_kind(m, index);
    const double forward = forward_sign(kind);
    const unsigned all = ((1u << l->n_valves) - 1u) << l->first_valve, self = 1u << index;
    valve->name = tw_half_bridge_valve_name(kind);
    valve->gated = kind == TW_HIGH_TRANSISTOR || kind == TW_LOW_TRANSISTOR;
    valve->replaces = all & ~self;
    valve->mates = valve->gated ? self << 1 : self >> 1; /* transistor and diode stand side by side */
    valve->node = l->node;
    valve->node_capacitance_f = l->capacitance_f;
    valve->voltage.c[l->node] = -forward;
    valve->voltage.d = kind <= TW_HIGH_DIODE ? forward * m->stage.bridge.rail_v : 0.0;
    valve->excess_bare = valve->voltage;
    valve->excess_bare.d -= device_of(m, kind)->threshold_v;
    valve->excess = valve->excess_bare;
    valve->excess.c[0] = -device_of(m, kind)->slope_ohm * forward * l->outward;
}

static void fill_mode(tw_stage_model *m, size_t index) {
    tw_mode *mode = &m->net.modes[index];
    const tw_half_bridge *s = &m->stage.bridge;
    const double l = s->load.inductance_h;
    double resistance = s->load.resistance_ohm + s->esr_ohm;
    for (size_t k = 1; k <= s->load.n_branches; k++) {
        const tw_chain_branch *b = &s->load.branches[k - 1];
        resistance += b->resistance_ohm;
        mode->a[0][k] = b->resistance_ohm / l;
        mode->a[k][0] = b->resistance_ohm / b->inductance_h;
        mode->a[k][k] = -b->resistance_ohm / b->inductance_h;
    }
    mode->a[0][0] = -resistance / l;
    if (m->v_c != TW_NO_NODE) {
        mode->a[0][m->v_c] = -1.0 / l;
        mode->a[m->v_c][0] = 1.0 / s->capacitance_f;
    } else {
        mode->b[0] = s->rail_v / l; /* the coil hangs on the rail */
    }
    for (size_t k = 0; k < m->n_legs; k++) {
        const tw_leg *leg = &m->legs[k];
        const size_t valve = tw_stage_valve(m, index, k);
        if (valve == TW_NO_VALVE) {
            mode->a[0][leg->node] = leg->outward / l;
            mode->a[leg->node][0] = -leg->outward / leg->capacitance_f;
            continue;
        }
        const size_t kind = tw_stage_kind(m, valve);
        const double slope = device_of(m, kind)->slope_ohm;
        mode->on |= 1u << valve;
        mode->a[0][0] -= slope / l;
        mode->b[0] += leg->outward * line_of(m, kind) / l;
        tw_slave *slave = &mode->slave[mode->n_slaved++];
        slave->state = leg->node;
        slave->law.c[0] = -slope * leg->outward;
        slave->law.d = line_of(m, kind);
    }
    for (size_t k = 0; k < m->n_legs; k++) { /* own currents, now that i' is complete */
        const tw_leg *leg = &m->legs[k];
        const size_t valve = tw_stage_valve(m, index, k);
        if (valve == TW_NO_VALVE) {
            continue;
        }
        const size_t kind = tw_stage_kind(m, valve);
        const double forward = forward_sign(kind);
        const double weight = -forward * leg->outward * leg->capacitance_f * device_of(m, kind)->slope_ohm;
        for (size_t j = 0; j < m->net.n; j++) {
            mode->current[valve].c[j] = weight * mode->a[0][j];
        }
        mode->current[valve].c[0] += forward * leg->outward;
        mode->current[valve].d = weight * mode->b[0];
    }
}

/* ---- drive -------------------------------------------------------------------------------------- */

static void add_edge(tw_half_wave *drive, double time_s, size_t valve, bool on) {
    const double period = drive->length_s;
    time_s = fmod(time_s, period);
    time_s = time_s <= 0.0 ? period : time_s;
    size_t k = drive->n_edges++;
    for (; k > 0 && (drive->edges[k - 1].time_s > time_s ||
                     (drive->edges[k - 1].time_s == time_s && drive->edges[k - 1].on && !on));
         k--) {
        drive->edges[k] = drive->edges[k - 1];
    }
    drive->edges[k] = (tw_gate_edge){time_s, valve, on};
}

/* The gate is on from `from` to `to`, later by `shift`. */
static void add_gate(tw_half_wave *drive, size_t valve, double from_s, double to_s, double shift_s) {
    const double period = drive->length_s;
    const double start = fmod(from_s + shift_s, period), length = to_s - from_s;
    add_edge(drive, start, valve, true);
    add_edge(drive, start + length, valve, false);
    drive->gates |= start == 0.0 || start + length > period ? 1u << valve : 0u;
}

static void fill_drive(tw_stage_model *m) {
    const tw_half_bridge *s = &m->stage.bridge;
    const double period = 1.0 / s->frequency_hz, on = m->stage.duty * period, dead = s->dead_time_s;
    m->drive = (tw_half_wave){.length_s = period};
    if (m->stage.arrangement == TW_ARRANGEMENT_SINGLE) {
        add_gate(&m->drive, 0, 0.0, on, 0.0);
        return;
    }
    for (size_t k = 0; k < m->n_legs; k++) {
        const double shift = k == 0 ? 0.0 : m->stage.phase_shift_rad / (2.0 * TW_PI) * period;
        add_gate(&m->drive, m->legs[k].first_valve + TW_HIGH_TRANSISTOR, 0.0, on - dead, shift);
        add_gate(&m->drive, m->legs[k].first_valve + TW_LOW_TRANSISTOR, on, period - dead, shift);
    }
}

tw_status tw_stage_build(tw_ctx *ctx, const tw_stage *stage, tw_stage_model *m) {
    const tw_half_bridge *s = &stage->bridge;
    const bool single = stage->arrangement == TW_ARRANGEMENT_SINGLE;
    const double snubbers = fmax((single ? 1.0 : 2.0) * s->snubber_capacitance_f, least_capacitance_f);
    size_t n = s->load.n_branches + 1, n_modes = 1, n_valves = 0;
    m->stage = *stage;
    m->v_c = single ? TW_NO_NODE : n++;
    m->n_legs = stage->arrangement == TW_ARRANGEMENT_FULL ? 2 : 1;
    for (size_t k = 0; k < m->n_legs; k++) {
        tw_leg *leg = &m->legs[k];
        *leg = (tw_leg){.node = n++,
                        .outward = single || k == 1 ? -1.0 : 1.0,
                        .capacitance_f = single ? snubbers + s->capacitance_f : snubbers,
                        .first_valve = n_valves,
                        .n_valves = single ? 2 : 4,
                        .stride = n_modes};
        leg->n_states = leg->n_valves + 1;
        n_valves += leg->n_valves;
        n_modes *= leg->n_states;
    }
    tw_network *net = &m->net;
    net->modes = m->modes;
    net->valves = m->valves;
    net->decompositions = m->decompositions;
    tw_network_clear(net, n, n_modes, n_valves);
    net->voltage_scale_v = s->rail_v;
    net->scale[0] = sqrt(s->load.inductance_h);
    for (size_t k = 1; k <= s->load.n_branches; k++) {
        net->scale[k] = sqrt(s->load.branches[k - 1].inductance_h);
    }
    if (!single) {
        net->scale[m->v_c] = sqrt(s->capacitance_f);
    }
    for (size_t k = 0; k < m->n_legs; k++) {
        net->scale[m->legs[k].node] = sqrt(m->legs[k].capacitance_f);
    }
    for (size_t k = 0; k < n_valves; k++) {
        fill_valve(m, k);
    }
    for (size_t k = 0; k < n_modes; k++) {
        net->mirror.mode[k] = k;
        fill_mode(m, k);
    }
    fill_drive(m);
    return tw_network_prepare(ctx, net);
}

/* ---- start -------------------------------------------------------------------------------------- */

/* The fundamental of what the legs apply, on coil and capacitor. */
void tw_stage_guess(const tw_stage_model *m, double *x, size_t *mode) {
    const tw_half_bridge *s = &m->stage.bridge;
    const double w = 2.0 * TW_PI * s->frequency_hz, angle = 2.0 * TW_PI * m->stage.duty;
    double v_re = sin(angle), v_im = cos(angle) - 1.0, re, im; /* (1 - exp(-j angle))/j */
    memset(x, 0, TW_N * sizeof *x);
    if (m->v_c != TW_NO_NODE) {
        if (m->n_legs == 2) {
            const double c = cos(m->stage.phase_shift_rad), sn = sin(m->stage.phase_shift_rad);
            const double re0 = v_re, im0 = v_im;
            v_re = re0 - (re0 * c + im0 * sn);
            v_im = im0 - (im0 * c - re0 * sn);
        }
        tw_load_impedance(&s->load, w, &re, &im);
        re += s->esr_ohm + s->transistor.slope_ohm;
        im -= 1.0 / (w * s->capacitance_f);
        const double f = s->rail_v / TW_PI / fmax(re * re + im * im, 1e-300);
        const double i_re = f * (v_re * re + v_im * im), i_im = f * (v_im * re - v_re * im);
        x[0] = i_re;
        for (size_t k = 1; k <= s->load.n_branches; k++) { /* i_k = i/(1 + j t) */
            const double t = w * s->load.branches[k - 1].inductance_h / s->load.branches[k - 1].resistance_ohm;
            x[k] = (i_re + t * i_im) / (1.0 + t * t);
        }
        x[m->v_c] = i_im / (w * s->capacitance_f) + (m->n_legs == 1 ? m->stage.duty * s->rail_v : 0.0);
    }
    *mode = 0;
    for (size_t k = 0; k < m->n_legs; k++) {
        const tw_leg *leg = &m->legs[k];
        const bool outward = leg->outward * x[0] >= 0.0;
        const size_t high = leg->first_valve, low = leg->first_valve + leg->n_valves - 2;
        size_t state = 0;
        if (leg->n_valves == 4 && (m->drive.gates & (1u << high))) {
            state = outward ? 1 : 2;
            x[leg->node] = s->rail_v;
        } else if (m->drive.gates & (1u << low)) {
            state = leg->n_valves - (outward ? 0 : 1);
        } else {
            x[leg->node] = outward ? 0.0 : s->rail_v;
        }
        *mode += state * leg->stride;
    }
}

/* ---- signals ------------------------------------------------------------------------------------ */

static void device_signal(const tw_stage_model *m, size_t mode, size_t transistor, tw_functional *out) {
    const size_t valve = tw_stage_valve(m, mode, 0);
    if (valve == TW_NO_VALVE) {
        return;
    }
    const size_t kind = tw_stage_kind(m, valve);
    if (kind == transistor || kind == transistor + 1) {
        *out = m->net.modes[mode].current[valve];
        for (size_t j = 0; kind != transistor && j < m->net.n; j++) {
            out->c[j] = -out->c[j];
        }
        out->d = kind != transistor ? -out->d : out->d;
    }
}

bool tw_stage_signal(const tw_stage_model *m, size_t mode, tw_signal signal, tw_functional *out) {
    const size_t node = m->legs[0].node;
    *out = (tw_functional){.d = 0.0};
    switch (signal) {
    case TW_SIGNAL_MIDPOINT_VOLTAGE:
        out->c[node] = 1.0;
        return true;
    case TW_SIGNAL_COIL_VOLTAGE:
        for (size_t k = 0; k < m->n_legs; k++) {
            out->c[m->legs[k].node] = m->legs[k].outward;
        }
        if (m->v_c != TW_NO_NODE) {
            out->c[m->v_c] = -1.0;
            out->c[0] = -m->stage.bridge.esr_ohm;
        } else {
            out->d = m->stage.bridge.rail_v;
        }
        return true;
    case TW_SIGNAL_COIL_CURRENT:
        out->c[0] = 1.0;
        return true;
    case TW_SIGNAL_CAPACITOR_VOLTAGE: /* single: across the coil */
        if (m->v_c != TW_NO_NODE) {
            out->c[m->v_c] = 1.0;
        } else {
            out->c[node] = -1.0;
            out->d = m->stage.bridge.rail_v;
        }
        return true;
    case TW_SIGNAL_HIGH_DEVICE_CURRENT:
    case TW_SIGNAL_LOW_DEVICE_CURRENT:
        device_signal(m, mode, signal == TW_SIGNAL_HIGH_DEVICE_CURRENT ? TW_HIGH_TRANSISTOR : TW_LOW_TRANSISTOR, out);
        return true;
    case TW_SIGNAL_PAN_CURRENT:
        if (m->stage.bridge.load.n_branches > 0) {
            out->c[0] = 1.0;
            out->c[1] = -1.0;
        }
        return true;
    case TW_SIGNAL_SUPPLY_CURRENT:
    case TW_SIGNAL_COUNT:
        break;
    }
    return false;
}

double tw_stage_stored(const tw_stage_model *m, const double *x) {
    const tw_half_bridge *s = &m->stage.bridge;
    double e = s->load.inductance_h * x[0] * x[0];
    for (size_t k = 1; k <= s->load.n_branches; k++) {
        e += s->load.branches[k - 1].inductance_h * x[k] * x[k];
    }
    for (size_t k = 0; k < m->n_legs; k++) {
        const double v = x[m->legs[k].node], up = s->rail_v - v;
        if (m->v_c != TW_NO_NODE) {
            e += 0.5 * m->legs[k].capacitance_f * (v * v + up * up);
        } else {
            e += (m->legs[k].capacitance_f - s->capacitance_f) * v * v + s->capacitance_f * up * up;
        }
    }
    if (m->v_c != TW_NO_NODE) {
        e += s->capacitance_f * x[m->v_c] * x[m->v_c];
    }
    return 0.5 * e;
}

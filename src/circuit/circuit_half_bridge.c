/* Half bridge: network table and signals. Equations: docs/theory.md, "Coil with pan", "Conduction states". */
#include "circuit_half_bridge.h"

#include <math.h>
#include <string.h>

/* Least total midpoint capacitance. Without any, the midpoint would have no state while both switches are open; one
 * picofarad swings within nanoseconds and stores less than a microjoule at any rail in use. */
static const double least_capacitance_f = 1e-12;

/* ---- checks ------------------------------------------------------------------------------------- */

typedef struct range {
    const char *name;
    double value, low, high;
    bool low_open;
} range;

static tw_status check_range(tw_ctx *ctx, const range *r) {
    if (isfinite(r->value) && (r->low_open ? r->value > r->low : r->value >= r->low) && r->value <= r->high) {
        return TW_OK;
    }
    const tw_place place = {.key = r->name};
    return tw_fail_at(ctx, TW_OUT_OF_RANGE, "circuit", &place, "%.9g is outside %s%.9g .. %.9g]", r->value,
                      r->low_open ? "(" : "[", r->low, r->high);
}

static tw_status check_load(tw_ctx *ctx, const tw_load *load) {
    const range resistance = {"load.resistance", load->resistance_ohm, 0.0, 1e9, false};
    const range inductance = {"load.inductance", load->inductance_h, 1e-12, 1e6, false};
    TW_TRY(check_range(ctx, &resistance));
    TW_TRY(check_range(ctx, &inductance));
    if (load->n_branches > TW_MAX_BRANCHES) {
        const tw_place place = {.key = "load.branches"};
        return tw_fail_at(ctx, TW_OUT_OF_RANGE, "circuit", &place, "%zu branches, at most %d", load->n_branches,
                          TW_MAX_BRANCHES);
    }
    for (size_t k = 0; k < load->n_branches; k++) {
        const range l = {"load.branches.inductance", load->branches[k].inductance_h, 1e-15, 1e6, false};
        const range r = {"load.branches.resistance", load->branches[k].resistance_ohm, 1e-9, 1e9, false};
        TW_TRY(check_range(ctx, &l));
        TW_TRY(check_range(ctx, &r));
    }
    return TW_OK;
}

tw_status tw_half_bridge_check(tw_ctx *ctx, const tw_half_bridge *s) {
    const range first[] = {
        {"rail", s->rail_v, 1e-6, 1e6, false},
        {"frequency", s->frequency_hz, 1e-3, 1e9, false},
    };
    for (size_t k = 0; k < sizeof first / sizeof *first; k++) {
        TW_TRY(check_range(ctx, &first[k]));
    }
    /* Thresholds below half the rail: beyond that no device of the leg could conduct both ways. */
    const double half_s = 0.5 / s->frequency_hz, half_v = 0.49 * s->rail_v;
    const range rest[] = {
        {"dead_time", s->dead_time_s, 0.0, half_s * (1.0 - 1e-9), false},
        {"snubber_capacitance", s->snubber_capacitance_f, 0.0, 1.0, false},
        {"transistor.threshold", s->transistor.threshold_v, 0.0, half_v, false},
        {"transistor.slope", s->transistor.slope_ohm, 0.0, 1e6, false},
        {"diode.threshold", s->diode.threshold_v, 0.0, half_v, false},
        {"diode.slope", s->diode.slope_ohm, 0.0, 1e6, false},
        {"capacitance", s->capacitance_f, 1e-15, 1e3, false},
        {"esr", s->esr_ohm, 0.0, 1e9, false},
    };
    for (size_t k = 0; k < sizeof rest / sizeof *rest; k++) {
        TW_TRY(check_range(ctx, &rest[k]));
    }
    return check_load(ctx, &s->load);
}

/* ---- network ------------------------------------------------------------------------------------ */

static void fill_tank(const tw_half_bridge_model *m, tw_mode *mode) {
    const tw_half_bridge *s = &m->stage;
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
    mode->a[0][m->v_c] = -1.0 / l;
    mode->a[m->v_c][0] = 1.0 / s->capacitance_f;
}

/* Valve on: v_m = at_zero_v - slope * i. `forward` is +1 where a positive coil current runs forward through it. */
static void fill_conducting(tw_half_bridge_model *m, size_t valve, double at_zero_v, double slope, double forward) {
    tw_mode *mode = &m->net.modes[valve + 1];
    const double l = m->stage.load.inductance_h;
    mode->on = 1u << valve;
    fill_tank(m, mode);
    mode->a[0][0] -= slope / l;
    mode->b[0] = at_zero_v / l;
    mode->n_slaved = 1;
    mode->slave[0].state = m->v_m;
    mode->slave[0].law.c[0] = -slope;
    mode->slave[0].law.d = at_zero_v;
    /* i + C_m v_m' = i - C_m slope i' */
    tw_functional *current = &mode->current[valve];
    const double weight = -forward * m->midpoint_capacitance_f * slope;
    for (size_t j = 0; j < m->net.n; j++) {
        current->c[j] = weight * mode->a[0][j];
    }
    current->c[0] += forward;
    current->d = weight * mode->b[0];
}

const char *tw_half_bridge_valve_name(size_t valve) {
    static const char *const names[] = {"high transistor", "high diode", "low transistor", "low diode"};
    return valve < 4 ? names[valve] : "valve";
}

static void fill_valve(tw_half_bridge_model *m, size_t index, double per_node_volt, double at_zero_v,
                       const tw_device *device, double forward) {
    tw_valve *valve = &m->net.valves[index];
    valve->name = tw_half_bridge_valve_name(index);
    valve->gated = index == TW_HIGH_TRANSISTOR || index == TW_LOW_TRANSISTOR;
    valve->replaces = 0xfu & ~(1u << index);
    valve->mates = index <= TW_HIGH_DIODE ? 0x3u & ~(1u << index) : 0xcu & ~(1u << index);
    valve->node = m->v_m;
    valve->node_capacitance_f = m->midpoint_capacitance_f;
    valve->voltage.c[m->v_m] = per_node_volt;
    valve->voltage.d = at_zero_v;
    valve->excess_bare = valve->voltage;
    valve->excess_bare.d -= device->threshold_v;
    valve->excess = valve->excess_bare;
    valve->excess.c[0] = -device->slope_ohm * forward;
    /* The line on which the node stands while the valve is on: excess = 0. */
    fill_conducting(m, index, -valve->excess_bare.d / per_node_volt, device->slope_ohm, forward);
}

static void fill_mirror(tw_half_bridge_model *m) {
    tw_mirror *mirror = &m->net.mirror;
    for (size_t j = 0; j < m->net.n; j++) {
        mirror->sign[j] = -1.0;
    }
    mirror->mode[TW_FLOATING] = TW_FLOATING;
    mirror->offset[m->v_c] = mirror->offset[m->v_m] = m->stage.rail_v;
    for (size_t k = 0; k < 4; k++) {
        mirror->valve[k] = k ^ 2u;
        mirror->mode[k + 1] = (k ^ 2u) + 1;
    }
}

tw_status tw_half_bridge_build(tw_ctx *ctx, const tw_half_bridge *stage, tw_half_bridge_model *m) {
    tw_network *net = &m->net;
    m->stage = *stage;
    m->midpoint_capacitance_f = fmax(2.0 * stage->snubber_capacitance_f, least_capacitance_f);
    m->v_c = stage->load.n_branches + 1;
    m->v_m = m->v_c + 1;
    net->modes = m->modes;
    net->valves = m->valves;
    net->decompositions = m->decompositions;
    tw_network_clear(net, m->v_m + 1, 5, 4);
    net->voltage_scale_v = stage->rail_v;
    net->scale[0] = sqrt(stage->load.inductance_h);
    for (size_t k = 1; k <= stage->load.n_branches; k++) {
        net->scale[k] = sqrt(stage->load.branches[k - 1].inductance_h);
    }
    net->scale[m->v_c] = sqrt(stage->capacitance_f);
    net->scale[m->v_m] = sqrt(m->midpoint_capacitance_f);
    tw_mode *floating = &net->modes[TW_FLOATING];
    fill_tank(m, floating);
    floating->a[0][m->v_m] = 1.0 / stage->load.inductance_h;
    floating->a[m->v_m][0] = -1.0 / m->midpoint_capacitance_f;
    fill_valve(m, TW_HIGH_TRANSISTOR, -1.0, stage->rail_v, &stage->transistor, 1.0);
    fill_valve(m, TW_HIGH_DIODE, 1.0, -stage->rail_v, &stage->diode, -1.0);
    fill_valve(m, TW_LOW_TRANSISTOR, 1.0, 0.0, &stage->transistor, -1.0);
    fill_valve(m, TW_LOW_DIODE, -1.0, 0.0, &stage->diode, 1.0);
    fill_mirror(m);
    const double half_s = 0.5 / stage->frequency_hz;
    m->drive = (tw_half_wave){.length_s = half_s, .gates = 1u << TW_HIGH_TRANSISTOR, .n_edges = 2};
    m->drive.edges[0] = (tw_gate_edge){half_s - stage->dead_time_s, TW_HIGH_TRANSISTOR, false};
    m->drive.edges[1] = (tw_gate_edge){half_s, TW_LOW_TRANSISTOR, true};
    return tw_network_prepare(ctx, net);
}

/* ---- signals ------------------------------------------------------------------------------------ */

static void add_functional(size_t n, const tw_functional *f, double factor, tw_functional *sum) {
    for (size_t j = 0; j < n; j++) {
        sum->c[j] += factor * f->c[j];
    }
    sum->d += factor * f->d;
}

/* Current out of the high rail through the high devices (+1), or into the low side through the low ones (-1). */
static void device_signal(const tw_half_bridge_model *m, size_t mode, size_t transistor, tw_functional *out) {
    if (mode == transistor + 1) {
        add_functional(m->net.n, &m->net.modes[mode].current[transistor], 1.0, out);
    } else if (mode == transistor + 2) {
        add_functional(m->net.n, &m->net.modes[mode].current[transistor + 1], -1.0, out);
    }
}

static void supply_signal(const tw_half_bridge_model *m, size_t mode, tw_functional *out) {
    /* High devices, upper snubber C_m/2 d(V_r - v_m)/dt, upper half of a split capacitor C/2 d(V_r - v_C)/dt = -i/2 */
    device_signal(m, mode, TW_HIGH_TRANSISTOR, out);
    const tw_functional midpoint = {.c[0] = 0.0};
    tw_functional v_m = midpoint, rate;
    v_m.c[m->v_m] = 1.0;
    tw_functional_rate(&m->net, &m->net.modes[mode], &v_m, &rate);
    add_functional(m->net.n, &rate, -0.5 * m->midpoint_capacitance_f, out);
    if (m->stage.split) {
        out->c[0] -= 0.5;
    }
}

void tw_half_bridge_signal(const tw_half_bridge_model *m, size_t mode, tw_signal signal, tw_functional *out) {
    *out = (tw_functional){.d = 0.0};
    switch (signal) {
    case TW_SIGNAL_MIDPOINT_VOLTAGE:
        out->c[m->v_m] = 1.0;
        break;
    case TW_SIGNAL_COIL_VOLTAGE:
        out->c[m->v_m] = 1.0;
        out->c[m->v_c] = -1.0;
        out->c[0] = -m->stage.esr_ohm;
        break;
    case TW_SIGNAL_COIL_CURRENT:
        out->c[0] = 1.0;
        break;
    case TW_SIGNAL_CAPACITOR_VOLTAGE:
        out->c[m->v_c] = 1.0;
        break;
    case TW_SIGNAL_HIGH_DEVICE_CURRENT:
        device_signal(m, mode, TW_HIGH_TRANSISTOR, out);
        break;
    case TW_SIGNAL_LOW_DEVICE_CURRENT:
        device_signal(m, mode, TW_LOW_TRANSISTOR, out);
        break;
    case TW_SIGNAL_SUPPLY_CURRENT:
        supply_signal(m, mode, out);
        break;
    case TW_SIGNAL_PAN_CURRENT:
        if (m->stage.load.n_branches > 0) {
            out->c[0] = 1.0;
            out->c[1] = -1.0;
        }
        break;
    case TW_SIGNAL_COUNT:
        break;
    }
}

double tw_half_bridge_jump_charge(const tw_half_bridge_model *m, const tw_jump *jump, tw_signal signal) {
    if (jump->valve == TW_NO_VALVE) {
        return 0.0;
    }
    const double charge = m->midpoint_capacitance_f * jump->change_v; /* into the midpoint */
    const bool high = jump->valve <= TW_HIGH_DIODE;
    switch (signal) {
    case TW_SIGNAL_HIGH_DEVICE_CURRENT:
        return high ? charge : 0.0;
    case TW_SIGNAL_LOW_DEVICE_CURRENT:
        return high ? 0.0 : -charge;
    case TW_SIGNAL_SUPPLY_CURRENT: /* the upper snubber gives half of it back */
        return (high ? charge : 0.0) - 0.5 * charge;
    default:
        return 0.0;
    }
}

double tw_half_bridge_stored(const tw_half_bridge_model *m, const double *x) {
    const tw_half_bridge *s = &m->stage;
    double e = 0.5 * s->load.inductance_h * x[0] * x[0];
    for (size_t k = 1; k <= s->load.n_branches; k++) {
        e += 0.5 * s->load.branches[k - 1].inductance_h * x[k] * x[k];
    }
    const double v_c = x[m->v_c], v_m = x[m->v_m], c_s = 0.5 * m->midpoint_capacitance_f;
    e += 0.5 * c_s * (v_m * v_m + (s->rail_v - v_m) * (s->rail_v - v_m));
    if (s->split) {
        e += 0.25 * s->capacitance_f * (v_c * v_c + (s->rail_v - v_c) * (s->rail_v - v_c));
    } else {
        e += 0.5 * s->capacitance_f * v_c * v_c;
    }
    return e;
}

/* Adds harmonic n of a square wave of +-V_r/2 whose rising edge lies `early_s` before t = 0 and takes `swing_s`. */
static void add_harmonic(const tw_half_bridge_model *m, int n, double early_s, double swing_s, double *x) {
    const tw_half_bridge *s = &m->stage;
    const double w = 2.0 * TW_PI * s->frequency_hz * n;
    double re, im;
    tw_load_impedance(&s->load, w, &re, &im);
    re += s->esr_ohm + 0.5 * (s->transistor.slope_ohm + s->diode.slope_ohm);
    im -= 1.0 / (w * s->capacitance_f);
    const double half = 0.5 * w * swing_s, edge = half > 1e-6 ? sin(half) / half : 1.0;
    const double v = 2.0 * s->rail_v / (TW_PI * n) * edge, q = fmax(re * re + im * im, 1e-300);
    /* i = Im{I exp(j w (t + early))} at t = 0 */
    const double c = cos(w * early_s), sn = sin(w * early_s);
    const double a = v * re / q, b = -v * im / q;
    const double i_re = a * c - b * sn, i_im = a * sn + b * c;
    x[0] += i_im;
    for (size_t k = 1; k <= s->load.n_branches; k++) {
        const tw_chain_branch *branch = &s->load.branches[k - 1];
        const double t = w * branch->inductance_h / branch->resistance_ohm; /* i_k = i/(1 + j t) */
        x[k] += (i_im - t * i_re) / (1.0 + t * t);
    }
    x[m->v_c] -= i_re / (w * s->capacitance_f);
}

void tw_half_bridge_guess(const tw_half_bridge_model *m, double *x, size_t *mode) {
    const tw_half_bridge *s = &m->stage;
    /* A lagging current swings the midpoint as soon as a switch opens, a dead time before the other one closes. */
    double early = 0.0, swing = 0.0, probe[TW_N] = {0.0};
    add_harmonic(m, 1, -s->dead_time_s, 0.0, probe);
    if (probe[0] < 0.0) {
        swing = fmin(m->midpoint_capacitance_f * s->rail_v / -probe[0], 2.0 * s->dead_time_s);
        early = s->dead_time_s - 0.5 * swing;
    }
    memset(x, 0, TW_N * sizeof *x);
    x[m->v_c] = 0.5 * s->rail_v;
    for (int n = 1; n <= 9; n += 2) {
        add_harmonic(m, n, early, swing, x);
    }
    x[m->v_m] = s->rail_v;
    *mode = x[0] >= 0.0 ? TW_HIGH_TRANSISTOR + 1 : TW_HIGH_DIODE + 1;
}

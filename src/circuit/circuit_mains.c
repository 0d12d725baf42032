/* Network of a half bridge whose rail is a capacitor behind a rectifier and the mains' impedance. Equations:
 * docs/theory.md, "Mains run". The mains sine is a pair of states of its own, so the whole network stays autonomous and
 * the same engine runs it.
 */
#include "circuit_mains.h"

#include <math.h>
#include <string.h>

static const double least_capacitance_f = 1e-12; /* as on a constant rail: circuit_half_bridge.c */

size_t tw_mains_leg_valve(size_t mode) {
    const size_t leg = mode % TW_MAINS_LEG_STATES;
    return leg == 0 ? TW_NO_VALVE : leg - 1;
}

int tw_mains_rectifier_sign(size_t mode) {
    const size_t rectifier = mode / TW_MAINS_LEG_STATES;
    return rectifier == 0 ? 0 : (rectifier == 1 ? 1 : -1);
}

static bool is_high(size_t valve) {
    return valve == TW_HIGH_TRANSISTOR || valve == TW_HIGH_DIODE;
}

/* +1 where a positive coil current runs forward through a leg valve. */
static double forward_sign(size_t valve) {
    return valve == TW_HIGH_TRANSISTOR || valve == TW_LOW_DIODE ? 1.0 : -1.0;
}

static void add(size_t n, double factor, const tw_functional *f, tw_functional *sum) {
    for (size_t j = 0; j < n; j++) {
        sum->c[j] += factor * f->c[j];
    }
    sum->d += factor * f->d;
}

/* Capacitances between the nodes that the leg leaves free, and what the rail and tank give when the midpoint moves. */
typedef struct nodes {
    double c_s, half_c, c, rail; /* snubber, half of a split capacitor (else 0), resonant, all at the rail node */
} nodes;

static nodes read_nodes(const tw_mains_model *m) {
    const double c_s = 0.5 * m->midpoint_capacitance_f;
    const double half_c = m->stage.split ? 0.5 * m->stage.capacitance_f : 0.0;
    return (nodes){c_s, half_c, m->stage.capacitance_f, m->supply.rail_capacitance_f + c_s + half_c};
}

/* Rates of v_C, v_r, v_m as functionals, given the coil's i' and the rectified current:
 *   C v_C' - H v_r' = i                                    (H half of a split capacitor, else 0)
 *   (C_r + C_s + H) v_r' - H v_C' - C_s v_m' = i_rect - [high] i_leg
 *   floating: C_m v_m' - C_s v_r' = -i;   conducting: v_m' = [high] v_r' - r i',   i_leg = i + C_m v_m' - C_s v_r' */
static void solve_nodes(const tw_mains_model *m, size_t valve, double slope, const tw_functional *i_rate,
                        const tw_functional *rectified, tw_functional *v_c, tw_functional *v_r, tw_functional *v_m) {
    const nodes k = read_nodes(m);
    const size_t n = m->net.n;
    const double c_m = m->midpoint_capacitance_f;
    tw_functional i = {.c = {1.0}}, right = *rectified;
    double own; /* what multiplies v_r' once v_C' and v_m' are gone */
    /* v_C' = (i + H v_r')/C */
    own = k.rail - k.half_c * k.half_c / k.c;
    add(n, k.half_c / k.c, &i, &right);
    if (valve == TW_NO_VALVE) { /* v_m' = (C_s v_r' - i)/C_m */
        own -= k.c_s * k.c_s / c_m;
        add(n, -k.c_s / c_m, &i, &right);
    } else if (is_high(valve)) {
        /* v_m' = v_r' - r i'; i_leg = i + (C_m - C_s) v_r' - C_m r i' */
        own += -k.c_s + (c_m - k.c_s);
        add(n, -1.0, &i, &right);
        add(n, (c_m - k.c_s) * slope, i_rate, &right);
    } else { /* v_m' = -r i' */
        add(n, -k.c_s * slope, i_rate, &right);
    }
    memset(v_r, 0, sizeof *v_r);
    add(n, 1.0 / own, &right, v_r);
    memset(v_c, 0, sizeof *v_c);
    add(n, 1.0 / k.c, &i, v_c);
    add(n, k.half_c / k.c, v_r, v_c);
    memset(v_m, 0, sizeof *v_m);
    if (valve == TW_NO_VALVE) {
        add(n, k.c_s / c_m, v_r, v_m);
        add(n, -1.0 / c_m, &i, v_m);
    } else {
        add(n, is_high(valve) ? 1.0 : 0.0, v_r, v_m);
        add(n, -slope, i_rate, v_m);
    }
}

static void put_row(const tw_mains_model *m, tw_mode *mode, size_t row, const tw_functional *f) {
    memcpy(mode->a[row], f->c, m->net.n * sizeof *f->c);
    mode->b[row] = f->d;
}

/* L di/dt = v_m - v_C - (R + esr) i - sum R_k (i - i_k), with v_m on its law where a valve conducts. */
static void fill_coil(const tw_mains_model *m, tw_mode *mode, const tw_functional *v_m, tw_functional *i_rate) {
    const tw_load *load = &m->stage.load;
    const double l = load->inductance_h;
    double resistance = load->resistance_ohm + m->stage.esr_ohm;
    memset(i_rate, 0, sizeof *i_rate);
    for (size_t k = 1; k <= load->n_branches; k++) {
        const tw_chain_branch *b = &load->branches[k - 1];
        resistance += b->resistance_ohm;
        i_rate->c[k] = b->resistance_ohm / l;
        mode->a[k][0] = b->resistance_ohm / b->inductance_h;
        mode->a[k][k] = -b->resistance_ohm / b->inductance_h;
    }
    i_rate->c[0] = -resistance / l;
    i_rate->c[m->v_c] = -1.0 / l;
    add(m->net.n, 1.0 / l, v_m, i_rate);
    put_row(m, mode, 0, i_rate);
}

static void slave(tw_mode *mode, size_t state, const tw_functional *law) {
    tw_slave *s = &mode->slave[mode->n_slaved++];
    s->state = state;
    s->law = *law;
}

/* Source: L_s j' = e - R_s j -+ (v_r + 2 V) - 2 r j; j = 0 where the rectifier blocks. */
static void fill_source(const tw_mains_model *m, tw_mode *mode, int sign, tw_functional *rectified) {
    const tw_mains_supply *s = &m->supply;
    const double w = 2.0 * TW_PI * s->frequency_hz, l = s->source_inductance_h;
    const tw_functional zero = {.d = 0.0};
    mode->a[m->sine][m->cosine] = w;
    mode->a[m->cosine][m->sine] = -w;
    *rectified = zero;
    if (sign == 0) {
        slave(mode, m->source, &zero);
        return;
    }
    mode->on |= 1u << (sign > 0 ? TW_RECTIFIER_POSITIVE : TW_RECTIFIER_NEGATIVE);
    mode->a[m->source][m->sine] = 1.0 / l;
    mode->a[m->source][m->source] = -(s->source_resistance_ohm + 2.0 * s->rectifier.slope_ohm) / l;
    mode->a[m->source][m->v_r] = -sign / l;
    mode->b[m->source] = -2.0 * sign * s->rectifier.threshold_v / l;
    rectified->c[m->source] = sign;
    mode->current[sign > 0 ? TW_RECTIFIER_POSITIVE : TW_RECTIFIER_NEGATIVE] = *rectified;
}

static const tw_device *device_of(const tw_half_bridge *stage, size_t valve) {
    return valve == TW_HIGH_TRANSISTOR || valve == TW_LOW_TRANSISTOR ? &stage->transistor : &stage->diode;
}

static void fill_mode(tw_mains_model *m, size_t index) {
    tw_mode *mode = &m->net.modes[index];
    const size_t valve = tw_mains_leg_valve(index);
    tw_functional law = {.d = 0.0}, i_rate, rectified, v_c, v_r, v_m;
    double slope = 0.0;
    if (valve == TW_NO_VALVE) {
        law.c[m->v_m] = 1.0;
    } else { /* v_m = [high] v_r -+ V - r i */
        const tw_device *device = device_of(&m->stage, valve);
        slope = device->slope_ohm;
        law.c[m->v_r] = is_high(valve) ? 1.0 : 0.0;
        law.c[0] = -slope;
        law.d = -forward_sign(valve) * device->threshold_v;
        mode->on = 1u << valve;
        slave(mode, m->v_m, &law);
    }
    fill_source(m, mode, tw_mains_rectifier_sign(index), &rectified);
    fill_coil(m, mode, &law, &i_rate);
    solve_nodes(m, valve, slope, &i_rate, &rectified, &v_c, &v_r, &v_m);
    put_row(m, mode, m->v_c, &v_c);
    put_row(m, mode, m->v_r, &v_r);
    if (valve == TW_NO_VALVE) {
        put_row(m, mode, m->v_m, &v_m);
        return;
    }
    tw_functional *own = &mode->current[valve]; /* +-(i + C_m v_m' - C_s v_r') */
    const double forward = forward_sign(valve);
    add(m->net.n, forward * m->midpoint_capacitance_f, &v_m, own);
    add(m->net.n, -forward * 0.5 * m->midpoint_capacitance_f, &v_r, own);
    own->c[0] += forward;
}

/* A leg valve that closes on voltage moves charge q into the midpoint (a high one out of the rail):
 *   q = C_m dv_m - C_s dv_r,   (C_r + C_s + H) dv_r - H dv_C - C_s dv_m = -[high] q,   C dv_C = H dv_r. */
static void fill_leg_valve(tw_mains_model *m, size_t index) {
    tw_valve *valve = &m->net.valves[index];
    const tw_device *device = device_of(&m->stage, index);
    const double forward = forward_sign(index);
    const nodes k = read_nodes(m);
    const double c_m = m->midpoint_capacitance_f, left = k.rail - k.half_c * k.half_c / k.c;
    const double rail_per_volt = is_high(index) ? (k.c_s - c_m) / (left - k.c_s) : k.c_s / left;
    valve->name = tw_half_bridge_valve_name(index);
    valve->gated = index == TW_HIGH_TRANSISTOR || index == TW_LOW_TRANSISTOR;
    valve->replaces = 0xfu & ~(1u << index);
    valve->mates = is_high(index) ? 0x3u & ~(1u << index) : 0xcu & ~(1u << index);
    valve->node = m->v_m;
    valve->node_capacitance_f = c_m - k.c_s * rail_per_volt;
    valve->n_jumping = 2;
    valve->jumping[0] = m->v_r;
    valve->per_volt[0] = rail_per_volt;
    valve->jumping[1] = m->v_c;
    valve->per_volt[1] = k.half_c / k.c * rail_per_volt;
    /* forward voltage: high v_r - v_m (diode the opposite), low v_m (diode the opposite) */
    valve->voltage.c[m->v_m] = -forward;
    valve->voltage.c[m->v_r] = is_high(index) ? forward : 0.0;
    valve->excess_bare = valve->voltage;
    valve->excess_bare.d = -device->threshold_v;
    valve->excess = valve->excess_bare;
    valve->excess.c[0] = -device->slope_ohm * forward;
}

static void fill_rectifier_valve(tw_mains_model *m, size_t index) {
    tw_valve *valve = &m->net.valves[index];
    valve->name = "rectifier";
    valve->replaces = index == TW_RECTIFIER_POSITIVE ? 1u << TW_RECTIFIER_NEGATIVE : 1u << TW_RECTIFIER_POSITIVE;
    valve->voltage.c[m->sine] = index == TW_RECTIFIER_POSITIVE ? 1.0 : -1.0;
    valve->voltage.c[m->v_r] = -1.0;
    valve->excess_bare = valve->voltage;
    valve->excess_bare.d = -2.0 * m->supply.rectifier.threshold_v;
    valve->excess = valve->excess_bare;
}

static void fill_scales(tw_mains_model *m) {
    double *scale = m->net.scale;
    const tw_load *load = &m->stage.load;
    scale[0] = sqrt(load->inductance_h);
    for (size_t k = 1; k <= load->n_branches; k++) {
        scale[k] = sqrt(load->branches[k - 1].inductance_h);
    }
    scale[m->v_c] = sqrt(m->stage.capacitance_f);
    scale[m->v_m] = sqrt(m->midpoint_capacitance_f);
    scale[m->v_r] = sqrt(m->supply.rail_capacitance_f);
    scale[m->source] = sqrt(m->supply.source_inductance_h);
    scale[m->sine] = scale[m->cosine] = scale[m->v_r]; /* as a voltage at the rail */
}

tw_status tw_mains_build(tw_ctx *ctx, const tw_half_bridge *stage, const tw_mains_supply *supply, tw_mains_model *m) {
    m->stage = *stage;
    m->supply = *supply;
    m->midpoint_capacitance_f = fmax(2.0 * stage->snubber_capacitance_f, least_capacitance_f);
    m->peak_v = sqrt(2.0) * supply->voltage_rms_v;
    m->v_c = stage->load.n_branches + 1;
    m->v_m = m->v_c + 1;
    m->v_r = m->v_c + 2;
    m->source = m->v_c + 3;
    m->sine = m->v_c + 4;
    m->cosine = m->v_c + 5;
    m->net.modes = m->modes;
    m->net.valves = m->valves;
    m->net.decompositions = m->decompositions;
    tw_network_clear(&m->net, m->cosine + 1, TW_MAINS_MODES, TW_MAINS_VALVES);
    m->net.voltage_scale_v = m->peak_v;
    fill_scales(m);
    for (size_t k = 0; k < 4; k++) {
        fill_leg_valve(m, k);
    }
    fill_rectifier_valve(m, TW_RECTIFIER_POSITIVE);
    fill_rectifier_valve(m, TW_RECTIFIER_NEGATIVE);
    for (size_t k = 0; k < TW_MAINS_MODES; k++) {
        fill_mode(m, k);
    }
    return tw_network_prepare(ctx, &m->net);
}

double tw_mains_stored(const tw_mains_model *m, const double *x) {
    const tw_load *load = &m->stage.load;
    const nodes k = read_nodes(m);
    const double v_c = x[m->v_c], v_m = x[m->v_m], v_r = x[m->v_r], j = x[m->source];
    double e = load->inductance_h * x[0] * x[0] + m->supply.source_inductance_h * j * j;
    for (size_t b = 1; b <= load->n_branches; b++) {
        e += load->branches[b - 1].inductance_h * x[b] * x[b];
    }
    e += m->supply.rail_capacitance_f * v_r * v_r;
    e += k.c_s * (v_m * v_m + (v_r - v_m) * (v_r - v_m));
    e += (k.c - k.half_c) * v_c * v_c + k.half_c * (v_r - v_c) * (v_r - v_c);
    return 0.5 * e;
}

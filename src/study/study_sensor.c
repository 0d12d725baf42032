/* The rig's current pick-up: what core, wire and integrator say about it, put together.
 *
 * Stated values win over derived ones, derived ones over defaults. A_L is a maker's nominal value; ferrites keep it
 * within some 25 % (common practice, no source), which stands for an uncertainty nobody stated; 10 % for a winding
 * resistance (temperature, length guessed). */
#include "study_internal.h"

#include <math.h>

#define CORE_LIMIT 0.25
#define WIRE_LIMIT 0.10

/* A contradiction is more than twice the joint uncertainty and more than this. */
#define LEAST_CONTRADICTION 0.05

/* The product of powers of independent values, relative uncertainties added in quadrature. */
static tw_value product(double factor, tw_value a, double power_a, tw_value b, double power_b) {
    const double value = factor * pow(a.value, power_a) * pow(b.value, power_b);
    return (tw_value){value, fabs(value) * hypot(power_a * a.u / a.value, power_b * b.u / b.value)};
}

static tw_value at_least_limit(tw_value v, double limit) {
    return (tw_value){v.value, v.u > 0 ? v.u : fabs(v.value) * limit / sqrt(3.0)};
}

static tw_value first_known(tw_value a, tw_value b) {
    return tw_is_known(a) ? a : b;
}

static void resolve_core(const tw_rig_core *core, tw_study__pickup *p) {
    const double outer_m = core->outer_diameter_m.value, inner_m = core->inner_diameter_m.value;
    p->ring_length_m = p->ring_area_m2 = p->inductance_factor_h = p->core_inductance_h = tw_unknown();
    if (inner_m < outer_m && tw_is_known(core->height_m)) { /* false where one is unknown */
        const tw_core ring = tw_core_ring(outer_m, inner_m, core->height_m.value);
        p->ring_length_m = tw_exactly(ring.length_m);
        p->ring_area_m2 = tw_exactly(ring.area_m2);
    }
    p->length_m = first_known(core->effective_length_m, p->ring_length_m);
    p->area_m2 = first_known(core->effective_area_m2, p->ring_area_m2);
    if (tw_is_known(core->inductance_factor_h)) {
        p->inductance_factor_h = at_least_limit(core->inductance_factor_h, CORE_LIMIT);
    } else if (tw_is_known(core->permeability) && tw_is_known(p->length_m) && tw_is_known(p->area_m2)) {
        const tw_core whole = {p->length_m.value, p->area_m2.value};
        const double per_unit = tw_core_inductance_factor(&whole, 1);
        p->inductance_factor_h = at_least_limit(
            (tw_value){core->permeability.value * per_unit, core->permeability.u * per_unit}, CORE_LIMIT);
    }
    if (tw_is_known(p->inductance_factor_h) && tw_is_known(p->turns)) {
        p->core_inductance_h = product(1, p->inductance_factor_h, 1, p->turns, 2);
    }
}

static void resolve_wire(const tw_rig_current_pickup *pickup, tw_study__pickup *p) {
    const tw_rig_core *core = &pickup->core;
    const tw_rig_wire *wire = &pickup->wire;
    p->wire_diameter_m = wire->diameter_m;
    if (!tw_is_known(p->wire_diameter_m) && tw_is_known(wire->gauge)) {
        p->wire_diameter_m = tw_exactly(tw_wire_gauge_diameter(wire->gauge.value));
    }
    p->wire_length_m = wire->length_m;
    p->wire_resistance_ohm = tw_unknown();
    if (!tw_is_known(p->wire_diameter_m)) {
        return;
    }
    if (!tw_is_known(p->wire_length_m) && tw_is_known(p->ring_area_m2) && tw_is_known(p->turns)) {
        p->wire_length_m =
            tw_exactly(p->turns.value * tw_core_ring_turn(core->outer_diameter_m.value, core->inner_diameter_m.value,
                                                          core->height_m.value, p->wire_diameter_m.value));
    }
    if (tw_is_known(p->wire_length_m)) {
        const double ohm = tw_wire_resistance(p->wire_diameter_m.value, p->wire_length_m.value);
        p->wire_resistance_ohm = at_least_limit(tw_exactly(ohm), WIRE_LIMIT);
    }
}

/* The transformer of the same transfer: one turn, burden = sensitivity, L_m/R = 1/(2 pi low corner). */
static void resolve_rogowski(const tw_rig_current_pickup *pickup, tw_study__pickup *p) {
    const tw_rig_integrator *integrator = &pickup->integrator;
    p->sensitivity_v_per_a = pickup->sensitivity_v_per_a;
    if (!tw_is_known(p->sensitivity_v_per_a) && tw_is_known(pickup->mutual_inductance_h) &&
        tw_is_known(integrator->time_constant_s)) {
        p->sensitivity_v_per_a = product(1, pickup->mutual_inductance_h, 1, integrator->time_constant_s, -1);
    }
    p->turns = tw_exactly(1);
    p->burden_ohm = p->sensitivity_v_per_a;
    p->winding_resistance_ohm = tw_exactly(0);
    p->clamp_onset_v = p->magnetizing_inductance_h = tw_unknown();
    if (tw_is_known(integrator->low_corner_hz) && tw_is_known(p->burden_ohm)) {
        p->magnetizing_inductance_h =
            product(1 / (2 * TW_PI), tw_exactly(p->burden_ohm.value), 1, integrator->low_corner_hz, -1);
    }
}

tw_study__pickup tw_study__resolve_pickup(const tw_rig *rig) {
    const tw_rig_current_pickup *pickup = &rig->current_pickup;
    tw_study__pickup p = {.turns = pickup->turns,
                          .burden_ohm = pickup->burden_ohm,
                          .magnetizing_inductance_h = pickup->magnetizing_inductance_h,
                          .winding_resistance_ohm = pickup->winding_resistance_ohm,
                          .clamp_onset_v = pickup->clamp_onset_v,
                          .sensitivity_v_per_a = tw_unknown()};
    resolve_core(&pickup->core, &p);
    resolve_wire(pickup, &p);
    if (pickup->kind == TW_CURRENT_PICKUP_ROGOWSKI) {
        resolve_rogowski(pickup, &p);
        return p;
    }
    if (!tw_rig_is_given(rig, "pickups.current.magnetizing_inductance")) {
        p.magnetizing_inductance_h = first_known(p.core_inductance_h, p.magnetizing_inductance_h);
    }
    if (!tw_rig_is_given(rig, "pickups.current.winding_resistance")) {
        p.winding_resistance_ohm = first_known(p.wire_resistance_ohm, p.winding_resistance_ohm);
    }
    return p;
}

tw_status tw_study__transformer(tw_ctx *ctx, const tw_rig *rig, tw_transformer *out) {
    const tw_study__pickup p = tw_study__resolve_pickup(rig);
    if (rig->current_pickup.kind == TW_CURRENT_PICKUP_NONE) {
        return TW_STUDY_FAIL_KEY(ctx, TW_NEEDS_OPTION, "pickups.current.kind",
                                 "a current transformer or a Rogowski coil on the coil lead is needed, and the rig has "
                                 "none");
    }
    if (rig->current_pickup.kind == TW_CURRENT_PICKUP_ROGOWSKI && !tw_is_known(p.sensitivity_v_per_a)) {
        return TW_STUDY_FAIL_KEY(ctx, TW_NEEDS_OPTION, "pickups.current.sensitivity",
                                 "not known, but the current channel cannot be scaled without it (mutual_inductance "
                                 "and integrator.time_constant together give it)");
    }
    if (!tw_is_known(p.turns) || !tw_is_known(p.burden_ohm)) {
        return TW_STUDY_FAIL_KEY(ctx, TW_NEEDS_OPTION,
                                 tw_is_known(p.turns) ? "pickups.current.burden" : "pickups.current.turns",
                                 "not known, but the current channel cannot be scaled without it");
    }
    *out = (tw_transformer){.turns = p.turns.value,
                            .burden_ohm = p.burden_ohm.value,
                            .magnetizing_inductance_h =
                                tw_is_known(p.magnetizing_inductance_h) ? p.magnetizing_inductance_h.value : INFINITY,
                            .winding_resistance_ohm =
                                tw_is_known(p.winding_resistance_ohm) ? p.winding_resistance_ohm.value : 0,
                            .clamp_onset_v = p.clamp_onset_v.value};
    return TW_OK;
}

/* Whether two statements of one quantity cannot both be true. */
static bool contradict(tw_value a, tw_value b) {
    if (!tw_is_known(a) || !tw_is_known(b)) {
        return false;
    }
    const double size = fmax(fabs(a.value), fabs(b.value));
    return fabs(a.value - b.value) > fmax(2 * hypot(a.u, b.u), LEAST_CONTRADICTION * size);
}

tw_status tw_study__check_pickup(tw_ctx *ctx, const tw_rig *rig, const tw_study__pickup *p, tw_warnings *warnings) {
    const tw_rig_current_pickup *pickup = &rig->current_pickup;
    if (pickup->kind == TW_CURRENT_PICKUP_ROGOWSKI) {
        const tw_value made = product(1, pickup->mutual_inductance_h, 1, pickup->integrator.time_constant_s, -1);
        if (contradict(pickup->sensitivity_v_per_a, made)) {
            TW_TRY(tw_warn(ctx, warnings, "sensitivity_contradiction",
                           "the stated sensitivity is %.4g mV/A, but mutual inductance over time constant gives %.4g "
                           "mV/A: one of the three is wrong; the stated one is used",
                           pickup->sensitivity_v_per_a.value * 1e3, made.value * 1e3));
        }
        return TW_OK;
    }
    if (tw_rig_is_given(rig, "pickups.current.magnetizing_inductance") &&
        contradict(pickup->magnetizing_inductance_h, p->core_inductance_h)) {
        TW_TRY(tw_warn(ctx, warnings, "magnetizing_contradiction",
                       "the stated magnetizing inductance is %.4g mH, but core and turns give %.4g mH: the turns, the "
                       "core's material or the measurement is wrong; the stated one is used",
                       pickup->magnetizing_inductance_h.value * 1e3, p->core_inductance_h.value * 1e3));
    }
    if (tw_rig_is_given(rig, "pickups.current.winding_resistance") &&
        contradict(pickup->winding_resistance_ohm, p->wire_resistance_ohm)) {
        TW_TRY(tw_warn(ctx, warnings, "winding_contradiction",
                       "the stated winding resistance is %.4g ohm, but %.4g m of that wire have %.4g ohm; the stated "
                       "one is used",
                       pickup->winding_resistance_ohm.value, p->wire_length_m.value, p->wire_resistance_ohm.value));
    }
    if (contradict(pickup->core.effective_area_m2, p->ring_area_m2) ||
        contradict(pickup->core.effective_length_m, p->ring_length_m)) {
        TW_TRY(tw_warn(ctx, warnings, "core_contradiction",
                       "the ring's dimensions give an effective area of %.4g mm2 and length of %.4g mm, which is not "
                       "what is stated; the stated ones are used",
                       p->ring_area_m2.value * 1e6, p->ring_length_m.value * 1e3));
    }
    if (tw_is_known(p->length_m) && tw_is_known(p->area_m2) && tw_is_known(pickup->core.inductance_factor_h)) {
        const tw_core whole = {p->length_m.value, p->area_m2.value};
        const double mu = tw_core_permeability(&whole, pickup->core.inductance_factor_h.value);
        if (contradict(at_least_limit(pickup->core.permeability, CORE_LIMIT), tw_exactly(mu))) {
            TW_TRY(tw_warn(ctx, warnings, "permeability_contradiction",
                           "A_L and the core's size give a permeability of %.4g, but %.4g is stated: an air gap, or "
                           "another material; A_L is used",
                           mu, pickup->core.permeability.value));
        }
    }
    return TW_OK;
}

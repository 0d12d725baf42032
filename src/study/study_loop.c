/* A sense loop beside a flat winding: volts per coil volt, and what the pan does to that.
 *
 * Winding: TURNS spread evenly over the width from inner to outer radius, in one plane, as RINGS filaments (Maxwell's
 * mutual inductance of coaxial circles, coil room). Loop: one filament, coaxial, z beside that plane, z > 0 on the side
 * away from the pan. In air u/v_coil = M(z)/L, both computed: ferrite under the coil raises both alike as long as the
 * loop lies over it; under the ferrite a loop sees much less (not modelled).
 *
 * With pan the coil's impedance is R_1 + j w L_1 (1 - rho): rho, complex, is what the pan reflects. The pan is taken as
 * a mirror whose image of the winding lies at that distance d where an image without loss would reflect as much as the
 * rig's pan does at most (k^2, or |rho| for an equivalent load). The loop's share of the reflection is then rho
 * M_image(d + z)/M_image(d), and u/v_coil = j w [M(z)/L - rho m(d + z)/m(d)] L_1 / Z. Checks: a loop that lies in the
 * winding's plane and covers it evenly gives 1/N times 1 with and without pan. Good to some ten percent: a plane pan
 * larger than the coil, no ferrite. Derivation: docs/theory-pickups.md. */
#include "study_pickup_internal.h"

#include "tankwright/coil.h"

#include <complex.h>
#include <math.h>

#define RINGS 48
/* Of the real power; below this the mirror tells nothing. */
#define NOTABLE_LOOP_POWER 0.02
/* Half the thickness of a loop's wire; it enters a logarithm. */
#define WIRE_RADIUS_M 0.5e-3

typedef struct winding {
    double radius_m[RINGS];
    double turns;
    double inductance_h; /* in air */
} winding;

/* Winding to loop at axial distance z. */
static double to_loop(const winding *w, double loop_radius_m, double loop_turns, double z_m) {
    double sum = 0;
    for (int k = 0; k < RINGS; k++) {
        sum += tw_mutual_loops(w->radius_m[k], loop_radius_m, z_m);
    }
    return sum * w->turns / RINGS * loop_turns;
}

/* Winding to its own image, over the inductance in air: falls from 1 to 0 with the distance. */
static double to_image(const winding *w, double distance_m) {
    double sum = 0;
    for (int j = 0; j < RINGS; j++) {
        for (int k = 0; k < RINGS; k++) {
            sum += tw_mutual_loops(w->radius_m[j], w->radius_m[k], distance_m);
        }
    }
    return sum * w->turns * w->turns / (RINGS * RINGS) / w->inductance_h;
}

/* The distance whose image reflects `share`; from a filament's spacing on, nearer ones cannot be told apart. */
static double image_distance(const winding *w, double share) {
    double near = (w->radius_m[1] - w->radius_m[0]) / 2, far = 20 * w->radius_m[RINGS - 1];
    for (int k = 0; k < 40; k++) {
        const double between = sqrt(near * far);
        *(to_image(w, between) > share ? &near : &far) = between;
    }
    return sqrt(near * far);
}

static bool make_winding(tw_ctx *ctx, const tw_rig_coil *coil, winding *w) {
    const double inner_m = coil->inner_diameter_m.value / 2, outer_m = coil->outer_diameter_m.value / 2;
    if (!(inner_m < outer_m) || !tw_is_known(coil->turns)) { /* false where one is unknown */
        return false;
    }
    w->turns = coil->turns.value;
    for (int k = 0; k < RINGS; k++) {
        w->radius_m[k] = inner_m + (outer_m - inner_m) * (k + 0.5) / RINGS;
    }
    const tw_winding disc = tw_winding_section(inner_m, outer_m, 0, w->turns);
    if (tw_winding_inductance(ctx, &disc, &w->inductance_h, NULL) != TW_OK) {
        tw_ctx_clear_error(ctx);
        return false;
    }
    return true;
}

static void add_pan(const tw_rig *rig, const winding *w, const tw_load *load, double frequency_hz, double loop_radius_m,
                    double loop_turns, double z_m, tw_study__loop *out) {
    const double omega = 2 * TW_PI * frequency_hz, coil_h = rig->coil.inductance_h.value;
    double re, im;
    tw_load_impedance(load, omega, &re, &im);
    const double complex z = re + I * im;
    const double complex rho = 1 - (z - rig->coil.resistance_ohm.value) / (I * omega * coil_h);
    double complex share = out->gain_air;
    if (rig->pan.kind != TW_PAN_NONE && cabs(rho) > 1e-6) {
        const double k2 =
            rig->pan.kind == TW_PAN_COUPLED ? rig->pan.coupling.value * rig->pan.coupling.value : cabs(rho);
        out->mirror_m = image_distance(w, fmin(k2, 0.999));
        const double at_loop =
            to_loop(w, loop_radius_m, loop_turns, fmax(out->mirror_m + z_m, (w->radius_m[1] - w->radius_m[0]) / 2)) /
            w->inductance_h;
        share -= rho * at_loop / to_image(w, out->mirror_m);
    }
    const double complex ratio = I * omega * coil_h * share / z;
    out->gain = cabs(ratio);
    out->phase_lead_rad = carg(ratio);
}

bool tw_study__loop_by_geometry(tw_ctx *ctx, const tw_rig *rig, const tw_load *load, double frequency_hz,
                                tw_study__loop *out) {
    const tw_rig_voltage_pickup *pickup = &rig->voltage_pickup;
    winding w;
    if (!tw_is_known(pickup->diameter_m) || !make_winding(ctx, &rig->coil, &w)) {
        return false;
    }
    const double radius_m = pickup->diameter_m.value / 2;
    const double turns = tw_is_known(pickup->turns) ? pickup->turns.value : 1;
    const double spacing_m = (w.radius_m[1] - w.radius_m[0]) / 2;
    double z_m = tw_is_known(pickup->distance_m) ? pickup->distance_m.value : 0;
    if (fabs(z_m) < spacing_m) { /* on a filament the sum would be infinite; the field is smooth on this scale */
        z_m = spacing_m;
    }
    *out = (tw_study__loop){.gain_air = to_loop(&w, radius_m, turns, z_m) / w.inductance_h,
                            .gain = (double)NAN,
                            .phase_lead_rad = (double)NAN,
                            .mirror_m = INFINITY,
                            .inductance_h =
                                turns * turns * tw_loop_inductance(radius_m, fmin(WIRE_RADIUS_M, radius_m / 10), true)};
    if (load != NULL && tw_is_known(rig->coil.inductance_h) && tw_is_known(rig->coil.resistance_ohm)) {
        add_pan(rig, &w, load, frequency_hz, radius_m, turns, z_m, out);
    }
    return true;
}

tw_status tw_study__plan_loop(tw_study__pickup_work *w) {
    tw_pickup_plan *plan = w->plan;
    const tw_rig_voltage_pickup *pickup = &w->rig->voltage_pickup;
    const tw_rig_channel *channel = &w->rig->recorder.voltage;
    const tw_study__flow *f = &w->flow;
    tw_study__loop loop;
    const bool shaped =
        tw_study__loop_by_geometry(w->ctx, w->rig, f->known ? &w->stage.load : NULL, f->frequency_hz, &loop);
    tw_value gain = pickup->gain;
    if (shaped) {
        const double deg = 180 / TW_PI;
        tw_study__add_pickup(plan, "loop_gain_without_pan", "by geometry, without pan", "", TW_PICKUP_LOOP,
                             tw_exactly(loop.gain_air));
        tw_study__add_pickup(plan, "loop_gain_with_pan", "by geometry, with the pan", "", TW_PICKUP_LOOP,
                             tw_exactly(loop.gain));
        tw_study__add_pickup(plan, "loop_phase_error", "with the pan it leads the coil by", "deg", TW_PICKUP_LOOP,
                             tw_exactly(loop.phase_lead_rad * deg));
        tw_study__add_pickup(plan, "loop_inductance", "loop's own inductance", "H", TW_PICKUP_LOOP,
                             tw_exactly(loop.inductance_h));
        const double c =
            tw_study__probe(channel->probe_capacitance_f, channel, TW_STUDY_PLAIN_F, TW_STUDY_DIVIDING_F).value;
        const double r =
            tw_study__probe(channel->probe_resistance_ohm, channel, TW_STUDY_PLAIN_OHM, TW_STUDY_DIVIDING_OHM).value;
        const double omega = 2 * TW_PI * f->frequency_hz;
        const double complex loaded = 1 / (1 + I * omega * loop.inductance_h * (1 / r + I * omega * c));
        tw_study__add_pickup(plan, "loop_loading", "the probe changes it by", "", TW_PICKUP_LOOP,
                             tw_exactly(cabs(loaded) - 1));
        tw_study__add_pickup(plan, "loop_resonance", "resonance with the probe", "Hz", TW_PICKUP_LOOP,
                             c > 0 ? tw_exactly(1 / (2 * TW_PI * sqrt(loop.inductance_h * c))) : tw_unknown());
        if (!tw_is_known(gain)) {
            gain = tw_exactly(f->known && isfinite(loop.gain) ? loop.gain : loop.gain_air);
        } else if (isfinite(loop.gain) && fabs(log(gain.value / loop.gain)) > log(2)) {
            TW_TRY(tw_warn(w->ctx, &plan->warnings, "loop_gain_contradiction",
                           "the stated loop gain is 1/%.3g, but the geometry gives about 1/%.3g: check turns, probe "
                           "factor and where the loop lies",
                           1 / gain.value, 1 / loop.gain));
        }
        const double power = tw_power_error(0, -loop.phase_lead_rad, f->lag_rad);
        if (fabs(power) > NOTABLE_LOOP_POWER) {
            TW_TRY(tw_warn(w->ctx, &plan->warnings, "loop_phase",
                           "the pan counts for the loop otherwise than for the coil: its voltage is %.2g deg early, "
                           "worth %+.2g %% of the real power (by the mirror estimate); lay it flat against the winding "
                           "and try three quarters of the winding's diameter",
                           loop.phase_lead_rad * deg, 100 * power));
        }
    } else if (!tw_is_known(gain)) {
        TW_TRY(
            tw_warn(w->ctx, &plan->warnings, "loop_needs_geometry",
                    "what the loop will give is not known; state pickups.voltage.diameter (and turns, distance) with "
                    "coil.turns, coil.inner_diameter and coil.outer_diameter, or pickups.voltage.gain"));
    }
    tw_study__add_pickup(plan, "loop_gain", tw_is_known(pickup->gain) ? "loop gain, as stated" : "loop gain to expect",
                         "V/V", TW_PICKUP_LOOP, gain);
    const double turns = tw_is_known(pickup->turns) ? pickup->turns.value : 1;
    tw_study__add_pickup(plan, "loop_voltage_rms", "loop volts to expect, rms", "V", TW_PICKUP_LOOP,
                         tw_study__times(gain, f->coil_rms_v));
    tw_study__add_pickup(plan, "loop_voltage_peak", "loop volts to expect, peak", "V", TW_PICKUP_LOOP,
                         tw_study__times(gain, f->coil_peak_v));
    tw_study__add_pickup(plan, "loop_voltage_per_turn", "per turn of the loop, rms", "V", TW_PICKUP_LOOP,
                         tw_study__times(gain, f->coil_rms_v / turns));
    if (tw_is_known(w->rig->coil.turns)) {
        tw_study__add_pickup(plan, "coil_voltage_per_turn", "per turn of the coil, rms", "V", TW_PICKUP_LOOP,
                             tw_exactly(f->coil_rms_v / w->rig->coil.turns.value));
    }
    return TW_OK;
}

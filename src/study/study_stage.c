/* From the rig to what the rooms need: the stage for the engine, the priors for the reconstruction.
 *
 * The operating point. One rail serves forecast and rehearse, so that a rehearsed record, analysed, can be laid beside
 * the forecast: recorder.rail_voltage (the rail at the moment of a short record) where the rig gives it, else the
 * supply: its voltage with dc, the crest sqrt(2) x rms with mains. */
#include "study_internal.h"

#include <math.h>

tw_value tw_study__record_rail(const tw_rig *rig) {
    if (tw_is_known(rig->recorder.rail_voltage_v) || tw_rig_is_given(rig, "recorder.rail_voltage")) {
        return rig->recorder.rail_voltage_v; /* "unknown" in so many words stays unknown */
    }
    return rig->supply.kind == TW_SUPPLY_DC ? rig->supply.voltage_v : tw_unknown();
}

typedef struct need {
    const char *key;
    tw_value value;
    double *out;
} need;

static tw_status take(tw_ctx *ctx, const need *needs, size_t n) {
    for (size_t k = 0; k < n; k++) {
        if (!tw_is_known(needs[k].value)) {
            return TW_STUDY_FAIL_KEY(ctx, TW_NEEDS_OPTION, needs[k].key,
                                     "not known, but needed for this: give it in the rig or with --set");
        }
        *needs[k].out = needs[k].value.value;
    }
    return TW_OK;
}

static tw_status take_rail(tw_ctx *ctx, const tw_rig *rig, double *out) {
    const need supply = {"supply.voltage", rig->supply.voltage_v, out};
    if (tw_is_known(rig->recorder.rail_voltage_v)) {
        *out = rig->recorder.rail_voltage_v.value;
        return TW_OK;
    }
    TW_TRY(take(ctx, &supply, 1));
    if (rig->supply.kind == TW_SUPPLY_MAINS) {
        *out *= sqrt(2.0);
    }
    return TW_OK;
}

tw_status tw_study_stage(tw_ctx *ctx, const tw_rig *rig, tw_half_bridge *out) {
    tw_study__load_notes notes;
    return tw_study__stage(ctx, rig, out, &notes);
}

tw_status tw_study__stage(tw_ctx *ctx, const tw_rig *rig, tw_half_bridge *out, tw_study__load_notes *notes) {
    TW_TRY(tw_rig_check(ctx, rig));
    tw_half_bridge stage = {.split = rig->tank.split};
    const tw_rig_bridge *bridge = &rig->bridge;
    const need needs[] = {
        {"bridge.frequency", bridge->frequency_hz, &stage.frequency_hz},
        {"bridge.dead_time", bridge->dead_time_s, &stage.dead_time_s},
        {"bridge.snubber_capacitance", bridge->snubber_capacitance_f, &stage.snubber_capacitance_f},
        {"bridge.transistor.threshold", bridge->transistor.threshold_v, &stage.transistor.threshold_v},
        {"bridge.transistor.slope", bridge->transistor.slope_ohm, &stage.transistor.slope_ohm},
        {"bridge.diode.threshold", bridge->diode.threshold_v, &stage.diode.threshold_v},
        {"bridge.diode.slope", bridge->diode.slope_ohm, &stage.diode.slope_ohm},
        {"tank.capacitance", rig->tank.capacitance_f, &stage.capacitance_f},
        {"tank.esr", rig->tank.esr_ohm, &stage.esr_ohm}};
    TW_TRY(take(ctx, needs, sizeof needs / sizeof needs[0]));
    TW_TRY(take_rail(ctx, rig, &stage.rail_v));
    TW_TRY(tw_study__take_load(ctx, rig, &stage, notes));
    TW_TRY(tw_half_bridge_check(ctx, &stage));
    *out = stage;
    return TW_OK;
}

/* A value is a prior only where the user wrote it: a default would pull the fit towards an invented number. */
static tw_value given(const tw_rig *rig, const char *key, tw_value value) {
    return tw_rig_is_given(rig, key) ? value : tw_unknown();
}

tw_prior tw_study__prior(const tw_rig *rig) {
    const tw_study__pickup pickup = tw_study__resolve_pickup(rig);
    return (tw_prior){
        .turns = pickup.turns,
        .burden_ohm = pickup.burden_ohm,
        .magnetizing_inductance_h = pickup.magnetizing_inductance_h,
        .winding_resistance_ohm = pickup.winding_resistance_ohm,
        .clamp_onset_v = pickup.clamp_onset_v.value,
        .loop_gain = rig->voltage_pickup.gain,
        .rail_v = tw_study__record_rail(rig),
        .capacitance_f = given(rig, "tank.capacitance", rig->tank.capacitance_f),
        .esr_ohm = rig->tank.esr_ohm,
        .skew_s = rig->recorder.skew_s,
        .transistor_threshold_v = rig->bridge.transistor.threshold_v,
        .transistor_slope_ohm = rig->bridge.transistor.slope_ohm,
        .diode_threshold_v = rig->bridge.diode.threshold_v,
        .diode_slope_ohm = rig->bridge.diode.slope_ohm,
        .midpoint_capacitance_f =
            tw_study__times(given(rig, "bridge.snubber_capacitance", rig->bridge.snubber_capacitance_f), 2.0),
    };
}

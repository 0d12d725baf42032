/* The numbers of a rig that shape its operating point: what an uncertainty moves and what a map may sweep. */
#include "study_internal.h"

#include <math.h>
#include <string.h>

#define AT(field) offsetof(tw_rig, field)
#define IN(field) offsetof(tw_study__recipe, field)

static const tw_study__knob KNOBS[] = {
    {"supply.voltage", "supply voltage", AT(supply.voltage_v), IN(supply_v)},
    {"recorder.rail_voltage", "rail voltage", AT(recorder.rail_voltage_v), IN(stage.rail_v)},
    {"bridge.frequency", "switching frequency", AT(bridge.frequency_hz), IN(stage.frequency_hz)},
    {"bridge.dead_time", "dead time", AT(bridge.dead_time_s), IN(stage.dead_time_s)},
    {"bridge.snubber_capacitance", "snubber capacitance per switch", AT(bridge.snubber_capacitance_f),
     IN(stage.snubber_capacitance_f)},
    {"bridge.transistor.threshold", "transistor threshold", AT(bridge.transistor.threshold_v),
     IN(stage.transistor.threshold_v)},
    {"bridge.transistor.slope", "transistor slope", AT(bridge.transistor.slope_ohm), IN(stage.transistor.slope_ohm)},
    {"bridge.diode.threshold", "diode threshold", AT(bridge.diode.threshold_v), IN(stage.diode.threshold_v)},
    {"bridge.diode.slope", "diode slope", AT(bridge.diode.slope_ohm), IN(stage.diode.slope_ohm)},
    {"tank.capacitance", "tank capacitance", AT(tank.capacitance_f), IN(stage.capacitance_f)},
    {"tank.esr", "tank ESR", AT(tank.esr_ohm), IN(stage.esr_ohm)},
    {"coil.inductance", "coil inductance", AT(coil.inductance_h), IN(coil_h)},
    {"coil.resistance", "coil resistance", AT(coil.resistance_ohm), IN(coil_ohm)},
    {"pan.coupling", "coupling", AT(pan.coupling), IN(coupling)},
    {"pan.resistance", "pan resistance", AT(pan.resistance_ohm), IN(pan_ohm)},
    {"pan.inductance", "inductance with pan", AT(pan.inductance_h), IN(pan_h)},
    {"pan.gap", "gap", AT(pan.gap_m), IN(gap_m)}};

const tw_study__knob *tw_study__knob_at(size_t index) {
    return index < sizeof KNOBS / sizeof KNOBS[0] ? &KNOBS[index] : NULL;
}

const tw_study__knob *tw_study__find_knob(const char *key) {
    for (size_t k = 0; k < sizeof KNOBS / sizeof KNOBS[0]; k++) {
        if (strcmp(KNOBS[k].key, key) == 0) {
            return &KNOBS[k];
        }
    }
    return NULL;
}

tw_status tw_study__recipe_make(tw_ctx *ctx, const tw_rig *rig, tw_study__recipe *out) {
    tw_study__recipe r = {.pan = rig->pan.kind,
                          .supply_v = rig->supply.voltage_v.value,
                          .coil_h = rig->coil.inductance_h.value,
                          .coil_ohm = rig->coil.resistance_ohm.value,
                          .coupling = rig->pan.coupling.value,
                          .pan_ohm = rig->pan.resistance_ohm.value,
                          .pan_h = rig->pan.inductance_h.value};
    tw_study__load_notes notes;
    TW_TRY(tw_study__stage(ctx, rig, &r.stage, &notes));
    r.coil_h = r.field_coil_h = notes.coil_h;
    r.coil_ohm = r.field_coil_ohm = notes.coil_ohm;
    if (!tw_is_known(rig->recorder.rail_voltage_v)) {
        r.rail_per_supply = rig->supply.kind == TW_SUPPLY_MAINS ? sqrt(2.0) : 1.0;
    }
    *out = r;
    return TW_OK;
}

void tw_study__recipe_set(tw_study__recipe *recipe, const tw_study__knob *knob, double value) {
    memcpy((char *)recipe + knob->recipe, &value, sizeof value);
}

/* Another inductance means other turns in the same place: every impedance of the field goes with it. */
static void scale_field_load(const tw_study__recipe *recipe, tw_load *load) {
    const double scale = recipe->coil_h / recipe->field_coil_h;
    load->inductance_h *= scale;
    load->resistance_ohm = recipe->coil_ohm + (load->resistance_ohm - recipe->field_coil_ohm) * scale;
    for (size_t k = 0; k < load->n_branches; k++) {
        load->branches[k].inductance_h *= scale;
        load->branches[k].resistance_ohm *= scale;
    }
}

tw_half_bridge tw_study__recipe_stage(const tw_study__recipe *recipe) {
    tw_half_bridge stage = recipe->stage;
    if (recipe->rail_per_supply > 0.0) {
        stage.rail_v = recipe->supply_v * recipe->rail_per_supply;
    }
    if (recipe->pan == TW_PAN_COUPLED) {
        stage.load = tw_load_coupled(recipe->coil_h, recipe->coil_ohm, recipe->coupling, recipe->pan_ohm);
    } else if (recipe->pan == TW_PAN_EQUIVALENT) {
        stage.load.inductance_h = recipe->pan_h;
        stage.load.resistance_ohm = recipe->pan_ohm;
    } else if (recipe->pan == TW_PAN_FIELD) {
        scale_field_load(recipe, &stage.load);
    } else {
        stage.load.inductance_h = recipe->coil_h;
        stage.load.resistance_ohm = recipe->coil_ohm;
    }
    return stage;
}

tw_status tw_study__warn_rail(tw_ctx *ctx, const tw_rig *rig, double rail_v, tw_warnings *list) {
    if (rig->supply.kind != TW_SUPPLY_MAINS || tw_is_known(rig->recorder.rail_voltage_v)) {
        return TW_OK;
    }
    return tw_warn(ctx, list, "rail_at_crest",
                   "the rail is taken constant at the crest of the mains, %.0f V: between crests and under load it is "
                   "lower; recorder.rail_voltage sets another",
                   rail_v);
}

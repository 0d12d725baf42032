/* Relations between keys, and what a purpose needs. */
#include "rig_private.h"

#include <math.h>
#include <string.h>

static tw_status refuse(tw_ctx *ctx, const char *key, const char *format, ...) TW_PRINTF(3, 4);
static tw_status refuse(tw_ctx *ctx, const char *key, const char *format, ...) {
    char message[400];
    va_list args;
    va_start(args, format);
    (void)vsnprintf(message, sizeof message, format, args);
    va_end(args);
    const tw_place place = {.key = key};
    return tw_fail_at(ctx, TW_OUT_OF_RANGE, "rig", &place, "%s", message);
}

static tw_status check_timing(tw_ctx *ctx, const tw_rig_bridge *bridge) {
    if (!tw_is_known(bridge->frequency_hz) || !tw_is_known(bridge->dead_time_s)) {
        return TW_OK;
    }
    const double half_period_s = 0.5 / bridge->frequency_hz.value;
    if (bridge->dead_time_s.value < half_period_s) {
        return TW_OK;
    }
    char found[TW_QUANTITY_TEXT], limit[TW_QUANTITY_TEXT];
    const tw_quantity dead_time = tw_quantity_of(tw_exactly(bridge->dead_time_s.value), TW_UNIT_SECOND);
    (void)tw_quantity_format(&dead_time, found);
    (void)tw_value_format(tw_exactly(half_period_s), TW_UNIT_SECOND, 4, limit);
    return refuse(ctx, "bridge.dead_time", "found %s; expected less than half the switching period, %s", found, limit);
}

static tw_status check_pan(tw_ctx *ctx, const tw_rig_pan *pan) {
    if (pan->kind == TW_PAN_EQUIVALENT && tw_is_known(pan->coupling)) {
        return refuse(ctx, "pan.coupling", "belongs to pan.kind coupled, but the kind is equivalent");
    }
    if (pan->kind == TW_PAN_COUPLED && tw_is_known(pan->inductance_h)) {
        return refuse(ctx, "pan.inductance", "belongs to pan.kind equivalent, but the kind is coupled");
    }
    if (pan->kind == TW_PAN_FIELD) {
        const tw_value forbidden[] = {pan->coupling, pan->resistance_ohm, pan->inductance_h};
        static const char *const NAMES[] = {"pan.coupling", "pan.resistance", "pan.inductance"};
        for (size_t k = 0; k < 3; k++) {
            if (tw_is_known(forbidden[k])) {
                return refuse(ctx, NAMES[k], "does not go with pan.kind field, which computes it; leave it out");
            }
        }
    }
    return TW_OK;
}

static bool says_anything(const tw_rig_layer *layer) {
    return layer->metal != 0 || tw_is_known(layer->thickness_m) || tw_is_known(layer->conductivity_s_m) ||
           tw_is_known(layer->permeability);
}

size_t tw_rig_layer_count(const tw_rig *rig) {
    size_t n = 0;
    while (n < TW_RIG_LAYERS && says_anything(&rig->pan.layers[n])) {
        n++;
    }
    return n;
}

/* A layer behind one that is missing was counted wrong. */
static tw_status check_layers(tw_ctx *ctx, const tw_rig *rig) {
    const size_t n = tw_rig_layer_count(rig);
    for (size_t k = n + 1; k < TW_RIG_LAYERS; k++) {
        if (!says_anything(&rig->pan.layers[k])) {
            continue;
        }
        char prefix[32];
        const int length = snprintf(prefix, sizeof prefix, "pan.layers.%zu.", k + 1);
        for (size_t i = 0; i < tw_rig__count(); i++) {
            const char *name = tw_rig__row(i)->name;
            if (tw_rig__given(rig, i) && strncmp(name, prefix, (size_t)length) == 0) {
                return refuse(ctx, name, "layer %zu without a layer %zu; they are counted from 1 at the coil", k + 1,
                              n + 1);
            }
        }
    }
    return TW_OK;
}

/* Turns that do not fit, strands that fill more than their bundle. */
static tw_status check_winding(tw_ctx *ctx, const tw_rig_coil *c) {
    const double wire = c->wire_diameter_m.value;
    if (tw_is_known(c->pitch_m) && tw_is_known(c->outer_diameter_m)) {
        return refuse(ctx, "coil.pitch", "together with coil.outer_diameter; give one of them, the other follows");
    }
    if (tw_is_known(c->wire_diameter_m) && tw_is_known(c->pitch_m) && c->pitch_m.value < wire) {
        return refuse(ctx, "coil.pitch", "found %.4g mm; the turns overlap, the wire is %.4g mm thick",
                      c->pitch_m.value * 1e3, wire * 1e3);
    }
    if (tw_is_known(c->wire_diameter_m) && tw_is_known(c->turns) && tw_is_known(c->inner_diameter_m) &&
        tw_is_known(c->outer_diameter_m)) {
        const double width = 0.5 * (c->outer_diameter_m.value - c->inner_diameter_m.value);
        const double height = tw_is_known(c->height_m) ? c->height_m.value : wire;
        if (c->turns.value * wire * wire > width * fmax(height, wire) * (1.0 + 1e-9)) {
            return refuse(
                ctx, "coil.wire_diameter",
                "found %.4g mm; the turns overlap: %.6g turns do not fit into a section of %.4g mm by %.4g mm",
                wire * 1e3, c->turns.value, width * 1e3, height * 1e3);
        }
    }
    if (tw_is_known(c->wire_diameter_m) && tw_is_known(c->strands.count) && tw_is_known(c->strands.diameter_m)) {
        const double share = c->strands.count.value * pow(c->strands.diameter_m.value / wire, 2.0);
        if (share > 1.0) {
            return refuse(ctx, "coil.strands.count",
                          "found %.6g; as many strands of %.4g mm have %.3g times the section of a wire of %.4g mm",
                          c->strands.count.value, c->strands.diameter_m.value * 1e3, share, wire * 1e3);
        }
    }
    return TW_OK;
}

/* Keys of a pick-up without its kind: the person forgot the line, not the pick-up. */
static tw_status check_kinds_given(tw_ctx *ctx, const tw_rig *rig) {
    static const struct {
        const char *kind, *hint;
    } KINDS[] = {{"pan.kind", "equivalent, coupled or field"},
                 {"pickups.current.kind", "transformer or rogowski"},
                 {"pickups.voltage.kind", "loop"}};
    for (size_t k = 0; k < sizeof KINDS / sizeof KINDS[0]; k++) {
        const size_t section = (size_t)(strrchr(KINDS[k].kind, '.') - KINDS[k].kind) + 1;
        if (tw_rig_is_given(rig, KINDS[k].kind)) {
            continue;
        }
        for (size_t i = 0; i < tw_rig__count(); i++) {
            const char *name = tw_rig__row(i)->name;
            if (strncmp(name, KINDS[k].kind, section) == 0 && tw_rig__given(rig, i) && !tw_rig__applies(rig, i)) {
                return refuse(ctx, name, "has no effect without %s: %s", KINDS[k].kind, KINDS[k].hint);
            }
        }
    }
    return TW_OK;
}

/* What is hollow must have its hole inside. */
static tw_status check_hollow(tw_ctx *ctx, const char *key, tw_value inner, tw_value outer, const char *outer_key) {
    if (!tw_is_known(inner) || !tw_is_known(outer) || inner.value < outer.value) {
        return TW_OK;
    }
    return refuse(ctx, key, "found %.4g mm; expected less than %s, %.4g mm", inner.value * 1e3, outer_key,
                  outer.value * 1e3);
}

tw_status tw_rig_check(tw_ctx *ctx, const tw_rig *rig) {
    if (rig->bridge.arrangement == TW_RIG_ARRANGEMENT_FULL) {
        return refuse(ctx, "bridge.arrangement", "found full; this version models the half bridge only");
    }
    TW_TRY(check_timing(ctx, &rig->bridge));
    TW_TRY(check_pan(ctx, &rig->pan));
    TW_TRY(check_kinds_given(ctx, rig));
    TW_TRY(check_hollow(ctx, "pickups.current.core.inner_diameter", rig->current_pickup.core.inner_diameter_m,
                        rig->current_pickup.core.outer_diameter_m, "pickups.current.core.outer_diameter"));
    TW_TRY(check_hollow(ctx, "coil.inner_diameter", rig->coil.inner_diameter_m, rig->coil.outer_diameter_m,
                        "coil.outer_diameter"));
    TW_TRY(check_layers(ctx, rig));
    TW_TRY(check_winding(ctx, &rig->coil));
    if (rig->current_pickup.kind != TW_CURRENT_PICKUP_NONE && rig->voltage_pickup.kind != TW_VOLTAGE_PICKUP_NONE &&
        rig->recorder.current.channel == rig->recorder.voltage.channel && rig->recorder.current.channel != 0) {
        return refuse(ctx, "recorder.channels.voltage", "found channel %zu, which the current pick-up has already",
                      rig->recorder.voltage.channel);
    }
    return TW_OK;
}

tw_status tw_rig_require(tw_ctx *ctx, const tw_rig *rig, const char *file, const char *purpose, const char *const *keys,
                         size_t n_keys) {
    for (size_t k = 0; k < n_keys; k++) {
        const size_t i = tw_rig__find(keys[k]);
        if (i == SIZE_MAX) {
            return tw_fail(ctx, TW_INTERNAL, "rig", "%s asks for the key %s, which does not exist", purpose, keys[k]);
        }
        if (tw_rig__row(i)->type != TW_RIG_KEY_QUANTITY || tw_is_known(tw_rig__value(rig, i))) {
            continue;
        }
        const tw_place place = {.file = file, .key = keys[k]};
        return tw_fail_at(ctx, TW_BAD_DATA, "rig", &place, "%s needs %s here, such as %s; it is %s", purpose,
                          tw_unit_quantity(tw_rig__row(i)->unit), tw_unit_example(tw_rig__row(i)->unit),
                          tw_rig__given(rig, i) ? "unknown" : "missing");
    }
    return TW_OK;
}

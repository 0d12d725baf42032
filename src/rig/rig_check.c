/* Relations between keys, and what a purpose needs. */
#include "rig_private.h"

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
    if (pan->kind == TW_PAN_FIELD) {
        return refuse(ctx, "pan.kind", "found field; this version has no field model, use coupled or equivalent");
    }
    if (pan->kind == TW_PAN_EQUIVALENT && tw_is_known(pan->coupling)) {
        return refuse(ctx, "pan.coupling", "belongs to pan.kind coupled, but the kind is equivalent");
    }
    if (pan->kind == TW_PAN_COUPLED && tw_is_known(pan->inductance_h)) {
        return refuse(ctx, "pan.inductance", "belongs to pan.kind equivalent, but the kind is coupled");
    }
    return TW_OK;
}

/* Keys of a pick-up without its kind: the person forgot the line, not the pick-up. */
static tw_status check_kinds_given(tw_ctx *ctx, const tw_rig *rig) {
    static const struct {
        const char *kind, *hint;
    } KINDS[] = {{"pan.kind", "equivalent or coupled"},
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
    if (rig->bridge.arrangement == TW_ARRANGEMENT_FULL) {
        return refuse(ctx, "bridge.arrangement", "found full; this version models the half bridge only");
    }
    TW_TRY(check_timing(ctx, &rig->bridge));
    TW_TRY(check_pan(ctx, &rig->pan));
    TW_TRY(check_kinds_given(ctx, rig));
    TW_TRY(check_hollow(ctx, "pickups.current.core.inner_diameter", rig->current_pickup.core.inner_diameter_m,
                        rig->current_pickup.core.outer_diameter_m, "pickups.current.core.outer_diameter"));
    TW_TRY(check_hollow(ctx, "coil.inner_diameter", rig->coil.inner_diameter_m, rig->coil.outer_diameter_m,
                        "coil.outer_diameter"));
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

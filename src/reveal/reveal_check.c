/* The door of the room: nothing that is not a number, and no impossible belief, gets further. */
#include <math.h>
#include <string.h>

#include "reveal_internal.h"

static const char ROOM[] = "reveal";

/* What a belief may be, beyond a positive finite number. */
enum { MAY_BE_UNKNOWN = 1, MAY_BE_ZERO = 2, MAY_BE_NEGATIVE = 4, MAY_BE_INFINITE = 8 };

typedef struct belief {
    const char *name;
    tw_value value;
    int may;
} belief;

static tw_status check_belief(tw_ctx *ctx, const belief *b) {
    const double v = b->value.value;
    if (isnan(v)) {
        return (b->may & MAY_BE_UNKNOWN) != 0 ? TW_OK
                                              : tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "the %s must be known", b->name);
    }
    if ((isinf(v) && !(v > 0 && (b->may & MAY_BE_INFINITE) != 0)) || (v == 0 && (b->may & MAY_BE_ZERO) == 0) ||
        (v < 0 && (b->may & MAY_BE_NEGATIVE) == 0)) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "the %s cannot be %g", b->name, v);
    }
    if (!(b->value.u >= 0) || isinf(b->value.u)) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "the %s cannot have a standard uncertainty of %g", b->name,
                       b->value.u);
    }
    return TW_OK;
}

static tw_status check_beliefs(tw_ctx *ctx, const tw_prior *p) {
    const belief beliefs[] = {
        {"current transformer's turns", p->turns, 0},
        {"current transformer's burden", p->burden_ohm, 0},
        {"magnetizing inductance", p->magnetizing_inductance_h, MAY_BE_UNKNOWN | MAY_BE_INFINITE},
        {"winding resistance", p->winding_resistance_ohm, MAY_BE_UNKNOWN | MAY_BE_ZERO},
        {"loop gain", p->loop_gain, MAY_BE_UNKNOWN | MAY_BE_NEGATIVE},
        {"rail voltage", p->rail_v, MAY_BE_UNKNOWN},
        {"tank capacitance", p->capacitance_f, MAY_BE_UNKNOWN},
        {"capacitor's series resistance", p->esr_ohm, MAY_BE_UNKNOWN | MAY_BE_ZERO},
        {"channel skew", p->skew_s, MAY_BE_UNKNOWN | MAY_BE_ZERO | MAY_BE_NEGATIVE},
        {"transistor threshold", p->transistor_threshold_v, MAY_BE_UNKNOWN | MAY_BE_ZERO},
        {"transistor slope", p->transistor_slope_ohm, MAY_BE_UNKNOWN | MAY_BE_ZERO},
        {"diode threshold", p->diode_threshold_v, MAY_BE_UNKNOWN | MAY_BE_ZERO},
        {"diode slope", p->diode_slope_ohm, MAY_BE_UNKNOWN | MAY_BE_ZERO},
        {"midpoint capacitance", p->midpoint_capacitance_f, MAY_BE_UNKNOWN | MAY_BE_ZERO},
    };
    for (size_t k = 0; k < sizeof beliefs / sizeof beliefs[0]; k++) {
        TW_TRY(check_belief(ctx, &beliefs[k]));
    }
    if (p->clamp_onset_v <= 0) { /* false for NaN: no clamp */
        return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "the clamp cannot begin to conduct at %g V", p->clamp_onset_v);
    }
    if (!tw_is_known(p->rail_v) && !tw_is_known(p->capacitance_f) && !tw_is_known(p->loop_gain)) {
        return tw_fail(ctx, TW_NEEDS_OPTION, ROOM,
                       "one of rail voltage, tank capacitance and loop gain must be known to set the scale of volts");
    }
    return TW_OK;
}

/* Longest gap between the channels' time columns, and largest skew, that can be meant: the edges of the record where
 * one channel is missing grow with it. */
static tw_status check_leads(tw_ctx *ctx, const tw_record *r, const tw_prior *p) {
    const double most = 0.25 * (double)r->samples * r->interval_s;
    if (!(fabs(r->voltage_offset_s) < most)) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "the channels' time offset of %g s does not fit a record of %g s",
                       r->voltage_offset_s, 4.0 * most);
    }
    if (tw_is_known(p->skew_s) && !(fabs(p->skew_s.value) < most)) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "the channel skew of %g s does not fit a record of %g s",
                       p->skew_s.value, 4.0 * most);
    }
    return TW_OK;
}

tw_status tw_reveal__check(tw_ctx *ctx, const tw_record *r, const tw_prior *prior) {
    if (r->samples < 32) {
        return tw_fail(ctx, TW_BAD_DATA, ROOM, "only %zu samples; at least 32 are needed", r->samples);
    }
    if (r->current_v == NULL || r->voltage_v == NULL) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "the %s channel's samples are missing",
                       r->current_v == NULL ? "current" : "voltage");
    }
    if (!(r->interval_s > 0) || !isfinite((double)r->samples * r->interval_s)) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "the sample interval must be positive, found %g s", r->interval_s);
    }
    if (!isfinite(r->start_s)) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "the record's start time cannot be %g s", r->start_s);
    }
    TW_TRY(check_beliefs(ctx, prior));
    return check_leads(ctx, r, prior);
}

static tw_value known_or_zero(tw_value v) {
    return tw_is_known(v) ? v : tw_exactly(0.0);
}

tw_prior tw_reveal__complete(const tw_prior *prior) {
    tw_prior p = *prior;
    p.transistor_threshold_v = known_or_zero(p.transistor_threshold_v);
    p.transistor_slope_ohm = known_or_zero(p.transistor_slope_ohm);
    p.diode_threshold_v = known_or_zero(p.diode_threshold_v);
    p.diode_slope_ohm = known_or_zero(p.diode_slope_ohm);
    p.winding_resistance_ohm = known_or_zero(p.winding_resistance_ohm);
    if (!tw_is_known(p.magnetizing_inductance_h)) {
        p.magnetizing_inductance_h = tw_exactly(INFINITY);
    }
    p.loop_gain.value = fabs(p.loop_gain.value); /* its sign says how the loop lies; the record shows that too */
    return p;
}

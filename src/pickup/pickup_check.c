/* What the room refuses before it computes. */
#include "pickup_private.h"

#include <math.h>

tw_status tw_pickup__refuse(tw_ctx *ctx, const char *key, double value, const char *wanted) {
    const tw_place place = {.key = key};
    return tw_fail_at(ctx, TW_BAD_ARGUMENT, TW_PICKUP_ROOM, &place, "found %g, expected %s", value, wanted);
}

tw_status tw_pickup__check_transformer(tw_ctx *ctx, const tw_transformer *ct) {
    if (!(isfinite(ct->turns) && ct->turns > 0)) {
        return tw_pickup__refuse(ctx, "turns", ct->turns, "a positive number of turns");
    }
    if (!(isfinite(ct->burden_ohm) && ct->burden_ohm > 0)) {
        return tw_pickup__refuse(ctx, "burden", ct->burden_ohm, "a positive resistance in ohms");
    }
    if (!(ct->magnetizing_inductance_h > 0)) { /* infinity is allowed, NaN is not */
        return tw_pickup__refuse(ctx, "magnetizing_inductance", ct->magnetizing_inductance_h,
                                 "a positive inductance in henries");
    }
    if (!(isfinite(ct->winding_resistance_ohm) && ct->winding_resistance_ohm >= 0)) {
        return tw_pickup__refuse(ctx, "winding_resistance", ct->winding_resistance_ohm,
                                 "a resistance of zero or more ohms");
    }
    if (!isnan(ct->clamp_onset_v) && !(isfinite(ct->clamp_onset_v) && ct->clamp_onset_v > 0)) {
        return tw_pickup__refuse(ctx, "clamp_onset", ct->clamp_onset_v, "a positive voltage, or NaN for no clamp");
    }
    return TW_OK;
}

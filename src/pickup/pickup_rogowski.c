/* The Rogowski coil with its integrator, as the transformer that has the same transfer.
 *
 * The coil gives e = M di/dt. An integrator with time constant T and a leak that ends its work at w_0 obeys
 *     dv/dt + w_0 v = e/T,   so   v/i = (M/T) jw/(jw + w_0) = S jx/(1 + jx),   x = w/w_0.
 * The transformer's transfer is (R_b/N) jx/(1 + jx) with x = w L_m/R: N = 1, R_b = S, R_w = 0, L_m = S/w_0. */
#include "pickup_private.h"

#include <math.h>

static tw_transformer equivalent(const tw_rogowski *r) {
    return (tw_transformer){.turns = 1,
                            .burden_ohm = r->sensitivity_v_per_a,
                            .magnetizing_inductance_h = r->sensitivity_v_per_a / (2 * TW_PI * r->low_corner_hz),
                            .winding_resistance_ohm = 0,
                            .clamp_onset_v = (double)NAN};
}

tw_status tw_rogowski_as_transformer(tw_ctx *ctx, const tw_rogowski *r, tw_transformer *out) {
    if (r == NULL) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, TW_PICKUP_ROOM, "Rogowski coil missing");
    }
    if (!(isfinite(r->sensitivity_v_per_a) && r->sensitivity_v_per_a > 0)) {
        return tw_pickup__refuse(ctx, "sensitivity", r->sensitivity_v_per_a, "a positive number of volts per ampere");
    }
    if (!(isfinite(r->low_corner_hz) && r->low_corner_hz >= 0)) {
        return tw_pickup__refuse(ctx, "low_corner", r->low_corner_hz, "a frequency of zero or more hertz");
    }
    const tw_transformer made = equivalent(r);
    TW_TRY(tw_pickup__check_transformer(ctx, &made)); /* what underflows */
    *out = made;
    return TW_OK;
}

void tw_rogowski_transfer(const tw_rogowski *r, double w_rad_s, double *re, double *im) {
    const tw_transformer t = equivalent(r);
    tw_transformer_transfer(&t, w_rad_s, re, im);
}

tw_status tw_rogowski_forward(tw_ctx *ctx, const tw_rogowski *r, double period_s, const double *i, size_t n,
                              double *v) {
    tw_transformer t;
    TW_TRY(tw_rogowski_as_transformer(ctx, r, &t));
    return tw_transformer_forward(ctx, &t, period_s, i, n, v);
}

tw_status tw_rogowski_inverse(tw_ctx *ctx, const tw_rogowski *r, double interval_s, const double *v, size_t n,
                              size_t mean_from, size_t mean_to, double *i) {
    tw_transformer t;
    TW_TRY(tw_rogowski_as_transformer(ctx, r, &t));
    return tw_transformer_inverse(ctx, &t, interval_s, v, n, mean_from, mean_to, i);
}

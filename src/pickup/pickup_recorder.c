/* The recorder: noise, clipping, rounding to codes; and a round range to set on it.
 *
 * A stored sample is low + code (high - low)/(2^bits - 1), the code being the nearest one (halves upwards). Only
 * single IEEE operations and floor are used, in a fixed order, so that a seed gives the same bytes everywhere. */
#include "pickup_private.h"

#include <math.h>

static tw_status check_store(tw_ctx *ctx, const tw_recorder_channel *channel, const double *v, size_t n,
                             const double *out) {
    if (channel == NULL || (n > 0 && (v == NULL || out == NULL))) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, TW_PICKUP_ROOM, "channel or samples missing");
    }
    if (channel->bits < 8 || channel->bits > 16) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, TW_PICKUP_ROOM, "bits: found %d, expected 8 to 16", channel->bits);
    }
    const double span_v = channel->range_high_v - channel->range_low_v;
    if (!(isfinite(65535 * span_v) && span_v > 0)) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, TW_PICKUP_ROOM,
                       "range_low_v, range_high_v: found %g to %g, expected two voltages, the lower first",
                       channel->range_low_v, channel->range_high_v);
    }
    if (!(isfinite(channel->noise_rms_v) && channel->noise_rms_v >= 0)) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, TW_PICKUP_ROOM, "noise_rms_v: found %g, expected zero or more volts",
                       channel->noise_rms_v);
    }
    for (size_t k = 0; k < n; k++) {
        if (!isfinite(v[k])) {
            return tw_fail(ctx, TW_BAD_DATA, TW_PICKUP_ROOM, "v: sample %zu is no number", k);
        }
    }
    return TW_OK;
}

uint64_t tw_recorder_channel_seed(uint64_t seed, size_t channel_index) {
    tw_pickup_stream stream;
    tw_pickup__stream_start(&stream, seed);
    const uint64_t mixed = tw_pickup__stream_next(&stream);
    tw_pickup__stream_start(&stream, mixed ^ (uint64_t)channel_index);
    return tw_pickup__stream_next(&stream);
}

tw_status tw_recorder_store(tw_ctx *ctx, const tw_recorder_channel *channel, uint64_t seed, const double *v, size_t n,
                            double *out, int32_t *codes, size_t *clipped) {
    TW_TRY(check_store(ctx, channel, v, n, out));
    const double low_v = channel->range_low_v, span_v = channel->range_high_v - low_v;
    const double last = (double)((1 << channel->bits) - 1);
    tw_pickup_stream stream;
    tw_pickup__stream_start(&stream, seed);
    size_t outside = 0;
    for (size_t k = 0; k < n; k++) {
        double noisy_v = v[k];
        if (channel->noise_rms_v > 0) {
            const double noise_v = channel->noise_rms_v * tw_pickup__stream_normal(&stream);
            noisy_v += noise_v;
        }
        outside += noisy_v < low_v || noisy_v > channel->range_high_v;
        const double position = (noisy_v - low_v) * last / span_v;
        const double code = fmin(fmax(floor(position + 0.5), 0), last);
        const double above_v = code * span_v / last;
        out[k] = low_v + above_v;
        if (codes != NULL) {
            codes[k] = (int32_t)code;
        }
    }
    if (clipped != NULL) {
        *clipped = outside;
    }
    return TW_OK;
}

double tw_recorder_suggest_range(double peak_v, double headroom) {
    const double wanted_v = 2 * peak_v * (1 + headroom) * (1 - 1e-12); /* a span that fits exactly is not doubled */
    if (!(peak_v > 0 && headroom >= 0 && wanted_v >= 1e-12 && wanted_v <= 1e12)) {
        return NAN;
    }
    double up = 1, down = 1; /* 10^k as a quotient of exact powers, so that 0.05 V is the double 0.05 */
    while (up * 10 <= wanted_v) {
        up *= 10;
    }
    while (up / down > wanted_v) {
        down *= 10;
    }
    static const double STEPS[] = {1, 2, 5};
    for (size_t k = 0; k < 3; k++) {
        if (STEPS[k] * up / down >= wanted_v) {
            return STEPS[k] * up / down;
        }
    }
    return 10 * up / down;
}

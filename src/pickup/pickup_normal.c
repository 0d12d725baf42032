/* Normal deviates that are the same bits everywhere.
 *
 * The uniform source is xoshiro256** (Blackman and Vigna, ACM TOMS 47 (2021) 36), filled by splitmix64 from the seed.
 * The normal law is C. F. F. Karney's exact rejection (ACM TOMS 42 (2016) 3, algorithm N): integers are compared and
 * nothing else, so neither the mathematics library nor the rounding of an exp or log takes part. Results are
 * +-(k + x) with an integer k and x on a grid of 2^-53. (Both from memory of the papers; the tests check moments and
 * tail frequencies against the normal law.)
 *
 *     k >= 0 with probability proportional to exp(-k/2), kept with exp(-k(k-1)/2): together exp(-k^2/2);
 *     x uniform in [0,1), kept with exp(-x(2k+x)/2): together exp(-(k+x)^2/2); then a random sign.
 *
 * exp(-p) is drawn by von Neumann's comparison of runs: a falling run whose n-th link holds with probability p^n/n!
 * ends at an even length with probability 1 - p + p^2/2! - ... = exp(-p). */
#include "pickup_private.h"

static uint64_t rotate_left(uint64_t x, int k) {
    return (x << k) | (x >> (64 - k));
}

void tw_pickup__stream_start(tw_pickup_stream *stream, uint64_t seed) {
    for (int k = 0; k < 4; k++) {
        uint64_t z = (seed += UINT64_C(0x9e3779b97f4a7c15));
        z = (z ^ (z >> 30)) * UINT64_C(0xbf58476d1ce4e5b9);
        z = (z ^ (z >> 27)) * UINT64_C(0x94d049bb133111eb);
        stream->s[k] = z ^ (z >> 31);
    }
}

uint64_t tw_pickup__stream_next(tw_pickup_stream *stream) {
    uint64_t *s = stream->s;
    const uint64_t result = rotate_left(s[1] * 5, 7) * 9;
    const uint64_t shifted = s[1] << 17;
    s[2] ^= s[0];
    s[3] ^= s[1];
    s[1] ^= s[2];
    s[0] ^= s[3];
    s[2] ^= shifted;
    s[3] = rotate_left(s[3], 45);
    return result;
}

/* True with probability exp(-1/2): the first link of the run is below one half. */
static bool half_exponential(tw_pickup_stream *stream) {
    uint64_t last = UINT64_C(1) << 63;
    bool even = true;
    for (;;) {
        const uint64_t next = tw_pickup__stream_next(stream);
        if (next >= last) {
            return even;
        }
        last = next;
        even = !even;
    }
}

/* An integer below m (m < 2^16), from the high half of one draw; uneven by less than m/2^32. */
static uint64_t below(tw_pickup_stream *stream, uint64_t m) {
    return ((tw_pickup__stream_next(stream) >> 32) * m) >> 32;
}

/* True with probability (2k + x)/(2k + 2), x in units of 2^-64. */
static bool link_holds(tw_pickup_stream *stream, uint64_t k, uint64_t x) {
    const uint64_t j = below(stream, 2 * k + 2);
    return j < 2 * k || (j == 2 * k && tw_pickup__stream_next(stream) < x);
}

/* True with probability exp(-x (2k + x)/(2k + 2)). */
static bool keep_fraction(tw_pickup_stream *stream, uint64_t k, uint64_t x) {
    uint64_t last = x;
    bool even = true;
    for (;;) {
        const uint64_t next = tw_pickup__stream_next(stream);
        if (next >= last || !link_holds(stream, k, x)) {
            return even;
        }
        last = next;
        even = !even;
    }
}

static bool keep_integer(tw_pickup_stream *stream, uint64_t k) {
    for (uint64_t left = k > 1 ? k * (k - 1) : 0; left > 0; left--) {
        if (!half_exponential(stream)) {
            return false;
        }
    }
    return true;
}

double tw_pickup__stream_normal(tw_pickup_stream *stream) {
    for (;;) {
        uint64_t k = 0;
        while (half_exponential(stream)) {
            k++;
        }
        if (!keep_integer(stream, k)) {
            continue;
        }
        const uint64_t x = tw_pickup__stream_next(stream) & ~UINT64_C(0x7ff);
        bool kept = true;
        for (uint64_t left = k + 1; kept && left > 0; left--) {
            kept = keep_fraction(stream, k, x);
        }
        if (kept) {
            const double size = (double)k + (double)(x >> 11) / 9007199254740992.0;
            return (tw_pickup__stream_next(stream) >> 63) != 0 ? -size : size;
        }
    }
}

/* Recorder channel: codes, clipping, noise, the same bytes for the same seed, ranges, refused arguments. */
#include "pickup_private.h"
#include "testing.h"

#include <math.h>
#include <string.h>

static int make_context(void **state) {
    *state = tw_ctx_create();
    return *state == NULL;
}

static int drop_context(void **state) {
    tw_ctx_destroy(*state);
    return 0;
}

static void codes_are_the_nearest(void **state) {
    const tw_recorder_channel channel = {8, -0.8, 1.2, 0}; /* codes 2/255 V apart */
    static const double IN[] = {-0.8, 1.2, -0.80001, 1.21, 0.1, -0.797, 7e9, -7e9};
    static const int32_t CODES[] = {0, 255, 0, 255, 115, 0, 255, 0}; /* 0.9*127.5 = 114.75; 0.003*127.5 = 0.38 */
    enum { COUNT = sizeof IN / sizeof IN[0] };
    double out[COUNT];
    int32_t codes[COUNT];
    size_t clipped = 99;
    assert_ok(tw_recorder_store(*state, &channel, 1, IN, COUNT, out, codes, &clipped), *state);
    for (size_t k = 0; k < COUNT; k++) {
        assert_int_equal(codes[k], CODES[k]);
        assert_true(out[k] == -0.8 + (double)codes[k] * 2.0 / 255);
    }
    assert_int_equal(clipped, 4);
    double again[COUNT];
    memcpy(again, IN, sizeof again);
    assert_ok(tw_recorder_store(*state, &channel, 2, again, COUNT, again, NULL, NULL), *state); /* in place */
    assert_memory_equal(again, out, sizeof out); /* without noise the seed does not matter */
}

static void stored_values_store_to_themselves(void **state) {
    tw_random r = {5};
    for (int bits = 8; bits <= 16; bits++) {
        const double low = tw_random_uniform(&r, -30, 1), high = low + tw_random_log_uniform(&r, 1e-3, 400);
        const tw_recorder_channel channel = {bits, low, high, 0};
        for (int k = 0; k < 2000; k++) {
            const double v = tw_random_uniform(&r, low, high), half_code = (high - low) / ((1 << bits) - 1) / 2;
            double once, twice;
            int32_t a, b;
            assert_ok(tw_recorder_store(*state, &channel, 0, &v, 1, &once, &a, NULL), *state);
            assert_close(once, v, 0, half_code * (1 + 1e-9));
            assert_ok(tw_recorder_store(*state, &channel, 0, &once, 1, &twice, &b, NULL), *state);
            assert_true(once == twice && a == b);
        }
    }
}

static void normal_deviates_are_normal(void **state) {
    (void)state;
    enum { COUNT = 1000000 };
    tw_pickup_stream stream;
    tw_pickup__stream_start(&stream, 20240317);
    double sum = 0, square = 0, third = 0, fourth = 0, product = 0, last = 0;
    size_t beyond[5] = {0, 0, 0, 0, 0};
    for (int k = 0; k < COUNT; k++) {
        const double z = tw_pickup__stream_normal(&stream);
        sum += z;
        square += z * z;
        third += z * z * z;
        fourth += z * z * z * z;
        product += z * last;
        last = z;
        for (int s = 0; s < 5; s++) {
            beyond[s] += fabs(z) > 0.5 + s;
        }
    }
    /* Five standard errors each: 1, sqrt 2, sqrt 15, sqrt 96, 1 over sqrt COUNT. */
    assert_close(sum / COUNT, 0, 0, 5e-3);
    assert_close(square / COUNT, 1, 0, 5e-3 * 1.4142);
    assert_close(third / COUNT, 0, 0, 5e-3 * 3.873);
    assert_close(fourth / COUNT, 3, 0, 5e-3 * 9.798);
    assert_close(product / COUNT, 0, 0, 5e-3);
    for (int s = 0; s < 5; s++) {
        const double p = erfc((0.5 + s) / sqrt(2));
        assert_close((double)beyond[s] / COUNT, p, 0, 5 * sqrt(p * (1 - p) / COUNT));
    }
}

static void noise_has_the_stated_size(void **state) {
    enum { COUNT = 200000 };
    static double zero[COUNT], one[COUNT], other[COUNT];
    memset(zero, 0, sizeof zero);
    const tw_recorder_channel channel = {16, -1, 1, 0.0123};
    size_t clipped = 1;
    assert_ok(tw_recorder_store(*state, &channel, tw_recorder_channel_seed(9, 0), zero, COUNT, one, NULL, &clipped),
              *state);
    assert_ok(tw_recorder_store(*state, &channel, tw_recorder_channel_seed(9, 1), zero, COUNT, other, NULL, NULL),
              *state);
    double square = 0, cross = 0;
    for (int k = 0; k < COUNT; k++) {
        square += one[k] * one[k] / COUNT;
        cross += one[k] * other[k] / COUNT;
    }
    assert_close(sqrt(square), 0.0123, 0.01, 0);
    assert_close(cross / square, 0, 0, 5 / sqrt(COUNT)); /* channels are independent */
    assert_int_equal(clipped, 0);
}

static uint64_t hash_bytes(uint64_t hash, const void *data, size_t n) { /* FNV-1a */
    const unsigned char *bytes = data;
    for (size_t k = 0; k < n; k++) {
        hash = (hash ^ bytes[k]) * UINT64_C(0x100000001b3);
    }
    return hash;
}

static void a_seed_gives_the_same_bytes(void **state) {
    enum { COUNT = 5000 };
    static double v[COUNT], out[COUNT];
    static int32_t codes[COUNT];
    for (int k = 0; k < COUNT; k++) {
        v[k] = (double)(k % 377) / 64 - 2.5; /* exact binary fractions: no mathematics library takes part */
    }
    const tw_recorder_channel channel = {12, -2.5, 2.75, 0.0625};
    uint64_t hash = UINT64_C(0xcbf29ce484222325), first = 0;
    for (uint64_t seed = 0; seed < 3; seed++) {
        assert_ok(tw_recorder_store(*state, &channel, seed, v, COUNT, out, codes, NULL), *state);
        uint64_t one = hash_bytes(UINT64_C(0xcbf29ce484222325), codes, sizeof codes);
        assert_true(one != first);
        first = one;
        hash = hash_bytes(hash, codes, sizeof codes);
        hash = hash_bytes(hash, out, sizeof out);
        assert_ok(tw_recorder_store(*state, &channel, seed, v, COUNT, out, codes, NULL), *state);
        assert_true(hash_bytes(UINT64_C(0xcbf29ce484222325), codes, sizeof codes) == one);
    }
    /* Our own bytes of little-endian machines, kept so that they cannot change unnoticed. */
    if (hash != UINT64_C(0xecc52b2fd1c612ac)) {
        fail_msg("stored bytes have changed: 0x%016llx", (unsigned long long)hash);
    }
}

static void ranges_are_one_two_five(void **state) {
    (void)state;
    assert_true(tw_recorder_suggest_range(1, 0) == 2);
    assert_true(tw_recorder_suggest_range(1, 0.1) == 5);
    assert_true(tw_recorder_suggest_range(0.8, 0.25) == 2); /* fits exactly */
    assert_true(tw_recorder_suggest_range(0.024, 0) == 0.05);
    assert_true(tw_recorder_suggest_range(4.9, 0.1) == 20);
    assert_true(tw_recorder_suggest_range(311, 0.1) == 1000);
    assert_true(isnan(tw_recorder_suggest_range(0, 0.1)));
    assert_true(isnan(tw_recorder_suggest_range(NAN, 0.1)));
    assert_true(isnan(tw_recorder_suggest_range(1, -0.1)));
    assert_true(isnan(tw_recorder_suggest_range(INFINITY, 0.1)));
    tw_random r = {8};
    for (int k = 0; k < 5000; k++) {
        const double peak = tw_random_log_uniform(&r, 1e-9, 1e9), room = tw_random_uniform(&r, 0, 0.5);
        const double span = tw_recorder_suggest_range(peak, room), wanted = 2 * peak * (1 + room);
        const double digit = span / pow(10, floor(log10(span) + 1e-9));
        assert_true(span >= wanted * (1 - 1e-11) && span < 2.5 * wanted);
        assert_true(fabs(digit - 1) < 1e-9 || fabs(digit - 2) < 1e-9 || fabs(digit - 5) < 1e-9);
    }
}

static void refuse(tw_ctx *ctx, tw_recorder_channel channel, double v, tw_status want, const char *words) {
    double out = 7;
    int32_t code = 7;
    assert_int_equal(tw_recorder_store(ctx, &channel, 1, &v, 1, &out, &code, NULL), want);
    if (strstr(tw_ctx_error(ctx)->message, words) == NULL) {
        fail_msg("\"%s\" does not say \"%s\"", tw_ctx_error(ctx)->message, words);
    }
    assert_true(out == 7 && code == 7);
    tw_ctx_clear_error(ctx);
}

static void bad_arguments_are_named(void **state) {
    refuse(*state, (tw_recorder_channel){7, -1, 1, 0}, 0, TW_BAD_ARGUMENT, "bits: found 7");
    refuse(*state, (tw_recorder_channel){17, -1, 1, 0}, 0, TW_BAD_ARGUMENT, "bits: found 17");
    refuse(*state, (tw_recorder_channel){8, 1, 1, 0}, 0, TW_BAD_ARGUMENT, "range_low_v, range_high_v");
    refuse(*state, (tw_recorder_channel){8, 1, -1, 0}, 0, TW_BAD_ARGUMENT, "range_low_v, range_high_v");
    refuse(*state, (tw_recorder_channel){8, NAN, 1, 0}, 0, TW_BAD_ARGUMENT, "range_low_v, range_high_v");
    refuse(*state, (tw_recorder_channel){8, -1e308, 1e308, 0}, 0, TW_BAD_ARGUMENT, "range_low_v, range_high_v");
    refuse(*state, (tw_recorder_channel){8, -1, 1, -1}, 0, TW_BAD_ARGUMENT, "noise_rms_v");
    refuse(*state, (tw_recorder_channel){8, -1, 1, INFINITY}, 0, TW_BAD_ARGUMENT, "noise_rms_v");
    refuse(*state, (tw_recorder_channel){8, -1, 1, 0}, NAN, TW_BAD_DATA, "sample 0");
    refuse(*state, (tw_recorder_channel){8, -1, 1, 0}, -INFINITY, TW_BAD_DATA, "sample 0");
    double out;
    assert_int_equal(tw_recorder_store(*state, NULL, 1, &(double){0}, 1, &out, NULL, NULL), TW_BAD_ARGUMENT);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(codes_are_the_nearest, make_context, drop_context),
        cmocka_unit_test_setup_teardown(stored_values_store_to_themselves, make_context, drop_context),
        cmocka_unit_test(normal_deviates_are_normal),
        cmocka_unit_test_setup_teardown(noise_has_the_stated_size, make_context, drop_context),
        cmocka_unit_test_setup_teardown(a_seed_gives_the_same_bytes, make_context, drop_context),
        cmocka_unit_test(ranges_are_one_two_five),
        cmocka_unit_test_setup_teardown(bad_arguments_are_named, make_context, drop_context),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

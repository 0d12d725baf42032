/* COMTRADE records by other hands against their decode by another path (unpacked with the layout of the standard; the
 * numbers below come from there), and the minimal record of our own. */
#include "testing.h"

#include <math.h>
#include <string.h>

#include "../capture_files.h"

static bool read_shared(tw_ctx *ctx, const char *name, tw_capture *c) {
    char path[512], wanted[128];
    (void)snprintf(wanted, sizeof wanted, "comtrade/%s", name);
    const char *found = tw_shared_data(wanted, path, sizeof path);
    if (found == NULL) {
        print_message("%s is not beside the project\n", wanted);
        return false;
    }
    assert_ok(tw_capture_read(ctx, &found, 1, NULL, c), ctx);
    return true;
}

static double sum_of(const tw_capture *c, size_t channel) {
    double sum = 0;
    for (size_t i = 0; i < c->samples; i++) {
        sum += c->channels[channel].values[i];
    }
    return sum;
}

/* Samples of the library Wisp.Comtrade (MIT), sample_ascii: sums of the integers 1067, 1807, -53, 2819, a =
 * 0.1138916015625, b = a / 2. The stamps start at 72500 us; the trigger stands 0.78261 - 0.75011 s behind the start,
 * which is the 39 intervals of 1200 Hz to the last sample. */
static void ascii_and_single_file(void **state) {
    (void)state;
    static const char *const NAMES[] = {"c10-small-sample-2013/sample_ascii.cfg",
                                        "c10-small-sample-2013/sample_ascii.dat",
                                        "c10-small-sample-2013/sample_ascii.cff"};
    static const double SUMS[] = {1067, 1807, -53, 2819};
    static const double FIRST[] = {-9.39605712890625, 7.80157470703125, 0.85418701171875, -0.85418701171875};
    for (size_t k = 0; k < 3; k++) {
        tw_ctx *ctx = tw_ctx_create();
        tw_capture c;
        if (!read_shared(ctx, NAMES[k], &c)) {
            tw_ctx_destroy(ctx);
            skip();
        }
        assert_int_equal(c.samples, 40);
        assert_int_equal(c.n_channels, 4);
        assert_close(c.sample_interval_s, 1.0 / 1200.0, 1e-15, 0);
        assert_close(c.start_time_s, -0.0325, 1e-9, 0);
        assert_string_equal(c.channels[0].name, "IA");
        assert_string_equal(c.channels[3].name, "3I0");
        assert_string_equal(c.channels[0].unit, "A");
        for (size_t i = 0; i < 4; i++) {
            assert_close(c.channels[i].values[0], FIRST[i], 1e-15, 0);
            assert_close(sum_of(&c, i), 0.1138916015625 * SUMS[i] + 40 * 0.05694580078125, 1e-12, 0);
        }
        assert_true(tw_warnings_has(&c.warnings, "logic_channels"));
        assert_true(tw_warnings_has(&c.warnings, "secondary_values"));
        tw_capture_dispose(&c);
        tw_ctx_destroy(ctx);
    }
}

/* sample_bin of the same: every stamp 0, so the rate gives the time; integers -24979, -3905, 27726, 12313 first. */
static void binary_with_useless_stamps(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    tw_capture c;
    if (!read_shared(ctx, "c10-small-sample-2013/sample_bin.cfg", &c)) {
        tw_ctx_destroy(ctx);
        skip();
    }
    static const double FIRST[] = {-24979 * 0.361849, -3905 * 0.365758, 27726 * 0.371569, 12313 * 0.016493};
    assert_int_equal(c.samples, 5);
    assert_close(c.sample_interval_s, 1.0 / 15360.0, 1e-15, 0);
    assert_close(c.start_time_s, -65e-6, 1e-6, 0);
    for (size_t i = 0; i < 4; i++) { /* the file says kV */
        assert_close(c.channels[i].values[0], FIRST[i], 1e-12, 0);
        assert_string_equal(c.channels[i].unit, "V");
    }
    assert_false(tw_warnings_has(&c.warnings, "interval_contradiction"));
    tw_capture_dispose(&c);
    tw_ctx_destroy(ctx);
}

/* Rate 0: stamps 0, 1249 ... 1698295 us in 1360 records; first integers 17, -86, 71, -4 at 0.001953 A. */
static void time_from_the_stamps(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    tw_capture c;
    if (!read_shared(ctx, "c04-1999-24a/3.dat", &c)) {
        tw_ctx_destroy(ctx);
        skip();
    }
    static const double FIRST[] = {17, -86, 71, -4};
    assert_int_equal(c.samples, 1360);
    assert_int_equal(c.n_channels, 24);
    assert_close(c.sample_interval_s, 1698295e-6 / 1359.0, 1e-3, 0);
    assert_close(c.start_time_s, -0.504614, 1e-9, 0);
    for (size_t i = 0; i < 4; i++) {
        assert_close(c.channels[i].values[0], FIRST[i] * 0.001953, 1e-15, 0);
    }
    assert_close(c.channels[0].values[1], 50 * 0.001953, 1e-15, 0);
    assert_string_equal(c.channels[0].name, "F1-IA");
    tw_capture_dispose(&c);
    tw_ctx_destroy(ctx);
}

/* Every stamp is the missing value; 2400 records, 2399 stated. I1 = 2.836798 x 43 - 102.1247 first. */
static void missing_stamps_and_one_record_more(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    tw_capture c;
    if (!read_shared(ctx, "c05-1997-6a/4.CFG", &c)) {
        tw_ctx_destroy(ctx);
        skip();
    }
    assert_int_equal(c.samples, 2399);
    assert_close(c.sample_interval_s, 1.0 / 600.0, 1e-15, 0);
    assert_close(c.channels[0].values[0], 2.836798 * 43 - 102.1247, 1e-13, 0);
    assert_close(c.channels[3].values[2398], 0.3629015 * -148 - 13.06445, 1e-13, 0);
    assert_true(tw_warnings_has(&c.warnings, "samples_beyond_end"));
    tw_capture_dispose(&c);
    tw_ctx_destroy(ctx);
}

/* 32-bit integers; the record numbers start at 0; a trigger of 1970 says nothing about time 0. */
static void binary32(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    tw_capture c;
    if (!read_shared(ctx, "c06-2013-37a/5.dat", &c)) {
        tw_ctx_destroy(ctx);
        skip();
    }
    static const double ID[] = {15, -1625, -1327};
    assert_int_equal(c.samples, 202);
    assert_int_equal(c.n_channels, 37);
    assert_close(c.sample_interval_s, 500e-6, 1e-15, 0);
    assert_close(c.start_time_s, 0, 0, 0);
    for (size_t i = 0; i < 3; i++) {
        assert_close(c.channels[3].values[i], 1e-6 * ID[i], 1e-14, 0);
    }
    assert_close(c.channels[3].values[201], -725e-6, 1e-14, 0);
    tw_capture_dispose(&c);
    tw_ctx_destroy(ctx);
}

/* The smallest record: 2 analogue channels (0.01, 0 and 0.5, -1), 1 status channel, 1000 Hz, 3 samples. */
static void the_minimal_record(void **state) {
    (void)state;
    static const char TEXT[] =
        "--- file type: CFG ---\r\nbench,rig,1999\r\n3,2A,1D\r\n1,loop,,,V,0.01,0,0,-32767,32767,1,1,P\r\n"
        "2,lead,,,A,0.5,-1,0,-32767,32767,1,1,P\r\n1,run,,,0\r\n50\r\n1\r\n1000,3\r\n"
        "17/03/2024,10:20:30.000000\r\n17/03/2024,10:20:30.000000\r\nASCII\r\n1\r\n--- file type: DAT ASCII ---\r\n"
        "1,0,100,2,0\r\n2,1000,-100,4,1\r\n3,2000,0,6,1\r\n";
    static const double LOOP[] = {1.0, -1.0, 0.0}, LEAD[] = {0.0, 1.0, 2.0};
    tw_ctx *ctx = tw_ctx_create();
    tw_capture c;
    assert_ok(tw_capture_read_text(ctx, "minimal.cff", TEXT, sizeof TEXT - 1, NULL, &c), ctx);
    assert_int_equal(c.samples, 3);
    assert_close(c.sample_interval_s, 1e-3, 0, 0);
    for (size_t i = 0; i < 3; i++) {
        assert_close(c.channels[0].values[i], LOOP[i], 0, 0);
        assert_close(c.channels[1].values[i], LEAD[i], 0, 0);
    }
    tw_capture_dispose(&c);
    tw_ctx_destroy(ctx);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(ascii_and_single_file),
        cmocka_unit_test(binary_with_useless_stamps),
        cmocka_unit_test(time_from_the_stamps),
        cmocka_unit_test(missing_stamps_and_one_record_more),
        cmocka_unit_test(binary32),
        cmocka_unit_test(the_minimal_record),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

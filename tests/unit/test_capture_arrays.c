/* NumPy arrays and audio containers made here byte by byte, and what must be refused. */
#include "testing.h"

#include <fcntl.h>
#include <math.h>
#include <string.h>
#include <sys/resource.h>
#include <unistd.h>

#include "../capture_files.h"

static tw_capture_opts with_interval(double s) {
    tw_capture_opts o = tw_capture_opts_default();
    o.sample_interval_s = s;
    return o;
}

static void refuse(tw_ctx *ctx, const tw_text *t, const tw_capture_opts *o, tw_status wanted, const char *words) {
    tw_capture c;
    const tw_status status = tw_capture_read_text(ctx, "array", t->data, t->length, o, &c);
    if (status != wanted || strstr(tw_ctx_error(ctx)->message, words) == NULL) {
        fail_msg("%s: %s: %s", words, tw_status_text(status), tw_ctx_error(ctx)->message);
    }
    assert_null(strchr(tw_ctx_error(ctx)->message, '\n'));
    tw_ctx_clear_error(ctx);
}

/* 2 x 4 numbers as one layout after the other: the same channels come out. */
static void orders_of_an_array(void **state) {
    (void)state;
    static const struct {
        const char *order, *shape;
        bool planar;
    } CASES[] = {
        {"False", "(2, 4)", true}, {"True", "(2, 4)", false}, {"False", "(4, 2)", false}, {"True", "(4, 2)", true}};
    tw_ctx *ctx = tw_ctx_create();
    const tw_capture_opts o = with_interval(4e-8);
    for (size_t k = 0; k < 4; k++) {
        for (int version = 1; version <= 3; version++) {
            tw_text t;
            tw_text_init(ctx, &t, 4096);
            put_numpy_header(&t, version, "'<i2'", CASES[k].order, CASES[k].shape);
            for (unsigned i = 0; i < 8; i++) {
                const unsigned channel = CASES[k].planar ? i / 4 : i % 2, row = CASES[k].planar ? i % 4 : i / 2;
                put_u16(&t, (uint16_t)(channel == 0 ? 17 * row * row : 65536 - 1000 * row));
            }
            tw_capture c;
            assert_ok(tw_capture_read_text(ctx, "array", t.data, t.length, &o, &c), ctx);
            assert_int_equal(c.n_channels, 2);
            assert_int_equal(c.samples, 4);
            assert_close(c.channels[0].values[3], 153, 0, 0);
            assert_close(c.channels[1].values[2], -2000, 0, 0);
            assert_close(c.sample_interval_s, 4e-8, 0, 0);
            tw_capture_dispose(&c);
            tw_text_dispose(&t);
        }
    }
    tw_ctx_destroy(ctx);
}

static void kinds_of_numbers(void **state) {
    (void)state;
    static const struct {
        const char *descr;
        unsigned char bytes[8];
        size_t item;
        double value;
    } CASES[] = {
        {"'<f8'", {0, 0, 0, 0, 0, 0, 0xf8, 0x3f}, 8, 1.5},
        {"'>f8'", {0xc0, 4, 0, 0, 0, 0, 0, 0}, 8, -2.5},
        {"'<f4'", {0, 0, 0x20, 0x41}, 4, 10.0},
        {"'>f4'", {0x41, 0x20, 0, 0}, 4, 10.0},
        {"'|i1'", {0x80}, 1, -128},
        {"'|u1'", {0xff}, 1, 255},
        {"'>i2'", {0xff, 0xfe}, 2, -2},
        {"'<u2'", {0xfe, 0xff}, 2, 65534},
        {"'<i4'", {0, 0, 0, 0x80}, 4, -2147483648.0},
        {"'>u4'", {0xff, 0xff, 0xff, 0xff}, 4, 4294967295.0},
        {"'<i8'", {0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff}, 8, -1},
        {"'<i8'", {0, 0, 0, 0, 0, 0, 0, 0x80}, 8, -9223372036854775808.0},
        {"'>u8'", {0, 0, 0, 0, 0, 0, 1, 0}, 8, 256},
    };
    tw_ctx *ctx = tw_ctx_create();
    const tw_capture_opts o = with_interval(1e-6);
    for (size_t k = 0; k < sizeof CASES / sizeof CASES[0]; k++) {
        tw_text t;
        tw_text_init(ctx, &t, 4096);
        put_numpy_header(&t, 1, CASES[k].descr, "False", "(2,)");
        static const char ZERO[8] = {0};
        tw_text_append(&t, ZERO, CASES[k].item);
        for (size_t i = 0; i < CASES[k].item; i++) {
            const char byte = (char)CASES[k].bytes[i];
            tw_text_append(&t, &byte, 1);
        }
        tw_capture c;
        assert_ok(tw_capture_read_text(ctx, "array", t.data, t.length, &o, &c), ctx);
        assert_close(c.channels[0].values[0], 0, 0, 0);
        assert_close(c.channels[0].values[1], CASES[k].value, 0, 0);
        tw_capture_dispose(&c);
        tw_text_dispose(&t);
    }
    tw_ctx_destroy(ctx);
}

/* A burst of not-a-number stays where it is; the first column is time. */
static void time_in_the_first_column(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    tw_text t;
    tw_text_init(ctx, &t, 1 << 16);
    put_numpy_header(&t, 1, "'<f8'", "False", "(100, 2)");
    for (unsigned i = 0; i < 100; i++) {
        const double row[2] = {-2e-6 + 4e-8 * i, i >= 40 && i < 60 ? (double)NAN : 0.25 * (i % 7)};
        tw_text_append(&t, (const char *)row, sizeof row);
    }
    tw_capture c;
    assert_ok(tw_capture_read_text(ctx, "array", t.data, t.length, NULL, &c), ctx);
    assert_int_equal(c.n_channels, 1);
    assert_close(c.sample_interval_s, 4e-8, 1e-9, 0);
    assert_close(c.start_time_s, -2e-6, 1e-9, 0);
    assert_int_equal(c.channels[0].finite, 80);
    assert_true(isnan(c.channels[0].values[40]) && isnan(c.channels[0].values[59]));
    assert_close(c.channels[0].values[60], 1.0, 0, 0);
    tw_capture_dispose(&c);
    tw_text_dispose(&t);
    tw_ctx_destroy(ctx);
}

static void arrays_that_are_refused(void **state) {
    (void)state;
    static const struct {
        const char *descr, *order, *shape, *words;
    } CASES[] = {
        {"'|O'", "False", "(3,)", "objects"},
        {"'<c16'", "False", "(3,)", "complex"},
        {"'|b1'", "False", "(3,)", "logic levels"},
        {"'<U4'", "False", "(3,)", "not real numbers"},
        {"'<f2'", "False", "(3,)", "size that is not read"},
        {"[('t', '<f8')]", "False", "(3,)", "named fields"},
        {"'<f8'", "False", "(1000000, 3)", "announces"},
        {"'<f8'", "False", "(18446744073709551615, 2)", "too large"},
        {"'<f8'", "False", "(1844674407370955161, 11)", "announces"},
        {"'<f8'", "False", "(2, 2, 2)", "more than two"},
        {"'<f8'", "False", "()", "single number"},
        {"'<f8'", "False", "(1,)", "two samples"},
        {"'<f8'", "False", "(0,)", "two samples"},
        {"'<f8'", "False", "(-3,)", "whole number"},
        {"'<f8'", "Perhaps", "(3,)", "dictionary"},
    };
    tw_ctx *ctx = tw_ctx_create();
    const tw_capture_opts o = with_interval(1e-6);
    for (size_t k = 0; k < sizeof CASES / sizeof CASES[0]; k++) {
        tw_text t;
        tw_text_init(ctx, &t, 4096);
        put_numpy_header(&t, 1, CASES[k].descr, CASES[k].order, CASES[k].shape);
        for (unsigned i = 0; i < 24; i++) {
            put_u32(&t, i);
        }
        refuse(ctx, &t, &o, TW_BAD_DATA, CASES[k].words);
        tw_text_dispose(&t);
    }
    tw_text t;
    tw_text_init(ctx, &t, 4096);
    put_numpy_header(&t, 1, "'<f8'", "False", "(3,)");
    for (unsigned i = 0; i < 6; i++) {
        put_u32(&t, 0x40000000U + 977 * i);
    }
    refuse(ctx, &t, NULL, TW_NEEDS_OPTION, "--sample-interval");
    tw_text_cut(&t, 40);
    refuse(ctx, &t, NULL, TW_BAD_DATA, "header");
    tw_text_cut(&t, 7);
    refuse(ctx, &t, NULL, TW_BAD_DATA, "header");
    tw_text_dispose(&t);
    tw_ctx_destroy(ctx);
}

/* RIFF with 16-bit samples; `announced` is what its data part says. */
static void put_wav(tw_text *t, uint32_t rate, unsigned channels, unsigned frames, uint32_t announced) {
    tw_text_add(t, "RIFF");
    put_u32(t, 36 + announced);
    tw_text_add(t, "WAVEfmt ");
    put_u32(t, 16);
    put_u16(t, 1);
    put_u16(t, (uint16_t)channels);
    put_u32(t, rate);
    put_u32(t, rate * channels * 2);
    put_u16(t, (uint16_t)(channels * 2));
    put_u16(t, 16);
    tw_text_add(t, "data");
    put_u32(t, announced);
    for (unsigned i = 0; i < frames * channels; i++) {
        put_u16(t, (uint16_t)(321 * i));
    }
}

static void a_wav_file(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    tw_text t;
    tw_text_init(ctx, &t, 1 << 16);
    put_wav(&t, 192000, 2, 50, 200);
    static const char *const UNITS[] = {"mV", "V"};
    tw_capture_opts o = tw_capture_opts_default();
    o.units = UNITS;
    o.n_units = 2;
    tw_capture c;
    assert_ok(tw_capture_read_text(ctx, "a.wav", t.data, t.length, &o, &c), ctx);
    assert_int_equal(c.samples, 50);
    assert_int_equal(c.n_channels, 2);
    assert_close(c.sample_interval_s, 1.0 / 192000.0, 1e-15, 0);
    assert_close(c.channels[1].values[4], 321 * 9 / 32768.0, 1e-15, 0);
    assert_close(c.channels[0].values[4], 321 * 8 / 32768.0 / 1000.0, 1e-15, 0);
    assert_string_equal(c.channels[0].unit, "V");
    assert_true(tw_warnings_has(&c.warnings, "full_scale"));
    assert_false(tw_warnings_has(&c.warnings, "wrong_header"));
    tw_capture_dispose(&c);
    tw_text_dispose(&t);
    tw_ctx_destroy(ctx);
}

/* Headers that announce 2 GB, or 0 bytes as a stream's header does, or a single frame: what is there is counted. */
static void headers_that_lie(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    tw_text t;
    tw_capture c;
    tw_text_init(ctx, &t, 1 << 16);
    put_wav(&t, 96000, 2, 50, 0x7ffffff0U);
    struct rusage before, after;
    assert_int_equal(getrusage(RUSAGE_SELF, &before), 0);
    assert_ok(tw_capture_read_text(ctx, "a.wav", t.data, t.length, NULL, &c), ctx);
    assert_int_equal(getrusage(RUSAGE_SELF, &after), 0);
    assert_true(after.ru_maxrss - before.ru_maxrss < 64 << 10); /* KiB */
    assert_int_equal(c.samples, 50);
    assert_true(tw_warnings_has(&c.warnings, "wrong_header"));
    tw_capture_dispose(&c);
    tw_text_cut(&t, 0);
    put_wav(&t, 96000, 1, 1, 2);
    refuse(ctx, &t, NULL, TW_BAD_DATA, "two at least");
    tw_text_cut(&t, 0);
    put_wav(&t, 96000, 1, 0, 0);
    refuse(ctx, &t, NULL, TW_BAD_DATA, "");
    tw_text_cut(&t, 30);
    refuse(ctx, &t, NULL, TW_BAD_DATA, "");
    tw_text_dispose(&t);
    tw_ctx_destroy(ctx);
}

/* A hole of 4 GB behind a head: refused in one line, no memory taken. */
static void sparse_files(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    tw_text heads[4];
    for (size_t k = 0; k < 4; k++) {
        tw_text_init(ctx, &heads[k], 4096);
    }
    tw_text_add(&heads[0], "Time (s),Loop (V)\n0,1\n1e-6,2\n2e-6,3\n");
    put_numpy_header(&heads[1], 1, "'|i1'", "False", "(4290000000,)");
    put_wav(&heads[2], 48000, 1, 0, 0xffffff00U);
    tw_text_add(&heads[3], "");
    for (size_t k = 0; k < 4; k++) {
        capture_folder f = capture_folder_make();
        const char *path = capture_folder_put(ctx, &f, "sparse.bin", tw_text_string(&heads[k]), heads[k].length);
        if (truncate(path, (off_t)4290000128) != 0) {
            capture_folder_drop(&f);
            skip();
        }
        const tw_capture_opts o = with_interval(1e-6);
        struct rusage usage;
        tw_capture c;
        const tw_status status = tw_capture_read(ctx, &path, 1, &o, &c);
        assert_true(status == TW_BAD_DATA || status == TW_TOO_LARGE);
        assert_true(tw_ctx_error(ctx)->message[0] != '\0' && strchr(tw_ctx_error(ctx)->message, '\n') == NULL);
        assert_int_equal(getrusage(RUSAGE_SELF, &usage), 0);
        assert_true(usage.ru_maxrss < 1 << 20); /* KiB */
        tw_ctx_clear_error(ctx);
        capture_folder_drop(&f);
        tw_text_dispose(&heads[k]);
    }
    tw_ctx_destroy(ctx);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(orders_of_an_array),
        cmocka_unit_test(kinds_of_numbers),
        cmocka_unit_test(time_in_the_first_column),
        cmocka_unit_test(arrays_that_are_refused),
        cmocka_unit_test(a_wav_file),
        cmocka_unit_test(headers_that_lie),
        cmocka_unit_test(sparse_files),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

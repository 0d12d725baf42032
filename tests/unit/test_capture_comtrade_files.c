/* COMTRADE records made here: pairs of files, gaps, rates, missing values, and what must be refused. */
#include "testing.h"

#include <math.h>
#include <string.h>

#include "../capture_files.h"

/* n records of BINARY data with one status word; sample numbers from `numbers` (NULL: 1, 2 ...). */
static void put_records(tw_text *t, size_t n, const uint32_t *numbers, const uint16_t *loop) {
    for (size_t i = 0; i < n; i++) {
        put_u32(t, numbers != NULL ? numbers[i] : (uint32_t)i + 1);
        put_u32(t, (uint32_t)(1000 * i));
        put_u16(t, loop != NULL ? loop[i] : (uint16_t)(37 * i));
        put_u16(t, (uint16_t)(i % 3));
        put_u16(t, 1);
    }
}

typedef struct pair {
    tw_text cfg, data;
} pair;

static pair make_pair(tw_ctx *ctx, const char *kind, const char *rates, const char *year) {
    pair p;
    tw_text_init(ctx, &p.cfg, 1 << 16);
    tw_text_init(ctx, &p.data, 1 << 16);
    put_comtrade_cfg(&p.cfg, kind, rates, 1, year);
    return p;
}

static tw_status read_pair(tw_ctx *ctx, pair *p, const tw_capture_opts *opts, tw_capture *c) {
    capture_folder f = capture_folder_make();
    const char *path = capture_folder_put(ctx, &f, "rec.CFG", p->cfg.data, p->cfg.length);
    (void)capture_folder_put(ctx, &f, "rec.dat", tw_text_string(&p->data), p->data.length);
    const tw_status status = tw_capture_read(ctx, &path, 1, opts, c);
    capture_folder_drop(&f);
    tw_text_dispose(&p->cfg);
    tw_text_dispose(&p->data);
    return status;
}

static void expect_refusal(tw_ctx *ctx, pair *p, tw_status wanted, const char *words) {
    tw_capture c;
    const tw_status status = read_pair(ctx, p, NULL, &c);
    if (status != wanted || strstr(tw_ctx_error(ctx)->message, words) == NULL) {
        fail_msg("%s: %s: %s", words, tw_status_text(status), tw_ctx_error(ctx)->message);
    }
    assert_null(strchr(tw_ctx_error(ctx)->message, '\n'));
    tw_ctx_clear_error(ctx);
}

static void either_file_any_case_or_both(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    pair p = make_pair(ctx, "binary", "1\r\n1000,5", "2013");
    put_records(&p.data, 5, NULL, NULL);
    capture_folder f = capture_folder_make();
    const char *paths[3] = {capture_folder_put(ctx, &f, "Rec.CFG", p.cfg.data, p.cfg.length),
                            capture_folder_put(ctx, &f, "rec.Dat", p.data.data, p.data.length),
                            capture_folder_put(ctx, &f, "rec.hdr", "words\n", 6)};
    for (size_t k = 0; k < 4; k++) {
        tw_capture c;
        assert_ok(tw_capture_read(ctx, k < 2 ? &paths[k] : paths, k == 0 || k == 1 ? 1 : k, NULL, &c), ctx);
        assert_int_equal(c.samples, 5);
        assert_int_equal(c.n_channels, 2);
        assert_close(c.channels[0].values[3], 1.11e-3, 1e-15, 0); /* 0.01 x 111 mV */
        assert_close(c.channels[1].values[2], 0.0, 0, 0);
        assert_close(c.channels[1].offset_s, 2.5e-6, 1e-12, 0);
        assert_close(c.start_time_s, -0.0015, 0, 2e-11);
        tw_capture_dispose(&c);
    }
    capture_folder_drop(&f);
    tw_text_dispose(&p.cfg);
    tw_text_dispose(&p.data);
    tw_ctx_destroy(ctx);
}

static void missing_values_and_missing_samples_are_left_open(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    static const uint32_t NUMBERS[] = {1, 2, 3, 6, 7, 8};
    static const uint16_t LOOP[] = {100, 0x8000, 65436, 4, 5, 6};
    pair p = make_pair(ctx, "BINARY", "1\r\n1000,8", "1999");
    put_records(&p.data, 6, NUMBERS, LOOP);
    tw_capture c;
    assert_ok(read_pair(ctx, &p, NULL, &c), ctx);
    assert_int_equal(c.samples, 8);
    assert_true(isnan(c.channels[0].values[1]));
    assert_close(c.channels[0].values[2], -1e-3, 1e-15, 0);
    assert_true(isnan(c.channels[0].values[3]) && isnan(c.channels[0].values[4]));
    assert_close(c.channels[0].values[5], 4e-5, 1e-15, 0);
    assert_int_equal(c.channels[0].finite, 5);
    assert_true(tw_warnings_has(&c.warnings, "missing_rows"));
    tw_capture_dispose(&c);

    p = make_pair(ctx, "ASCII", "1\r\n1000,4", "1999"); /* 99999 is the text for a missing value before 2013 */
    tw_text_add(&p.data, "1,0,7,2,0\r\n2,1000,99999,4,1\r\n3,,,6,1\r\n4,3000,9,8,1\r\n\x1a");
    assert_ok(read_pair(ctx, &p, NULL, &c), ctx);
    assert_int_equal(c.samples, 4);
    assert_true(isnan(c.channels[0].values[1]) && isnan(c.channels[0].values[2]));
    assert_close(c.channels[0].values[3], 9e-5, 1e-15, 0);
    assert_false(tw_warnings_has(&c.warnings, "samples_beyond_end"));
    tw_capture_dispose(&c);
    tw_ctx_destroy(ctx);
}

static void rates_and_stamps(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    tw_capture c;
    pair p =
        make_pair(ctx, "BINARY", "3\r\n1000,2\r\n500,6\r\n2000,8", "2013"); /* samples 3 to 6 are the longest run */
    put_records(&p.data, 8, NULL, NULL);
    assert_ok(read_pair(ctx, &p, NULL, &c), ctx);
    assert_int_equal(c.samples, 4);
    assert_close(c.sample_interval_s, 2e-3, 1e-15, 0);
    assert_close(c.start_time_s, 2e-3 - 1.5e-3, 0, 2e-11);
    assert_close(c.channels[0].values[0], 37 * 2 * 1e-5, 1e-12, 0);
    assert_true(tw_warnings_has(&c.warnings, "several_rates"));
    tw_capture_dispose(&c);

    p = make_pair(ctx, "BINARY", "1\r\n777,8", "2013"); /* the stamps say 1000 Hz */
    put_records(&p.data, 8, NULL, NULL);
    assert_ok(read_pair(ctx, &p, NULL, &c), ctx);
    assert_close(c.sample_interval_s, 1.0 / 777.0, 1e-15, 0);
    assert_true(tw_warnings_has(&c.warnings, "interval_contradiction"));
    tw_capture_dispose(&c);

    p = make_pair(ctx, "BINARY", "0\r\n0,8", "2013");
    put_records(&p.data, 8, NULL, NULL);
    assert_ok(read_pair(ctx, &p, NULL, &c), ctx);
    assert_close(c.sample_interval_s, 1e-3, 1e-12, 0);
    tw_capture_dispose(&c);

    p = make_pair(ctx, "ASCII", "0\r\n0,4", "2013"); /* no time at all: the option settles it */
    tw_text_add(&p.data, "1,,7,2,0\r\n2,,3,4,1\r\n3,,5,6,1\r\n4,,9,8,1\r\n");
    expect_refusal(ctx, &p, TW_NEEDS_OPTION, "--sample-interval");
    p = make_pair(ctx, "ASCII", "0\r\n0,4", "2013");
    tw_text_add(&p.data, "1,,7,2,0\r\n2,,3,4,1\r\n3,,5,6,1\r\n4,,9,8,1\r\n");
    tw_capture_opts o = tw_capture_opts_default();
    o.sample_interval_s = 4e-8;
    assert_ok(read_pair(ctx, &p, &o, &c), ctx);
    assert_close(c.sample_interval_s, 4e-8, 0, 0);
    assert_int_equal(c.n_channels, 2);
    tw_capture_dispose(&c);
    tw_ctx_destroy(ctx);
}

static void cut_and_foreign_data(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    tw_capture c;
    pair p = make_pair(ctx, "BINARY", "1\r\n1000,100", "2013");
    put_records(&p.data, 9, NULL, NULL);
    tw_text_cut(&p.data, p.data.length - 5);
    assert_ok(read_pair(ctx, &p, NULL, &c), ctx);
    assert_int_equal(c.samples, 8);
    assert_true(tw_warnings_has(&c.warnings, "truncated_record"));
    tw_capture_dispose(&c);

    p = make_pair(ctx, "BINARY32", "1\r\n1000,9", "2013"); /* records of another length */
    put_records(&p.data, 9, NULL, NULL);
    expect_refusal(ctx, &p, TW_BAD_DATA, "do not belong together");
    p = make_pair(ctx, "ASCII", "1\r\n1000,3", "2013");
    tw_text_add(&p.data, "1,0,7,2\r\n2,1000,3,4\r\n3,2000,5,6\r\n");
    expect_refusal(ctx, &p, TW_BAD_DATA, "do not belong together");
    p = make_pair(ctx, "ASCII", "1\r\n1000,3", "2013");
    tw_text_add(&p.data, "1,0,7,2,0\r\n2,1000,x,4,0\r\n3,2000,5,6,0\r\n");
    expect_refusal(ctx, &p, TW_BAD_DATA, "no number");
    p = make_pair(ctx, "BINARY", "1\r\n1000,1", "2013");
    put_records(&p.data, 1, NULL, NULL);
    expect_refusal(ctx, &p, TW_BAD_DATA, "two at least");
    p = make_pair(ctx, "BINARY", "1\r\n1000,0", "2013");
    put_records(&p.data, 3, NULL, NULL);
    expect_refusal(ctx, &p, TW_BAD_DATA, "two at least");
    p = make_pair(ctx, "BINARY", "1\r\n1000,5", "2013");
    expect_refusal(ctx, &p, TW_BAD_DATA, "two at least");
    p = make_pair(ctx, "BINARY", "1\r\n0,5", "2013");
    put_records(&p.data, 5, NULL, NULL);
    expect_refusal(ctx, &p, TW_BAD_DATA, "greater than 0");
    p = make_pair(ctx, "PACKED", "1\r\n1000,5", "2013");
    expect_refusal(ctx, &p, TW_BAD_DATA, "kind of data");
    tw_ctx_destroy(ctx);
}

static void configurations_that_are_cut(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    pair whole = make_pair(ctx, "BINARY", "1\r\n1000,5", "2013");
    size_t refused = 0;
    for (size_t n = 30; n + 4 < whole.cfg.length; n += 7) {
        pair p = make_pair(ctx, "BINARY", "1\r\n1000,5", "2013");
        tw_text_cut(&p.cfg, n);
        put_records(&p.data, 5, NULL, NULL);
        tw_capture c;
        assert_int_not_equal(read_pair(ctx, &p, NULL, &c), TW_OK);
        assert_true(tw_ctx_error(ctx)->message[0] != '\0');
        tw_ctx_clear_error(ctx);
        refused++;
    }
    assert_true(refused > 20);
    tw_text_dispose(&whole.cfg);
    tw_text_dispose(&whole.data);
    tw_ctx_destroy(ctx);
}

static void a_configuration_alone(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    pair p = make_pair(ctx, "BINARY", "1\r\n1000,5", "2013");
    capture_folder f = capture_folder_make();
    const char *path = capture_folder_put(ctx, &f, "lone.cfg", p.cfg.data, p.cfg.length);
    tw_capture c;
    assert_int_equal(tw_capture_read(ctx, &path, 1, NULL, &c), TW_BAD_DATA);
    assert_non_null(strstr(tw_ctx_error(ctx)->message, ".dat"));
    capture_folder_drop(&f);
    tw_text_dispose(&p.cfg);
    tw_text_dispose(&p.data);
    tw_ctx_destroy(ctx);
}

/* With rate 0 time is what the stamps say: one wrong stamp is put right, time that runs backwards is refused. */
static void stamps_that_run_backwards(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    for (int wrong = 1; wrong <= 12; wrong += 11) {
        pair p = make_pair(ctx, "ASCII", "0\r\n0,40", "2013");
        for (int i = 0; i < 40; i++) {
            const int tick = i >= 20 && i < 20 + wrong ? 900 - 1000 * i + 60000 : 1000 * i + 70000;
            tw_text_addf(&p.data, "%d,%d,%d,%d,1\r\n", i + 1, tick, i * i % 17, 3 * i % 7);
        }
        if (wrong > 1) {
            expect_refusal(ctx, &p, TW_BAD_DATA, "time does not only grow");
            continue;
        }
        tw_capture c;
        assert_ok(read_pair(ctx, &p, NULL, &c), ctx);
        assert_close(c.sample_interval_s, 1e-3, 1e-9, 0);
        assert_int_equal(c.samples, 40);
        assert_true(tw_warnings_has(&c.warnings, "wrong_time_stamp"));
        tw_capture_dispose(&c);
    }
    tw_ctx_destroy(ctx);
}

/* A burst of not-a-number in 32-bit floats stays a gap. */
static void a_burst_of_nan(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    pair p = make_pair(ctx, "FLOAT32", "1\r\n25000,50", "2013");
    for (uint32_t i = 0; i < 50; i++) {
        put_u32(&p.data, i + 1);
        put_u32(&p.data, 40 * i);
        put_u32(&p.data, i >= 10 && i < 30 ? 0x7fc00000U : 0x40000000U); /* NaN, 2.0 */
        put_u32(&p.data, 0x3f800000U + (i << 12));
        put_u16(&p.data, 0);
    }
    tw_capture c;
    assert_ok(read_pair(ctx, &p, NULL, &c), ctx);
    assert_int_equal(c.channels[0].finite, 30);
    assert_true(isnan(c.channels[0].values[10]) && isnan(c.channels[0].values[29]));
    assert_close(c.channels[0].values[30], 2e-5, 1e-15, 0);
    assert_int_equal(c.channels[1].finite, 50);
    tw_capture_dispose(&c);
    tw_ctx_destroy(ctx);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(either_file_any_case_or_both),
        cmocka_unit_test(missing_values_and_missing_samples_are_left_open),
        cmocka_unit_test(rates_and_stamps),
        cmocka_unit_test(cut_and_foreign_data),
        cmocka_unit_test(configurations_that_are_cut),
        cmocka_unit_test(a_configuration_alone),
        cmocka_unit_test(stamps_that_run_backwards),
        cmocka_unit_test(a_burst_of_nan),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

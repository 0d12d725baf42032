/* What the reader takes in spite of a doubt, and what it says about it: units of time, lost samples, wrong stamps,
 * units by option, values per channel in a preamble. */
#include "testing.h"

#include <math.h>
#include <string.h>

#include "tankwright/capture.h"

static tw_capture read_with(tw_ctx *ctx, const char *text, const tw_capture_opts *opts) {
    tw_capture c = {0};
    assert_ok(tw_capture_read_text(ctx, "t.csv", text, strlen(text), opts, &c), ctx);
    return c;
}

static bool says(const tw_warnings *warnings, const char *code, const char *part) {
    for (size_t i = 0; i < warnings->count; i++) {
        if (strcmp(warnings->items[i].code, code) == 0 && strstr(warnings->items[i].message, part) != NULL) {
            return true;
        }
    }
    return false;
}

/* ---- units of time ---- */

static void seconds_that_were_assumed_are_told(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    tw_capture c = read_with(ctx, "Time,U\n0,0.5\n0.001,0.75\n0.002,0.25\n", NULL);
    assert_close(c.sample_interval_s, 1e-3, 1e-9, 0);
    assert_true(says(&c.warnings, "time_unit_assumed", "--time-unit"));
    tw_capture_dispose(&c);
    c = read_with(ctx, "0,0.5\n5e-5,0.75\n1e-4,0.25\n", NULL);
    assert_true(tw_warnings_has(&c.warnings, "time_unit_assumed"));
    tw_capture_dispose(&c);
    c = read_with(ctx, "Time,U\n0,0.5\n1e-6,0.75\n2e-6,0.25\n", NULL);
    assert_false(tw_warnings_has(&c.warnings, "time_unit_assumed"));
    tw_capture_dispose(&c);
    c = read_with(ctx, "Time (s),U\n0,0.5\n0.001,0.75\n0.002,0.25\n", NULL);
    assert_false(tw_warnings_has(&c.warnings, "time_unit_assumed"));
    tw_capture_dispose(&c);
    tw_ctx_destroy(ctx);
}

static void an_option_against_the_files_unit_is_told(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    tw_capture_opts o = tw_capture_opts_default();
    o.time_unit = "us";
    tw_capture c = read_with(ctx, "Time (ms),U\n0,0.5\n0.25,0.75\n0.5,0.25\n", &o);
    assert_close(c.sample_interval_s, 2.5e-7, 1e-9, 0);
    assert_true(says(&c.warnings, "time_unit_overridden", "header says that time is in ms; us"));
    tw_capture_dispose(&c);
    c = read_with(ctx, "Time unit: ms\nTime,U\n0,0.5\n0.25,0.75\n0.5,0.25\n", &o);
    assert_true(says(&c.warnings, "time_unit_overridden", "preamble"));
    tw_capture_dispose(&c);
    c = read_with(ctx, "Time (us),U\n0,0.5\n0.25,0.75\n0.5,0.25\n", &o);
    assert_int_equal(c.warnings.count, 0);
    tw_capture_dispose(&c);
    tw_ctx_destroy(ctx);
}

/* ---- lost samples ---- */

static void lost_samples_are_counted_by_channel(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    tw_capture c = read_with(ctx,
                             "t (s),u (V),i (A),p (W)\n0,0.5,,1.5\n1e-6,inf,0.5,1.5\n2e-6,OL,,0.5\n"
                             "3e-6,-0.5,0.25,2.5\n4e-6,****,,0.25\n5e-6,-0.25,0.125,-0.5\n",
                             NULL);
    assert_true(says(&c.warnings, "over_range", "channel 1 (u): 3 of 6 samples are over range (2 above, 1 below)"));
    assert_true(says(&c.warnings, "missing_samples", "channel 2 (i): 3 of 6 samples are missing"));
    assert_int_equal(c.warnings.count, 2);
    tw_capture_dispose(&c);
    tw_ctx_destroy(ctx);
}

/* ---- wrong stamps ---- */

typedef struct spoilt {
    size_t at, many;
    double stamp_s;
    const char *line; /* of the first one */
} spoilt;

static void stamps_far_off_are_put_right(void **state) {
    (void)state;
    static const spoilt SPOILT[] = {
        {217, 1, 0.5, "line 219"}, {217, 3, 0.5, "line 219"},  {399, 1, 0.5, "line 401"}, {0, 1, 0.5, "line 2"},
        {3, 1, 0.5, "line 5"},     {120, 1, -0.5, "line 122"}, {398, 1, 0.5, "line 400"}, {399, 1, -0.5, "line 401"},
    };
    for (size_t k = 0; k < sizeof SPOILT / sizeof SPOILT[0]; k++) {
        const spoilt *s = &SPOILT[k];
        tw_ctx *ctx = tw_ctx_create();
        tw_text text;
        tw_text_init(ctx, &text, 1 << 20);
        tw_text_add(&text, "Time (s),U (V)\n");
        for (size_t i = 0; i < 400; i++) { /* 200 us */
            const bool wrong = i >= s->at && i < s->at + s->many;
            tw_text_addf(&text, "%.9f,%zu.5\n", wrong ? s->stamp_s : 5e-7 * (double)i, (i * 7919) % 211);
        }
        tw_capture c = read_with(ctx, text.data, NULL);
        assert_int_equal(c.samples, 400);
        assert_close(c.sample_interval_s, 5e-7, 1e-9, 0);
        assert_close(c.start_time_s, 0, 0, 1e-12);
        assert_int_equal(c.channels[0].finite, 400);
        assert_true(says(&c.warnings, "wrong_time_stamp", s->line));
        assert_int_equal(c.warnings.count, 1);
        tw_capture_dispose(&c);
        tw_text_dispose(&text);
        tw_ctx_destroy(ctx);
    }
}

static void uneven_time_names_the_worst_line(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    static const char TEXT[] = "Time (s),U\n0,0.5\n1e-6,0.75\n2.4e-6,0.25\n2.9e-6,0.5\n4.5e-6,0.25\n9.9e-6,0.5\n"
                               "1.13e-5,0.1\n";
    tw_capture c = {0};
    assert_int_equal(tw_capture_read_text(ctx, "u.csv", TEXT, sizeof TEXT - 1, NULL, &c), TW_BAD_DATA);
    assert_int_equal(tw_ctx_error(ctx)->line, 7);
    tw_ctx_destroy(ctx);
}

/* ---- units by option ---- */

static void units_are_one_for_each_channel(void **state) {
    (void)state;
    static const char *const UNITS[] = {"V", "mA", "W"};
    static const char TEXT[] = "t (s),u,i\n0,0.5,1.5\n1e-6,0.75,2.5\n2e-6,0.25,0.5\n";
    for (size_t n = 1; n <= 3; n++) {
        tw_ctx *ctx = tw_ctx_create();
        tw_capture_opts o = tw_capture_opts_default();
        o.units = UNITS;
        o.n_units = n;
        tw_capture c = {0};
        const tw_status status = tw_capture_read_text(ctx, "u.csv", TEXT, sizeof TEXT - 1, &o, &c);
        char counts[64];
        (void)snprintf(counts, sizeof counts, "--units gives %zu unit(s)", n);
        assert_int_equal(status, n == 2 ? TW_OK : TW_BAD_ARGUMENT);
        if (status != TW_OK) {
            assert_non_null(strstr(tw_ctx_error(ctx)->message, counts));
            assert_non_null(strstr(tw_ctx_error(ctx)->message, "2 channel(s)"));
        } else {
            assert_close(c.channels[1].values[1], 2.5e-3, 1e-12, 0);
        }
        tw_capture_dispose(&c);
        tw_ctx_destroy(ctx);
    }
}

static void a_wrong_option_is_told_before_the_file_is_opened(void **state) {
    (void)state;
    static const char *const UNITS[] = {"V", "furlong"};
    static const char *const MISSING = "no-such-file.csv";
    for (int i = 0; i < 2; i++) {
        tw_ctx *ctx = tw_ctx_create();
        tw_capture_opts o = tw_capture_opts_default();
        o.units = i == 0 ? UNITS : NULL;
        o.n_units = i == 0 ? 2 : 0;
        o.time_unit = i == 1 ? "h" : NULL;
        tw_capture c = {0};
        assert_int_equal(tw_capture_read(ctx, &MISSING, 1, &o, &c), TW_BAD_ARGUMENT);
        assert_non_null(strstr(tw_ctx_error(ctx)->message, i == 0 ? "--units furlong" : "--time-unit h"));
        tw_ctx_destroy(ctx);
    }
}

/* ---- one value for each channel ---- */

static const char *const PER_CHANNEL[] = {
    "Volts per division,1 V,5 V\nCodes per division,25,25\nOffset,0 V,-2 V\n",
    "Volts per division: 1 V, 5 V\nCodes per division: 25\nOffset: 0 V, -2 V\n",
    "Volts per division,1,V,5,V\nCodes per division,25\nVertical offset,0,V,-2,V\n",
    "Volts per division (V),1,5\nCodes per division,25\nVertical offset (mV),0,-2000\n",
    "Scale factor,40 mV,0.2 V\nY origin,0,-2\n",
};

static void each_channel_gets_its_own_value(void **state) {
    (void)state;
    for (size_t i = 0; i < sizeof PER_CHANNEL / sizeof PER_CHANNEL[0]; i++) {
        for (int swapped = 0; swapped < 2; swapped++) {
            tw_ctx *ctx = tw_ctx_create();
            char text[400];
            (void)snprintf(text, sizeof text,
                           "Sample interval,1e-6\n%s%s\n0,0\n25,50\n-100,-25\n1,2\n5,-7\n-3,4\n8,1\n", PER_CHANNEL[i],
                           swapped ? "CH2,CH1" : "CH1,CH2");
            tw_capture c = read_with(ctx, text, NULL);
            if (fabs(c.channels[0].values[2] + 4.0) > 1e-12 || fabs(c.channels[1].values[1] - 8.0) > 1e-12 ||
                strcmp(c.channels[1].unit, "V") != 0) {
                fail_msg("case %zu: %g and %g %s", i, c.channels[0].values[2], c.channels[1].values[1],
                         c.channels[1].unit);
            }
            tw_capture_dispose(&c);
            tw_ctx_destroy(ctx);
        }
    }
    tw_ctx *ctx = tw_ctx_create();
    tw_capture c = read_with(ctx, "Sample interval,1e-6\nVertical unit,mV,A\nu,i\n0.5,1.5\n25.5,2.5\n-0.5,0.5\n", NULL);
    assert_string_equal(c.channels[0].unit, "V");
    assert_close(c.channels[0].values[1], 0.0255, 1e-12, 0);
    assert_string_equal(c.channels[1].unit, "A");
    tw_capture_dispose(&c);
    tw_ctx_destroy(ctx);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(seconds_that_were_assumed_are_told),
        cmocka_unit_test(an_option_against_the_files_unit_is_told),
        cmocka_unit_test(lost_samples_are_counted_by_channel),
        cmocka_unit_test(stamps_far_off_are_put_right),
        cmocka_unit_test(uneven_time_names_the_worst_line),
        cmocka_unit_test(units_are_one_for_each_channel),
        cmocka_unit_test(a_wrong_option_is_told_before_the_file_is_opened),
        cmocka_unit_test(each_channel_gets_its_own_value),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

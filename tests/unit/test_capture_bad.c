/* What the reader refuses or asks, and how it takes time stamps that are rounded, wrong, missing or starting again. */
#include "testing.h"

#include <math.h>
#include <string.h>

#include "tankwright/capture.h"

typedef struct refusal {
    const char *what, *text;
    size_t length; /* 0: up to the terminator */
    tw_status status;
    const char *says; /* part of the message */
} refusal;

static const refusal REFUSALS[] = {
    {"empty", "", 0, TW_BAD_DATA, "empty"},
    {"blank", " \r\n\t\n", 0, TW_BAD_DATA, "empty"},
    {"binary under a text name", "0,1\n\0\1\2\3,2\n", 11, TW_BAD_DATA, "binary"},
    {"control bytes", "\1\2\3\4\5\6\7\1\2\3\4\5\6\7", 0, TW_BAD_DATA, "binary"},
    {"text only", "This is a note.\nIt has two lines.\n", 0, TW_BAD_DATA, "no table"},
    {"header only", "Time (s),Loop (V)\n", 0, TW_BAD_DATA, "no table"},
    {"one row", "Time (s),Loop (V)\n0,0.5\n", 0, TW_BAD_DATA, "1 row"},
    {"one column without interval", "1.5\n2.5\n-0.5\n", 0, TW_NEEDS_OPTION, "--sample-interval"},
    {"columns without interval", "U (V),I (A)\n1.5,0.5\n-2.5,0.25\n1.25,0.125\n", 0, TW_NEEDS_OPTION,
     "--sample-interval"},
    {"index without interval", "Index,Loop\n0,0.5\n1,0.75\n2,0.25\n", 0, TW_NEEDS_OPTION, "--sample-interval"},
    {"time without unit in large steps", "Time,Loop\n0,0.5\n0.25,0.75\n0.5,0.25\n", 0, TW_NEEDS_OPTION, "--time-unit"},
    {"units a thousand apart", "Sample interval: 2e-6 s\nTime (s),Loop\n0,0.5\n0.002,0.75\n0.004,0.25\n", 0,
     TW_NEEDS_OPTION, "--time-unit"},
    {"no unit fits", "Sample interval: 7e-6 s\nTime,Loop\n0,0.5\n2e-6,0.75\n4e-6,0.25\n", 0, TW_NEEDS_OPTION,
     "--sample-interval"},
    {"intervals that differ", "CH1 sample interval: 1e-6 s\nCH2 sample interval: 2e-6 s\nU\n1.5\n2.5\n-0.5\n", 0,
     TW_NEEDS_OPTION, "--sample-interval"},
    {"time that does not only grow", "Time (s),Loop\n0,0.5\n3e-6,0.75\n1e-6,0.25\n5e-6,0.5\n2e-6,0.25\n4e-6,0.25\n", 0,
     TW_BAD_DATA, "does not only grow"},
    {"time that runs backwards", "Time (s),Loop\n3e-6,0.5\n2e-6,0.75\n1e-6,0.25\n", 0, TW_BAD_DATA,
     "does not only grow"},
    {"uneven time", "Time (s),Loop\n0,0.5\n1e-6,0.75\n2.4e-6,0.25\n2.9e-6,0.5\n4.5e-6,0.25\n9.9e-6,0.5\n1.13e-5,0.1\n",
     0, TW_BAD_DATA, "evenly"},
    {"time only", "Time (s)\n0\n1e-6\n2e-6\n", 0, TW_BAD_DATA, "no channel"},
    {"spectrum", "Frequency (Hz),Level (dB)\n0,-3.5\n1000,-20.5\n2000,-31.25\n3000,-40\n", 0, TW_BAD_DATA, "spectrum"},
    {"frequency sweep", "Frequency (Hz),Gain (dB),Phase (deg)\n10,-3.5,1\n100,-20.5,2\n1000,-31.25,3\n10000,-40,4\n", 0,
     TW_BAD_DATA, "sweep"},
    {"logic levels only", "Time (s),D0,D1\n0,0,1\n1e-6,1,1\n2e-6,0,0\n3e-6,1,1\n", 0, TW_BAD_DATA, "logic"},
    {"two rates", "Time A (s),A (V),Time B (s),B (V)\n0,0.5,0,1.5\n1e-6,0.75,2e-6,2.5\n2e-6,0.25,4e-6,3.5\n", 0,
     TW_BAD_DATA, "different sample intervals"},
};

static void bad_input_is_refused_in_one_line(void **state) {
    (void)state;
    for (size_t i = 0; i < sizeof REFUSALS / sizeof REFUSALS[0]; i++) {
        const refusal *r = &REFUSALS[i];
        tw_ctx *ctx = tw_ctx_create();
        tw_capture c = {0};
        const size_t n = r->length != 0 ? r->length : strlen(r->text);
        const tw_status status = tw_capture_read_text(ctx, "bad.csv", r->text, n, NULL, &c);
        const tw_error *e = tw_ctx_error(ctx);
        if (status != r->status || strstr(e->message, r->says) == NULL || strchr(e->message, '\n') != NULL ||
            strcmp(e->file, "bad.csv") != 0) {
            fail_msg("%s: %s: %s: %s", r->what, tw_status_text(status), e->file, e->message);
        }
        assert_null(c.channels);
        tw_ctx_destroy(ctx);
    }
}

/* ---- options ---- */

static tw_capture read_with(tw_ctx *ctx, const char *text, const tw_capture_opts *opts) {
    tw_capture c = {0};
    assert_ok(tw_capture_read_text(ctx, "t.csv", text, strlen(text), opts, &c), ctx);
    return c;
}

static void options_settle_what_is_open(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    tw_capture_opts o = tw_capture_opts_default();
    o.sample_interval_s = 3e-7;
    static const char *const UNITS[] = {"mV", "A"};
    o.units = UNITS;
    o.n_units = 2;
    tw_capture c = read_with(ctx, "150;2\n-250;3\n125;5\n", &o);
    assert_close(c.sample_interval_s, 3e-7, 1e-12, 0);
    assert_close(c.channels[0].values[1], -0.25, 1e-12, 0);
    assert_string_equal(c.channels[1].unit, "A");
    assert_int_equal(c.warnings.count, 0);
    tw_capture_dispose(&c);

    o = tw_capture_opts_default();
    o.time_unit = "ms";
    c = read_with(ctx, "Time,U\n0,0.5\n0.25,0.75\n0.5,0.25\n", &o);
    assert_close(c.sample_interval_s, 2.5e-4, 1e-12, 0);
    tw_capture_dispose(&c);

    o = tw_capture_opts_default();
    o.time_column = 2;
    c = read_with(ctx, "0.5,0,7.5\n0.75,1e-6,2.5\n0.25,2e-6,1.5\n", &o);
    assert_close(c.sample_interval_s, 1e-6, 1e-9, 0);
    assert_int_equal(c.n_channels, 2);
    assert_close(c.channels[1].values[2], 1.5, 0, 0);
    tw_capture_dispose(&c);

    o = tw_capture_opts_default();
    o.no_time_column = true;
    o.sample_interval_s = 1e-6;
    c = read_with(ctx, "Time (s),U\n3e-6,0.5\n1e-6,0.75\n2e-6,0.25\n", &o);
    assert_int_equal(c.n_channels, 1);
    assert_string_equal(c.channels[0].name, "U");
    tw_capture_dispose(&c);

    o = tw_capture_opts_default();
    o.sample_interval_s = 1e-6;
    o.decimal_mark = ',';
    o.separator = ';';
    c = read_with(ctx, "0,5\n0,75\n-0,25\n", &o);
    assert_int_equal(c.n_channels, 1);
    assert_close(c.channels[0].values[1], 0.75, 0, 0);
    tw_capture_dispose(&c);

    o = tw_capture_opts_default();
    o.sample_interval_s = 1e-6;
    o.skip_rows = 5;
    c = read_with(ctx, "9,9,9\n8,7,8\n7,8,6\n6,5,4\n5,6,1\nu,v\n0.5,1.5\n0.75,2.5\n0.25,0.5\n", &o);
    assert_int_equal(c.samples, 3);
    assert_int_equal(c.n_channels, 2);
    assert_string_equal(c.channels[0].name, "u");
    tw_capture_dispose(&c);
    tw_ctx_destroy(ctx);
}

static void wrong_options_are_named(void **state) {
    (void)state;
    static const char *const PARSECS[] = {"parsec"};
    for (int i = 0; i < 6; i++) {
        tw_ctx *ctx = tw_ctx_create();
        tw_capture_opts o = tw_capture_opts_default();
        static const char *const NAMES[] = {"--sample-interval", "--time-unit", "--units",
                                            "--decimal-mark",    "--separator", "--time-column"};
        o.sample_interval_s = i == 0 ? -1.0 : o.sample_interval_s;
        o.time_unit = i == 1 ? "h" : NULL;
        o.units = i == 2 ? PARSECS : NULL;
        o.n_units = i == 2;
        o.decimal_mark = i == 3 ? ';' : '\0';
        o.separator = i == 4 ? 'x' : '\0';
        o.time_column = i == 5 ? 7 : 0;
        tw_capture c;
        const char *text = "Time (s),U\n0,0.5\n1e-6,0.75\n2e-6,0.25\n";
        assert_int_equal(tw_capture_read_text(ctx, "o.csv", text, strlen(text), &o, &c), TW_BAD_ARGUMENT);
        assert_non_null(strstr(tw_ctx_error(ctx)->message, NAMES[i]));
        tw_ctx_destroy(ctx);
    }
}

/* ---- time stamps ---- */

/* A table of `n` rows whose stamp is printed with `format`, rows and stamps spoilt as asked. */
typedef struct stamps {
    size_t n;
    double start, interval;
    const char *format;
    size_t wrong_at, missing_at, missing, block;
    bool float32;
} stamps;

static double signal_at(size_t i) {
    return 0.001 * (double)((i * 7919) % 2003) - 1.0;
}

static void write_stamps(tw_text *text, const stamps *s) {
    tw_text_add(text, "Time (s),U (V)\n");
    for (size_t i = 0; i < s->n; i++) {
        if (s->missing > 0 && i >= s->missing_at && i < s->missing_at + s->missing) {
            continue;
        }
        double t = s->start + s->interval * (double)(s->block > 0 ? i % s->block : i);
        t = s->float32 ? (double)(float)t : t;
        t = s->wrong_at > 0 && i == s->wrong_at ? 0.0 : t;
        char number[40];
        /* two formats are enough: fixed digits and scientific */
        (void)snprintf(number, sizeof number, "%.*e", s->format[0] - '0', t);
        tw_text_addf(text, "%s,%.3f\n", number, signal_at(i));
    }
    assert_int_equal(text->status, TW_OK);
}

static tw_capture read_stamps(tw_ctx *ctx, const stamps *s) {
    tw_text text;
    tw_text_init(ctx, &text, 1 << 24);
    write_stamps(&text, s);
    tw_capture c = {0};
    assert_ok(tw_capture_read_text(ctx, "stamps.csv", text.data, text.length, NULL, &c), ctx);
    tw_text_dispose(&text);
    return c;
}

static void rounded_stamps_give_the_interval(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    /* three digits: about 20 rows share a stamp at the end; the fit's standard error is below 1e-4 of the interval */
    const stamps s = {.n = 20000, .start = 0.0, .interval = 3.7e-8, .format = "2"};
    tw_capture c = read_stamps(ctx, &s);
    assert_int_equal(c.samples, 20000);
    assert_close(c.sample_interval_s, 3.7e-8, 2e-4, 0);
    assert_true(tw_warnings_has(&c.warnings, "rounded_time"));
    tw_capture_dispose(&c);
    tw_ctx_destroy(ctx);
}

static void steps_of_32_bit_floats_are_smoothed(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    const stamps s = {.n = 5000, .start = 0.05, .interval = 4e-9, .format = "9", .float32 = true};
    tw_capture c = read_stamps(ctx, &s);
    assert_int_equal(c.samples, 5000);
    assert_close(c.sample_interval_s, 4e-9, 1e-3, 0);
    assert_close(c.start_time_s, 0.05, 0, 4e-9);
    tw_capture_dispose(&c);
    tw_ctx_destroy(ctx);
}

static void one_wrong_stamp_does_no_harm(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    const stamps s = {.n = 501, .start = -1e-4, .interval = 4e-7, .format = "6", .wrong_at = 300};
    tw_capture c = read_stamps(ctx, &s);
    assert_int_equal(c.samples, 501);
    assert_close(c.sample_interval_s, 4e-7, 1e-9, 0);
    assert_close(c.channels[0].values[300], signal_at(300), 1e-12, 0);
    assert_true(tw_warnings_has(&c.warnings, "wrong_time_stamp"));
    tw_capture_dispose(&c);
    tw_ctx_destroy(ctx);
}

static void missing_rows_are_left_open(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    const stamps s = {.n = 400, .start = 1e-3, .interval = 4e-7, .format = "9", .missing_at = 120, .missing = 7};
    tw_capture c = read_stamps(ctx, &s);
    assert_int_equal(c.samples, 400);
    assert_close(c.sample_interval_s, 4e-7, 1e-9, 0);
    assert_true(isnan(c.channels[0].values[123]));
    assert_close(c.channels[0].values[119], signal_at(119), 1e-12, 0);
    assert_close(c.channels[0].values[127], signal_at(127), 1e-12, 0);
    assert_true(tw_warnings_has(&c.warnings, "missing_rows"));
    tw_capture_dispose(&c);
    tw_ctx_destroy(ctx);
}

static void restarting_time_gives_the_first_block(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    const stamps s = {.n = 300, .start = 0, .interval = 4e-7, .format = "9", .block = 100};
    tw_capture c = read_stamps(ctx, &s);
    assert_int_equal(c.samples, 100);
    assert_close(c.sample_interval_s, 4e-7, 1e-9, 0);
    assert_true(tw_warnings_has(&c.warnings, "time_restarts"));
    tw_capture_dispose(&c);
    tw_ctx_destroy(ctx);
}

static void an_offset_between_time_columns_is_kept(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    tw_capture c =
        read_with(ctx, "t1 (us),A (V),t2 (us),B (V)\n-2,0.5,-1.75,1.5\n-1,0.75,-0.75,2.5\n0,0.25,0.25,3.5\n", NULL);
    assert_int_equal(c.n_channels, 2);
    assert_close(c.start_time_s, -2e-6, 1e-9, 0);
    assert_close(c.channels[0].offset_s, 0, 0, 0);
    assert_close(c.channels[1].offset_s, 2.5e-7, 1e-9, 0);
    tw_capture_dispose(&c);
    tw_ctx_destroy(ctx);
}

static void statistics_show_clipping_and_the_step(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    tw_text text;
    tw_text_init(ctx, &text, 1 << 20);
    tw_text_add(&text, "Sample interval: 1e-6 s\nU (V)\n");
    for (int i = 0; i < 1000; i++) { /* a sine, clipped, in steps of 1/128 V, printed with 4 digits */
        double v = 1.4 * sin(0.0731 * i);
        v = v > 0.9921875 ? 0.9921875 : v < -1.0 ? -1.0 : floor(v * 128 + 0.5) / 128;
        tw_text_addf(&text, "%.4f\n", v);
    }
    tw_capture c = read_with(ctx, text.data, NULL);
    assert_close(c.channels[0].step, 1.0 / 128, 0.01, 0);
    assert_true(c.channels[0].at_maximum > 100);
    assert_true(c.channels[0].at_minimum > 100);
    assert_close(c.channels[0].maximum, 0.9922, 1e-12, 0);
    assert_int_equal(c.channels[0].finite, 1000);
    tw_capture_dispose(&c);
    tw_text_dispose(&text);
    tw_ctx_destroy(ctx);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(bad_input_is_refused_in_one_line),
        cmocka_unit_test(options_settle_what_is_open),
        cmocka_unit_test(wrong_options_are_named),
        cmocka_unit_test(rounded_stamps_give_the_interval),
        cmocka_unit_test(steps_of_32_bit_floats_are_smoothed),
        cmocka_unit_test(one_wrong_stamp_does_no_harm),
        cmocka_unit_test(missing_rows_are_left_open),
        cmocka_unit_test(restarting_time_gives_the_first_block),
        cmocka_unit_test(an_offset_between_time_columns_is_kept),
        cmocka_unit_test(statistics_show_clipping_and_the_step),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

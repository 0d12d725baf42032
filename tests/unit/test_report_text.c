/* Terminal text of readings, captures and rehearsals. */
#include "report_fixture.h"

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

static void reading_text(tw_ctx *ctx, const fixture_opts *opts, const tw_report_text_opts *text_opts, tw_text *out) {
    tw_reading reading;
    fixture_reading(ctx, opts, &reading);
    tw_text_init(ctx, out, 1 << 20);
    assert_ok(tw_report_text_reading(ctx, &reading, text_opts, out), ctx);
    tw_reading_dispose(&reading);
}

static void assert_contains(const tw_text *text, const char *wanted) {
    if (strstr(tw_text_string(text), wanted) == NULL) {
        fail_msg("'%s' is not in:\n%s", wanted, tw_text_string(text));
    }
}

static void assert_starts(const tw_text *text, const char *wanted) {
    if (strncmp(tw_text_string(text), wanted, strlen(wanted)) != 0) {
        fail_msg("'%s' does not begin:\n%s", wanted, tw_text_string(text));
    }
}

static void the_verdict_comes_first(void **state) {
    tw_text text;
    const fixture_opts opts = {TW_READING_ANALYSIS, TW_COMMUTATION_FULL_ZVS, TW_COMMUTATION_FULL_ZVS};
    reading_text(*state, &opts, NULL, &text);
    assert_starts(&text, "Commutation: full ZVS on both edges - the swing ends 6.00 us before");
    assert_contains(&text, "before the current turns\nWax melter on a salvaged plate, measured from pail-with-lid.csv");
    assert_null(strstr(text.data, "To do"));
    tw_text_dispose(&text);
}

static void each_verdict_names_its_edges_and_the_way_out(void **state) {
    static const struct {
        tw_commutation falling, rising;
        const char *begin, *advice;
    } CASES[] = {
        {TW_COMMUTATION_PARTIAL_ZVS, TW_COMMUTATION_FULL_ZVS,
         "Commutation: partial ZVS on the falling edge - the swing is not complete, the closing switch forces\n "
         "       the last 87.3 V\n",
         "To do   A dead time between 370 ns and 6."},
        {TW_COMMUTATION_FULL_ZVS, TW_COMMUTATION_REBOUND,
         "Commutation: rebound on the rising edge - the current turned within the dead time and the "
         "midpoint\n        sprang back; the switch closes on 87.3 V\n",
         "To do   A dead time between 370 ns and 6."},
        {TW_COMMUTATION_HARD, TW_COMMUTATION_HARD,
         "Commutation: hard on both edges - the current is against the swing at turn-off, the closing switch\n "
         "       forces 87.3 V\n",
         "To do   Raise the frequency above resonance"},
    };
    for (size_t k = 0; k < sizeof CASES / sizeof CASES[0]; k++) {
        tw_text text;
        const fixture_opts opts = {TW_READING_ANALYSIS, CASES[k].falling, CASES[k].rising};
        reading_text(*state, &opts, NULL, &text);
        assert_starts(&text, CASES[k].begin);
        assert_contains(&text, CASES[k].advice);
        tw_text_dispose(&text);
    }
}

/* What the advice allows must be soft: the window's ends are rounded to its inside. */
static void sentences_have_three_digits(void **state) {
    static const struct {
        double shortest_s, longest_s, u_s;
        const char *advice;
    } CASES[] = {
        {307.6e-9, 1.8692e-6, 2.9e-9, "between 308 ns and 1.86 us would"},
        {0.3004e-6, 1.8656e-6, 0, "between 301 ns and 1.86 us would"},
        {0.4e-6, 1.6e-6, 0, "between 400 ns and 1.6 us would"},
        {307.6e-9, 1.8692e-6, 0.21e-6, "between 310 ns and 1.87 us would"},
    };
    tw_ctx *ctx = *state;
    for (size_t k = 0; k < sizeof CASES / sizeof CASES[0]; k++) {
        tw_text text;
        tw_reading reading;
        const fixture_opts opts = {TW_READING_ANALYSIS, TW_COMMUTATION_REBOUND, TW_COMMUTATION_REBOUND};
        fixture_reading(ctx, &opts, &reading);
        for (size_t e = 0; e < 2; e++) {
            for (size_t i = 0; i < reading.edges[e].n_fields; i++) {
                tw_field *f = &reading.edges[e].fields[i];
                if (strcmp(f->key, "dead_time_shortest") == 0) {
                    f->value = (tw_value){CASES[k].shortest_s, CASES[k].u_s};
                } else if (strcmp(f->key, "dead_time_longest") == 0) {
                    f->value = (tw_value){CASES[k].longest_s, CASES[k].u_s};
                } else if (strcmp(f->key, "forced_voltage") == 0) {
                    f->value = (tw_value){318.047, 0.0124};
                }
            }
        }
        tw_text_init(ctx, &text, 1 << 20);
        assert_ok(tw_report_text_reading(ctx, &reading, NULL, &text), ctx);
        assert_contains(&text, CASES[k].advice);
        assert_contains(&text, "the switch closes on 318 V\n");
        tw_text_dispose(&text);
        tw_reading_dispose(&reading);
    }
}

static void no_more_digits_than_the_uncertainty_supports(void **state) {
    tw_text text;
    const fixture_opts opts = {TW_READING_ANALYSIS, TW_COMMUTATION_FULL_ZVS, TW_COMMUTATION_FULL_ZVS};
    reading_text(*state, &opts, NULL, &text);
    assert_contains(&text, "2.220 kW (u=0.027 kW)"); /* 2219.7 with u = 27.3 */
    assert_contains(&text, "26.03700 kHz (u=0.00061 kHz)");
    assert_contains(&text, "657.0 nF (u=2.9 nF)");
    assert_contains(&text, "u: standard uncertainty");
    tw_text_dispose(&text);
}

static void what_does_not_exist_is_a_dash(void **state) {
    tw_ctx *ctx = *state;
    tw_text text;
    tw_reading reading;
    const fixture_opts opts = {TW_READING_ANALYSIS, TW_COMMUTATION_HARD, TW_COMMUTATION_HARD};
    fixture_reading(ctx, &opts, &reading);
    for (size_t i = 0; i < reading.n_fields; i++) {
        if (strcmp(reading.fields[i].key, "loop_gain") == 0) {
            reading.fields[i].value = tw_unknown();
        }
    }
    tw_text_init(ctx, &text, 1 << 20);
    assert_ok(tw_report_text_reading(ctx, &reading, NULL, &text), ctx);
    assert_contains(&text, "loop gain                       -\n");
    assert_contains(&text, "soft dead times           none                      none\n");
    assert_null(strstr(text.data, " nan"));
    tw_text_dispose(&text);
    tw_reading_dispose(&reading);
}

static void a_forecast_has_no_measured_gaps(void **state) {
    tw_text text;
    const fixture_opts opts = {TW_READING_FORECAST, TW_COMMUTATION_FULL_ZVS, TW_COMMUTATION_FULL_ZVS};
    reading_text(*state, &opts, NULL, &text);
    assert_null(strstr(text.data, "loop gain"));
    assert_contains(&text, ", forecast\n");
    assert_null(strstr(text.data, "uncertainty"));
    tw_text_dispose(&text);
}

/* Counts lines and the widest of them in characters. */
static size_t count_lines(const char *text, size_t *widest) {
    size_t lines = 0, width = 0;
    *widest = 0;
    for (; *text != '\0'; text++) {
        if (*text == '\n') {
            lines++;
            width = 0;
        } else if (((unsigned char)*text & 0xC0u) != 0x80u) {
            width++;
            *widest = width > *widest ? width : *widest;
        }
    }
    return lines;
}

static void a_glance_is_enough(void **state) {
    static const tw_commutation ALL[] = {TW_COMMUTATION_FULL_ZVS, TW_COMMUTATION_PARTIAL_ZVS, TW_COMMUTATION_REBOUND,
                                         TW_COMMUTATION_HARD, TW_COMMUTATION_UNKNOWN};
    for (size_t k = 0; k < 5; k++) {
        tw_text text;
        size_t widest;
        const fixture_opts opts = {TW_READING_ANALYSIS, ALL[k], ALL[k]};
        reading_text(*state, &opts, NULL, &text);
        assert_in_range(count_lines(text.data, &widest), 20, 33);
        assert_in_range(widest, 60, 100);
        tw_text_dispose(&text);
    }
}

static void cautions_once_and_only_where_wanted(void **state) {
    tw_text text;
    const fixture_opts opts = {TW_READING_FORECAST, TW_COMMUTATION_FULL_ZVS, TW_COMMUTATION_FULL_ZVS};
    reading_text(*state, &opts, NULL, &text);
    const char *first = strstr(text.data, "Caution");
    assert_non_null(first);
    assert_null(strstr(first + 1, "Caution"));
    static const char *const WORDS[] = {"mains potential", "recorder's earth", "insulation", "lethal",
                                        "discharge",       "implants",         "electrical", "licensed"};
    for (size_t k = 0; k < sizeof WORDS / sizeof WORDS[0]; k++) {
        assert_contains(&text, WORDS[k]);
    }
    tw_text_dispose(&text);
    reading_text(*state, &opts, &(tw_report_text_opts){.no_cautions = true}, &text);
    assert_null(strstr(text.data, "lethal"));
    tw_text_dispose(&text);
}

static void emphasis_only_on_request(void **state) {
    tw_text plain, bright;
    const fixture_opts opts = {TW_READING_ANALYSIS, TW_COMMUTATION_FULL_ZVS, TW_COMMUTATION_FULL_ZVS};
    reading_text(*state, &opts, NULL, &plain);
    reading_text(*state, &opts, &(tw_report_text_opts){.emphasis = true}, &bright);
    assert_null(strchr(plain.data, '\033'));
    assert_starts(&bright, "\033[1;32mCommutation");
    /* the same text but for the marks */
    size_t used = 0;
    for (size_t i = 0; i < bright.length; i++) {
        if (bright.data[i] == '\033') {
            i += strcspn(bright.data + i, "m");
        } else {
            bright.data[used++] = bright.data[i];
        }
    }
    bright.data[used] = '\0';
    assert_string_equal(bright.data, plain.data);
    tw_text_dispose(&plain);
    tw_text_dispose(&bright);
}

static void a_capture_says_what_was_understood(void **state) {
    tw_ctx *ctx = *state;
    tw_capture capture;
    tw_capture_channel channels[2];
    double values[2][5];
    fixture_capture(&capture, channels, values);
    tw_text text;
    tw_text_init(ctx, &text, 100000);
    assert_ok(tw_report_text_capture(ctx, &capture, NULL, &text), ctx);
    assert_starts(&text,
                  "pail.csv\n  5 samples every 40 ns, 200 ns in all, first at -1.7 us\n  semicolons, decimal comma");
    assert_contains(&text, "clamp    V     -250 mV      500 mV       155 mV       25 mV        all\n");
    assert_contains(&text, "loop     -     -1.5         7            2.688        -            4 of 5\n");
    tw_text_dispose(&text);
}

static void a_rehearsal_suggests_ranges(void **state) {
    tw_ctx *ctx = *state;
    tw_rehearsal rehearsal;
    fixture_rehearsal(ctx, &rehearsal);
    tw_text text;
    tw_text_init(ctx, &text, 100000);
    assert_ok(tw_report_text_rehearsal(ctx, &rehearsal, NULL, &text), ctx);
    assert_contains(&text, "current channel  full range 2 V (from -1 V to +1 V); the peak is 703.1 mV\n");
    assert_contains(&text, "full range 8 V (from -4 V to +4 V); the peak is 4.375 V; 2 samples clipped\n");
    assert_contains(&text, "a record of 100 us to look at a few periods\n");
    assert_contains(&text, "lethal");
    tw_text_dispose(&text);
    tw_rehearsal_dispose(&rehearsal);
}

/* A file name may hold anything, a channel's name comes from a file. */
static void nothing_steers_the_terminal(void **state) {
    tw_ctx *ctx = *state;
    tw_reading reading;
    tw_capture capture;
    tw_capture_channel channels[2];
    double values[2][5];
    tw_text text;
    const fixture_opts opts = {TW_READING_ANALYSIS, TW_COMMUTATION_FULL_ZVS, TW_COMMUTATION_FULL_ZVS};
    fixture_reading(ctx, &opts, &reading);
    fixture_capture(&capture, channels, values);
    (void)snprintf(reading.source, sizeof reading.source, "a\033[31m\nb.csv");
    (void)snprintf(capture.source, sizeof capture.source, "a\033[31m\nb.csv");
    (void)snprintf(channels[0].name, sizeof channels[0].name, "\033]0;x\a");
    tw_text_init(ctx, &text, 1 << 20);
    assert_ok(tw_warn(ctx, &capture.warnings, "odd", "channel \033[2J is odd"), ctx);
    assert_ok(tw_report_text_reading(ctx, &reading, NULL, &text), ctx);
    assert_ok(tw_report_text_capture(ctx, &capture, NULL, &text), ctx);
    assert_contains(&text, "measured from a?[31m?b.csv (u:");
    assert_contains(&text, "a?[31m?b.csv\n  5 samples");
    assert_contains(&text, "?]0;x?");
    assert_contains(&text, "channel ?[2J is odd");
    assert_null(strchr(text.data, '\033'));
    tw_text_dispose(&text);
    tw_warnings_dispose(&capture.warnings);
    tw_reading_dispose(&reading);
}

static void memory_may_run_out_anywhere(void **state) {
    tw_ctx *ctx = *state;
    tw_reading reading;
    const fixture_opts opts = {TW_READING_ANALYSIS, TW_COMMUTATION_PARTIAL_ZVS, TW_COMMUTATION_HARD};
    fixture_reading(ctx, &opts, &reading);
    size_t failures = 0;
    for (size_t n = 1; n < 500; n++) {
        tw_text text;
        tw_text_init(ctx, &text, 1 << 20);
        tw_ctx_fail_allocation(ctx, n);
        const tw_status status = tw_report_text_reading(ctx, &reading, NULL, &text);
        tw_ctx_fail_allocation(ctx, 0);
        tw_text_dispose(&text);
        if (status == TW_OK) {
            break;
        }
        assert_int_equal(status, TW_NO_MEMORY);
        assert_int_equal(tw_ctx_error(ctx)->status, TW_NO_MEMORY);
        tw_ctx_clear_error(ctx);
        failures++;
    }
    assert_in_range(failures, 3, 400);
    tw_reading_dispose(&reading);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_verdict_comes_first),
        cmocka_unit_test(each_verdict_names_its_edges_and_the_way_out),
        cmocka_unit_test(sentences_have_three_digits),
        cmocka_unit_test(no_more_digits_than_the_uncertainty_supports),
        cmocka_unit_test(what_does_not_exist_is_a_dash),
        cmocka_unit_test(a_forecast_has_no_measured_gaps),
        cmocka_unit_test(a_glance_is_enough),
        cmocka_unit_test(cautions_once_and_only_where_wanted),
        cmocka_unit_test(emphasis_only_on_request),
        cmocka_unit_test(a_capture_says_what_was_understood),
        cmocka_unit_test(a_rehearsal_suggests_ranges),
        cmocka_unit_test(nothing_steers_the_terminal),
        cmocka_unit_test(memory_may_run_out_anywhere),
    };
    return cmocka_run_group_tests(tests, make_context, drop_context);
}

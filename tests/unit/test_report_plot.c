/* Drawings: the three forms, what stands in them, and what happens when there is nothing to draw or nowhere to write.
 */
#include "report_fixture.h"

#include <locale.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "report_xml.h"

static int make_context(void **state) {
    *state = tw_ctx_create();
    return *state == NULL;
}

static int drop_context(void **state) {
    tw_ctx_destroy(*state);
    return 0;
}

static const fixture_opts FORECAST = {TW_READING_FORECAST, TW_COMMUTATION_FULL_ZVS, TW_COMMUTATION_FULL_ZVS};

static void draw_svg(tw_ctx *ctx, const tw_reading *reading, tw_text *out) {
    tw_text_init(ctx, out, 64 << 20);
    assert_ok(tw_report_plot_svg(ctx, reading, out), ctx);
}

static size_t count_of(const char *text, const char *what) {
    size_t n = 0;
    for (const char *at = text; (at = strstr(at, what)) != NULL; at += strlen(what)) {
        n++;
    }
    return n;
}

static void the_suffix_chooses_the_form(void **state) {
    tw_ctx *ctx = *state;
    static const struct {
        const char *name, *begin;
    } FORMS[] = {{"a.svg", "<?xml"}, {"b.PDF", "%PDF-"}, {"c.png", "\x89PNG\r\n\x1a\n"}};
    char folder[64], path[128];
    fixture_folder(folder, sizeof folder);
    tw_reading reading;
    fixture_reading(ctx, &FORECAST, &reading);
    for (size_t k = 0; k < 3; k++) {
        (void)snprintf(path, sizeof path, "%s/%s", folder, FORMS[k].name);
        assert_ok(tw_report_plot(ctx, &reading, path), ctx);
        char *data;
        size_t n;
        assert_ok(tw_read_file(ctx, path, 10 << 20, &data, &n), ctx);
        assert_in_range(n, 10000, 2000000);
        assert_memory_equal(data, FORMS[k].begin, strlen(FORMS[k].begin));
        tw_free(data);
    }
    assert_int_equal(fixture_count_files(folder), 3); /* no temporary file is left */
    tw_reading_dispose(&reading);
    fixture_remove_folder(folder);
}

static void the_svg_is_well_formed_and_shows_the_curves(void **state) {
    tw_ctx *ctx = *state;
    tw_reading reading;
    tw_text svg;
    fixture_reading(ctx, &FORECAST, &reading);
    draw_svg(ctx, &reading, &svg);
    char reason[100];
    if (!xml_well_formed(svg.data, svg.length, reason, sizeof reason)) {
        fail_msg("%s", reason);
    }
    assert_memory_equal(svg.data, "<svg ", 5);
    /* midpoint in blue (0, 114, 178) twice over two periods and in two details, coil current in vermillion */
    assert_in_range(count_of(svg.data, "stroke:rgb(0%,44.705882%,69.803922%)"), 6, 60);
    assert_in_range(count_of(svg.data, "stroke:rgb(83.529412%,36.862745%,0%)"), 3, 60);
    assert_null(strstr(svg.data, "http-equiv"));
    assert_null(strstr(svg.data, "<script"));
    tw_text_dispose(&svg);
    tw_reading_dispose(&reading);
}

static void the_same_input_gives_the_same_bytes(void **state) {
    tw_ctx *ctx = *state;
    tw_reading reading;
    tw_text first, second;
    fixture_reading(ctx, &FORECAST, &reading);
    draw_svg(ctx, &reading, &first);
    for (size_t k = 0; k < 2; k++) {
        static const char *const LOCALES[] = {"de_DE.UTF-8", "fr_FR.UTF-8"};
        (void)setlocale(LC_ALL, LOCALES[k]);
        draw_svg(ctx, &reading, &second);
        assert_string_equal(first.data, second.data);
        tw_text_dispose(&second);
    }
    (void)setlocale(LC_ALL, "C");
    tw_text_dispose(&first);
    tw_reading_dispose(&reading);
}

/* Bytes of a drawing change with what is shown, and only with that. */
static bool same_drawing(tw_ctx *ctx, const tw_reading *a, const tw_reading *b) {
    tw_text x, y;
    draw_svg(ctx, a, &x);
    draw_svg(ctx, b, &y);
    const bool same = strcmp(x.data, y.data) == 0;
    tw_text_dispose(&x);
    tw_text_dispose(&y);
    return same;
}

static void every_curve_and_mark_is_drawn(void **state) {
    tw_ctx *ctx = *state;
    tw_reading plain, changed;
    fixture_reading(ctx, &FORECAST, &plain);
    for (size_t w = 0; w < plain.n_waves; w++) {
        fixture_reading(ctx, &FORECAST, &changed);
        for (size_t k = 100; k < 200; k++) { /* one state of the bridge, and then the other */
            changed.waves[w].values[k] *= 0.9;
            changed.waves[w].values[k + 250] *= 0.9;
        }
        assert_false(same_drawing(ctx, &plain, &changed));
        tw_reading_dispose(&changed);
    }
    for (size_t m = 0; m < plain.n_marks; m++) {
        fixture_reading(ctx, &FORECAST, &changed);
        changed.marks[m].begin_s += 0.4e-6;
        changed.marks[m].end_s += 0.4e-6;
        assert_false(same_drawing(ctx, &plain, &changed));
        tw_reading_dispose(&changed);
    }
    fixture_reading(ctx, &FORECAST, &changed);
    assert_true(same_drawing(ctx, &plain, &changed));
    tw_reading_dispose(&changed);
    tw_reading_dispose(&plain);
}

static void odd_readings_are_drawn_too(void **state) {
    tw_ctx *ctx = *state;
    for (int odd = 0; odd < 6; odd++) {
        const fixture_opts opts = {TW_READING_ANALYSIS, TW_COMMUTATION_HARD, TW_COMMUTATION_UNKNOWN};
        tw_reading r;
        tw_text svg;
        fixture_reading(ctx, &opts, &r);
        switch (odd) {
        case 0: /* gaps everywhere */
            for (size_t w = 0; w < r.n_waves; w++) {
                for (size_t k = 0; k < r.n_points; k += 7) {
                    r.waves[w].values[k] = k % 2 == 0 ? NAN : INFINITY;
                }
            }
            break;
        case 1: /* no marks */
            r.n_marks = 0;
            break;
        case 2: /* all the same value */
            for (size_t w = 0; w < r.n_waves; w++) {
                memset(r.waves[w].values, 0, r.n_points * sizeof(double));
            }
            break;
        case 3: /* nothing finite */
            for (size_t w = 0; w < r.n_waves; w++) {
                for (size_t k = 0; k < r.n_points; k++) {
                    r.waves[w].values[k] = NAN;
                }
            }
            break;
        case 4: /* a negative margin */
            for (size_t m = 0; m < r.n_marks; m++) {
                if (r.marks[m].kind == TW_MARK_MARGIN) {
                    r.marks[m].end_s = r.marks[m].begin_s - 0.2e-6;
                }
            }
            break;
        default: /* a title that would steer the drawing library */
            (void)snprintf(r.title, sizeof r.title, "#u#d#fn #[0x0041] ## \xff\x01 %%s");
        }
        draw_svg(ctx, &r, &svg);
        char reason[100];
        assert_true(xml_well_formed(svg.data, svg.length, reason, sizeof reason));
        assert_null(strstr(svg.data, "nan"));
        assert_null(strstr(svg.data, "inf"));
        tw_text_dispose(&svg);
        tw_reading_dispose(&r);
    }
}

static void a_rehearsal_is_drawn_over_its_ranges(void **state) {
    tw_ctx *ctx = *state;
    static const char *const NAMES[] = {"a.svg", "b.pdf", "c.PNG"};
    char folder[64], path[128], reason[100];
    fixture_folder(folder, sizeof folder);
    tw_rehearsal r;
    fixture_rehearsal(ctx, &r);
    r.period_s = 0.3e-6; /* four periods end before the record does */
    for (size_t k = 0; k < 3; k++) {
        (void)snprintf(path, sizeof path, "%s/%s", folder, NAMES[k]);
        assert_ok(tw_report_plot_rehearsal(ctx, &r, path), ctx);
    }
    assert_int_equal(fixture_count_files(folder), 3);
    char *first, *second;
    size_t n;
    (void)snprintf(path, sizeof path, "%s/a.svg", folder);
    assert_ok(tw_read_file(ctx, path, 10 << 20, &first, &n), ctx);
    assert_true(xml_well_formed(first, n, reason, sizeof reason));
    assert_null(strstr(first, "inf"));
    for (int change = 0; change < 2; change++) { /* what lies behind the four periods is not drawn, the rest is */
        r.voltage_v[change == 0 ? 39 : 11] += 1.5;
        assert_ok(tw_report_plot_rehearsal(ctx, &r, path), ctx);
        assert_ok(tw_read_file(ctx, path, 10 << 20, &second, &n), ctx);
        assert_int_equal(strcmp(first, second) == 0, change == 0);
        tw_free(second);
    }
    tw_free(first);
    assert_int_equal(tw_report_plot_rehearsal(ctx, &r, "a.gif"), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    r.samples = 1;
    assert_int_equal(tw_report_plot_rehearsal(ctx, &r, path), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    tw_rehearsal_dispose(&r);
    fixture_remove_folder(folder);
}

static void what_cannot_be_drawn_is_an_error(void **state) {
    tw_ctx *ctx = *state;
    char folder[64], path[160];
    fixture_folder(folder, sizeof folder);
    tw_reading reading;
    fixture_reading(ctx, &FORECAST, &reading);
    static const char *const NAMES[] = {"a.jpg", "svg", ".svg.gz", "plot"};
    for (size_t k = 0; k < 4; k++) {
        (void)snprintf(path, sizeof path, "%s/%s", folder, NAMES[k]);
        assert_int_equal(tw_report_plot(ctx, &reading, path), TW_BAD_ARGUMENT);
        assert_non_null(strstr(tw_ctx_error(ctx)->message, ".svg, .pdf or .png"));
        tw_ctx_clear_error(ctx);
    }
    (void)snprintf(path, sizeof path, "%s/no/such/folder.svg", folder);
    assert_int_equal(tw_report_plot(ctx, &reading, path), TW_STORAGE);
    assert_string_equal(tw_ctx_error(ctx)->file, path);
    tw_ctx_clear_error(ctx);
    const size_t n = reading.n_points;
    reading.n_points = 0;
    (void)snprintf(path, sizeof path, "%s/a.svg", folder);
    assert_int_equal(tw_report_plot(ctx, &reading, path), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    reading.n_points = n;
    assert_int_equal(fixture_count_files(folder), 0);
    tw_reading_dispose(&reading);
    fixture_remove_folder(folder);
}

static void memory_may_run_out_anywhere(void **state) {
    tw_ctx *ctx = *state;
    tw_reading reading;
    fixture_reading(ctx, &FORECAST, &reading);
    size_t failures = 0;
    for (size_t n = 1; n < 200; n++) {
        tw_text svg;
        tw_text_init(ctx, &svg, 64 << 20);
        tw_ctx_fail_allocation(ctx, n);
        const tw_status status = tw_report_plot_svg(ctx, &reading, &svg);
        tw_ctx_fail_allocation(ctx, 0);
        const size_t length = svg.length;
        tw_text_dispose(&svg);
        if (status == TW_OK) {
            break;
        }
        assert_int_equal(status, TW_NO_MEMORY);
        assert_int_equal(length, 0);
        tw_ctx_clear_error(ctx);
        failures++;
    }
    assert_in_range(failures, 5, 100);
    tw_reading_dispose(&reading);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_suffix_chooses_the_form),
        cmocka_unit_test(the_svg_is_well_formed_and_shows_the_curves),
        cmocka_unit_test(the_same_input_gives_the_same_bytes),
        cmocka_unit_test(every_curve_and_mark_is_drawn),
        cmocka_unit_test(odd_readings_are_drawn_too),
        cmocka_unit_test(a_rehearsal_is_drawn_over_its_ranges),
        cmocka_unit_test(what_cannot_be_drawn_is_an_error),
        cmocka_unit_test(memory_may_run_out_anywhere),
    };
    return cmocka_run_group_tests(tests, make_context, drop_context);
}

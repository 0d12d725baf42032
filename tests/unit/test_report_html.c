/* The self-contained page. */
#include "report_fixture.h"

#include <string.h>

#include "report_xml.h"
#include "tankwright/units.h"

static int make_context(void **state) {
    *state = tw_ctx_create();
    return *state == NULL;
}

static int drop_context(void **state) {
    tw_ctx_destroy(*state);
    return 0;
}

static void page_of(tw_ctx *ctx, const tw_reading *reading, tw_text *out) {
    tw_text_init(ctx, out, 64 << 20);
    assert_ok(tw_report_html(ctx, reading, out), ctx);
    char reason[100];
    if (!xml_well_formed(out->data, out->length, reason, sizeof reason)) {
        fail_msg("%s", reason);
    }
}

static void assert_contains(const tw_text *text, const char *wanted) {
    if (strstr(tw_text_string(text), wanted) == NULL) {
        fail_msg("'%s' is not in the page", wanted);
    }
}

static void verdict_tables_and_cautions_stand_on_the_page(void **state) {
    tw_ctx *ctx = *state;
    tw_reading reading;
    const fixture_opts opts = {TW_READING_ANALYSIS, TW_COMMUTATION_PARTIAL_ZVS, TW_COMMUTATION_FULL_ZVS};
    fixture_reading(ctx, &opts, &reading);
    tw_text page;
    page_of(ctx, &reading, &page);
    assert_memory_equal(page.data, "<!DOCTYPE html>\n<html lang=\"en\">", 32);
    assert_contains(&page, "<div class=\"verdict partial-zvs\">\n<strong>Commutation: partial ZVS on the falling edge");
    assert_contains(&page, "2.220 kW<span class=\"u\"> (u=0.027 kW)</span>");
    assert_contains(&page, "79.30 \u00b5H<span class=\"u\"> (u=0.31 \u00b5H)</span>");
    assert_contains(&page, "<tr><th scope=\"row\">verdict</th><td>partial ZVS</td><td>full ZVS</td></tr>");
    assert_contains(&page, "only 9 samples fall into a swing");
    assert_contains(&page, "The rail stays lethal");
    assert_contains(&page, "<svg role=\"img\" aria-label=");
    for (size_t i = 0; i < reading.n_fields; i++) {
        assert_contains(&page, reading.fields[i].label);
    }
    tw_text_dispose(&page);
    tw_reading_dispose(&reading);
}

static void nothing_is_fetched(void **state) {
    tw_ctx *ctx = *state;
    tw_reading reading;
    const fixture_opts opts = {TW_READING_FORECAST, TW_COMMUTATION_FULL_ZVS, TW_COMMUTATION_FULL_ZVS};
    fixture_reading(ctx, &opts, &reading);
    tw_text page;
    page_of(ctx, &reading, &page);
    static const char *const FETCHING[] = {"<script", "<link", "src=", "@import", "<iframe", "<a "};
    for (size_t k = 0; k < sizeof FETCHING / sizeof FETCHING[0]; k++) {
        assert_null(strstr(page.data, FETCHING[k]));
    }
    for (const char *at = page.data; (at = strstr(at, "url(")) != NULL; at += 4) {
        assert_int_equal(at[4], '#'); /* a piece of the page itself */
    }
    /* the only addresses are XML name spaces */
    for (const char *at = page.data; (at = strstr(at, "http")) != NULL; at += 4) {
        assert_memory_equal(at, "http://www.w3.org/", 18);
    }
    tw_text_dispose(&page);
    tw_reading_dispose(&reading);
}

static void hostile_text_stays_text(void **state) {
    tw_ctx *ctx = *state;
    tw_reading reading;
    const fixture_opts opts = {TW_READING_ANALYSIS, TW_COMMUTATION_REBOUND, TW_COMMUTATION_HARD};
    fixture_reading(ctx, &opts, &reading);
    (void)snprintf(reading.title, sizeof reading.title, "</title><script>alert('1')</script> & \"quoted\" \xc3\xa9");
    (void)snprintf(reading.source, sizeof reading.source, "<img onerror=x>\xff\x02%%n.csv");
    assert_ok(tw_warn(ctx, &reading.warnings, "odd", "</li><b onclick=\"x\">&amp;"), ctx);
    tw_text page;
    page_of(ctx, &reading, &page);
    assert_null(strstr(page.data, "<script"));
    assert_null(strstr(page.data, "<img"));
    assert_null(strstr(page.data, "<b "));
    assert_contains(&page, "<h1>&lt;/title&gt;&lt;script&gt;alert(&#39;1&#39;)&lt;/script&gt; &amp; &quot;quoted&quot; "
                           "\xc3\xa9</h1>");
    assert_contains(&page, "&lt;img onerror=x&gt;\uFFFD\uFFFD%n.csv");
    assert_contains(&page, "&lt;/li&gt;&lt;b onclick=&quot;x&quot;&gt;&amp;amp;");
    size_t bad;
    assert_true(tw_utf8_valid(page.data, page.length, &bad));
    tw_text_dispose(&page);
    tw_reading_dispose(&reading);
}

static void a_reading_without_waveforms_has_no_figure(void **state) {
    tw_ctx *ctx = *state;
    tw_reading reading;
    const fixture_opts opts = {TW_READING_ANALYSIS, TW_COMMUTATION_UNKNOWN, TW_COMMUTATION_UNKNOWN};
    fixture_reading(ctx, &opts, &reading);
    const size_t n = reading.n_points;
    reading.n_points = 0;
    tw_text page;
    page_of(ctx, &reading, &page);
    assert_null(strstr(page.data, "<figure"));
    assert_contains(&page, "Commutation: not determined");
    tw_text_dispose(&page);
    reading.n_points = n;
    tw_reading_dispose(&reading);
}

static void an_unwritable_path_leaves_nothing(void **state) {
    tw_ctx *ctx = *state;
    char folder[64], path[128];
    fixture_folder(folder, sizeof folder);
    tw_reading reading;
    const fixture_opts opts = {TW_READING_FORECAST, TW_COMMUTATION_FULL_ZVS, TW_COMMUTATION_FULL_ZVS};
    fixture_reading(ctx, &opts, &reading);
    (void)snprintf(path, sizeof path, "%s/none/report.html", folder);
    assert_int_equal(tw_report_write_html(ctx, &reading, path), TW_STORAGE);
    assert_string_equal(tw_ctx_error(ctx)->file, path);
    tw_ctx_clear_error(ctx);
    assert_int_equal(fixture_count_files(folder), 0);
    (void)snprintf(path, sizeof path, "%s/report.html", folder);
    assert_ok(tw_report_write_html(ctx, &reading, path), ctx);
    assert_int_equal(fixture_count_files(folder), 1);
    tw_reading_dispose(&reading);
    fixture_remove_folder(folder);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(verdict_tables_and_cautions_stand_on_the_page),
        cmocka_unit_test(nothing_is_fetched),
        cmocka_unit_test(hostile_text_stays_text),
        cmocka_unit_test(a_reading_without_waveforms_has_no_figure),
        cmocka_unit_test(an_unwritable_path_leaves_nothing),
    };
    return cmocka_run_group_tests(tests, make_context, drop_context);
}

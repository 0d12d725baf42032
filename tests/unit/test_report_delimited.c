/* Waveforms and rehearsed records as delimited text. */
#include "report_fixture.h"

#include <locale.h>
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

/* Reads a file, its path made of folder and name. */
static char *slurp(tw_ctx *ctx, const char *folder, const char *name) {
    char path[128];
    char *data;
    size_t n;
    (void)snprintf(path, sizeof path, "%s/%s", folder, name);
    assert_ok(tw_read_file(ctx, path, 10 << 20, &data, &n), ctx);
    assert_int_equal(strlen(data), n);
    return data;
}

static const char *next_line(const char *at) {
    const size_t n = strcspn(at, "\n");
    assert_int_equal(at[n], '\n');
    return at + n + 1;
}

/* The cell at the cursor; moves behind its separator. An empty cell is NaN. */
static double next_cell(const char **at) {
    double v = NAN;
    const size_t n = tw_parse_number(*at, strlen(*at), &v);
    *at += n;
    assert_true(**at == ',' || **at == '\n');
    (*at)++;
    return v;
}

static void the_record_comes_back(void **state) {
    tw_ctx *ctx = *state;
    char folder[64], path[128];
    fixture_folder(folder, sizeof folder);
    (void)snprintf(path, sizeof path, "%s/waves.csv", folder);
    tw_reading r;
    const fixture_opts opts = {TW_READING_ANALYSIS, TW_COMMUTATION_FULL_ZVS, TW_COMMUTATION_FULL_ZVS};
    fixture_reading(ctx, &opts, &r);
    assert_ok(tw_report_write_waveforms(ctx, &r, path), ctx);
    char *text = slurp(ctx, folder, "waves.csv");
    static const char HEADER[] = "time (s),coil current (A),midpoint voltage (V)\n";
    assert_memory_equal(text, HEADER, strlen(HEADER));
    const char *at = text + strlen(HEADER);
    for (size_t k = 0; k < r.n_record; k++) {
        assert_close(next_cell(&at), -1.25e-6 + 40e-9 * (double)k, 0, 1e-15);
        assert_close(next_cell(&at), r.record_waves[0].values[k], 5e-9, 0);
        const double v = next_cell(&at);
        if (k == 4) {
            assert_true(isnan(v));
        } else {
            assert_close(v, r.record_waves[1].values[k], 5e-9, 0);
        }
    }
    assert_int_equal(*at, '\0');
    tw_free(text);
    tw_reading_dispose(&r);
    fixture_remove_folder(folder);
}

static void a_forecast_gives_its_two_periods(void **state) {
    tw_ctx *ctx = *state;
    char folder[64], path[128];
    fixture_folder(folder, sizeof folder);
    (void)snprintf(path, sizeof path, "%s/waves.csv", folder);
    tw_reading r;
    const fixture_opts opts = {TW_READING_FORECAST, TW_COMMUTATION_FULL_ZVS, TW_COMMUTATION_FULL_ZVS};
    fixture_reading(ctx, &opts, &r);
    assert_ok(tw_report_write_waveforms(ctx, &r, path), ctx);
    char *text = slurp(ctx, folder, "waves.csv");
    const char *at = next_line(text);
    for (size_t k = 0; k < r.n_points; k++) {
        assert_close(next_cell(&at), r.time_s[k], 5e-9, 0);
        for (size_t w = 0; w < r.n_waves; w++) {
            assert_close(next_cell(&at), r.waves[w].values[k], 5e-9, 0);
        }
    }
    assert_int_equal(*at, '\0');
    tw_free(text);
    tw_reading_dispose(&r);
    fixture_remove_folder(folder);
}

/* Ten seconds after zero at 40 ns: nine digits would put 25 samples on one instant. */
static void late_records_keep_their_time_axis(void **state) {
    tw_ctx *ctx = *state;
    char folder[64], path[128];
    fixture_folder(folder, sizeof folder);
    (void)snprintf(path, sizeof path, "%s/waves.csv", folder);
    tw_reading r;
    const fixture_opts opts = {TW_READING_ANALYSIS, TW_COMMUTATION_FULL_ZVS, TW_COMMUTATION_FULL_ZVS};
    fixture_reading(ctx, &opts, &r);
    r.record_start_s = 10.37;
    assert_ok(tw_report_write_waveforms(ctx, &r, path), ctx);
    char *text = slurp(ctx, folder, "waves.csv");
    const char *at = next_line(text);
    for (size_t k = 0; k < r.n_record; k++) {
        assert_close(next_cell(&at), 10.37 + 40e-9 * (double)k, 0, 40e-12);
        at = next_line(at);
    }
    tw_free(text);
    tw_reading_dispose(&r);
    fixture_remove_folder(folder);
}

static void a_rehearsed_record_is_the_same_every_time(void **state) {
    tw_ctx *ctx = *state;
    char folder[64], path[128];
    fixture_folder(folder, sizeof folder);
    tw_rehearsal rehearsal;
    fixture_rehearsal(ctx, &rehearsal);
    static const char *const NAMES[] = {"a.csv", "b.csv"}, *const LOCALES[] = {"C", "de_DE.UTF-8"};
    char *text[2];
    for (size_t k = 0; k < 2; k++) {
        (void)setlocale(LC_ALL, LOCALES[k]);
        (void)snprintf(path, sizeof path, "%s/%s", folder, NAMES[k]);
        assert_ok(tw_report_write_rehearsal(ctx, &rehearsal, path), ctx);
        text[k] = slurp(ctx, folder, NAMES[k]);
    }
    (void)setlocale(LC_ALL, "C");
    assert_string_equal(text[0], text[1]);
    static const char BEGIN[] = "time (s),current (V),voltage (V)\n0,0,inf\n5e-08,0.25,4.0625\n";
    assert_memory_equal(text[0], BEGIN, strlen(BEGIN));
    assert_non_null(strstr(text[0], ",-inf\n"));
    size_t lines = 0;
    for (const char *c = text[0]; *c != '\0'; c++) {
        lines += *c == '\n' ? 1 : 0;
    }
    assert_int_equal(lines, rehearsal.samples + 1);
    tw_free(text[0]);
    tw_free(text[1]);
    tw_rehearsal_dispose(&rehearsal);
    fixture_remove_folder(folder);
}

static void nothing_to_write_and_nowhere_to_write(void **state) {
    tw_ctx *ctx = *state;
    char folder[64], path[128];
    fixture_folder(folder, sizeof folder);
    tw_rehearsal rehearsal;
    fixture_rehearsal(ctx, &rehearsal);
    (void)snprintf(path, sizeof path, "%s/none/a.csv", folder);
    assert_int_equal(tw_report_write_rehearsal(ctx, &rehearsal, path), TW_STORAGE);
    assert_string_equal(tw_ctx_error(ctx)->file, path);
    tw_ctx_clear_error(ctx);
    rehearsal.samples = 0;
    (void)snprintf(path, sizeof path, "%s/a.csv", folder);
    assert_int_equal(tw_report_write_rehearsal(ctx, &rehearsal, path), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    const tw_reading empty = {.kind = TW_READING_ANALYSIS};
    assert_int_equal(tw_report_write_waveforms(ctx, &empty, path), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    assert_int_equal(fixture_count_files(folder), 0);
    tw_rehearsal_dispose(&rehearsal);
    fixture_remove_folder(folder);
}

static bool stop(double fraction, const char *what, void *user) {
    (void)fraction;
    (void)what;
    ++*(int *)user;
    return true;
}

static void a_long_export_can_be_cancelled(void **state) {
    tw_ctx *ctx = *state;
    char folder[64], path[128];
    fixture_folder(folder, sizeof folder);
    (void)snprintf(path, sizeof path, "%s/a.csv", folder);
    tw_rehearsal r = {.samples = 200000, .interval_s = 1e-7};
    r.current_v = tw_alloc(ctx, r.samples, sizeof(double));
    r.voltage_v = tw_alloc(ctx, r.samples, sizeof(double));
    int calls = 0;
    tw_ctx_set_progress(ctx, stop, &calls);
    assert_int_equal(tw_report_write_rehearsal(ctx, &r, path), TW_CANCELLED);
    tw_ctx_set_progress(ctx, NULL, NULL);
    tw_ctx_clear_error(ctx);
    assert_int_equal(calls, 1);
    assert_int_equal(fixture_count_files(folder), 0);
    tw_rehearsal_dispose(&r);
    fixture_remove_folder(folder);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_record_comes_back),
        cmocka_unit_test(a_forecast_gives_its_two_periods),
        cmocka_unit_test(late_records_keep_their_time_axis),
        cmocka_unit_test(a_rehearsed_record_is_the_same_every_time),
        cmocka_unit_test(nothing_to_write_and_nowhere_to_write),
        cmocka_unit_test(a_long_export_can_be_cancelled),
    };
    return cmocka_run_group_tests(tests, make_context, drop_context);
}

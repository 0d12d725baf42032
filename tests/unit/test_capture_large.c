/* Two million lines, and files that would like to take all memory. */
#include "testing.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <unistd.h>

#include "tankwright/capture.h"

enum { ROWS = 2000000 };

/* Largest size of the process so far less what is mapped from files is not to be had simply; the text lies in memory
 * here, so the growth of the peak during the call is what the reader itself takes. */
static size_t peak_bytes(void) {
    struct rusage usage;
    assert_int_equal(getrusage(RUSAGE_SELF, &usage), 0);
    return (size_t)usage.ru_maxrss * 1024;
}

static double value_at(size_t row, size_t channel) {
    return (double)((row * 7919 + channel * 104729) % 65536) / 65536.0 - 0.5;
}

static void two_million_lines(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    tw_text text;
    tw_text_init(ctx, &text, (size_t)200 << 20);
    tw_text_add(&text, "Time (s),Loop (V),Lead (A)\n");
    for (size_t i = 0; i < ROWS; i++) {
        tw_text_addf(&text, "%.7e,%.6f,%.6f\n", 4e-8 * (double)i, value_at(i, 0), value_at(i, 1));
    }
    assert_int_equal(text.status, TW_OK);
    const size_t before = peak_bytes();
    tw_capture c;
    assert_ok(tw_capture_read_text(ctx, "large.csv", text.data, text.length, NULL, &c), ctx);
    const size_t taken = peak_bytes() - before;
    assert_int_equal(c.samples, ROWS);
    assert_int_equal(c.n_channels, 2);
    assert_close(c.sample_interval_s, 4e-8, 1e-6, 0);
    for (size_t i = 0; i < ROWS; i += 9973) {
        assert_close(c.channels[0].values[i], value_at(i, 0), 0, 5.1e-7);
        assert_close(c.channels[1].values[i], value_at(i, 1), 0, 5.1e-7);
    }
    assert_true((double)taken < 1.3 * 3 * 8 * ROWS);
    print_message("peak growth %.3f of the columns as doubles\n", (double)taken / (3.0 * 8 * ROWS));
    tw_capture_dispose(&c);
    tw_text_dispose(&text);
    tw_ctx_destroy(ctx);
}

static void expect_refusal(const char *what, char *text, size_t n, tw_status wanted) {
    tw_ctx *ctx = tw_ctx_create();
    tw_capture c;
    const tw_status status = tw_capture_read_text(ctx, "hostile.csv", text, n, NULL, &c);
    if (status != wanted) {
        fail_msg("%s: %s: %s", what, tw_status_text(status), tw_ctx_error(ctx)->message);
    }
    assert_null(strchr(tw_ctx_error(ctx)->message, '\n'));
    tw_ctx_destroy(ctx);
}

static void hostile_files_take_little(void **state) {
    (void)state;
    const size_t n = (size_t)100 << 20;
    tw_ctx *ctx = tw_ctx_create();
    char *text = tw_alloc(ctx, n, 1);
    assert_non_null(text);
    memset(text, '1', n);
    expect_refusal("a line of 100 MB", text, n, TW_TOO_LARGE);
    for (size_t i = 0; i < n; i++) {
        text[i] = i % 2 == 0 ? '1' : ',';
    }
    expect_refusal("millions of columns", text, n, TW_TOO_LARGE);
    for (size_t i = 20000; i < n; i += 20000) {
        text[i] = '\n';
    }
    expect_refusal("ten thousand columns", text, n, TW_TOO_LARGE);
    memset(text, '"', n);
    for (size_t i = 60000; i < n; i += 60000) {
        text[i] = '\n';
    }
    expect_refusal("quotes only", text, (size_t)4 << 20, TW_BAD_DATA);
    for (size_t i = 0; i < n; i++) { /* 2000 full rows of 1000 columns, then millions of rows with one */
        text[i] = i < 4000000 ? (i % 2 == 0 ? '1' : i % 2000 == 1999 ? '\n' : ',') : (i % 2 == 0 ? '1' : '\n');
    }
    expect_refusal("ragged rows that ask for 400 GB", text, n, TW_BAD_DATA);
    tw_free(text);
    tw_ctx_destroy(ctx);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(two_million_lines),
        cmocka_unit_test(hostile_files_take_little),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

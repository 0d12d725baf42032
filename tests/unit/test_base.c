/* Status, error record, memory, text, numbers, files. */
#include "testing.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static int make_context(void **state) {
    *state = tw_ctx_create();
    return *state == NULL;
}

static int drop_context(void **state) {
    tw_ctx_destroy(*state);
    return 0;
}

static void first_failure_wins_and_gets_its_place(void **state) {
    tw_ctx *ctx = *state;
    const tw_place place = {.file = "rig.yaml", .line = 3, .column = 7, .key = "tank.split"};
    assert_int_equal(tw_fail(ctx, TW_BAD_DATA, "rig", "found %d", 5), TW_BAD_DATA);
    assert_int_equal(tw_fail(ctx, TW_STORAGE, "base", "later"), TW_STORAGE);
    tw_error_add_place(ctx, &place);
    char text[200];
    assert_string_equal(tw_error_format(tw_ctx_error(ctx), text, sizeof text), "rig.yaml:3:7: tank.split: found 5");
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_ctx_error(ctx)->status, TW_OK);
}

static void allocation_can_be_made_to_fail(void **state) {
    tw_ctx *ctx = *state;
    tw_ctx_fail_allocation(ctx, 2);
    void *a = tw_alloc(ctx, 4, 8);
    assert_non_null(a);
    assert_null(tw_alloc(ctx, 4, 8));
    assert_int_equal(tw_ctx_error(ctx)->status, TW_NO_MEMORY);
    tw_free(a);
    tw_ctx_clear_error(ctx);
    assert_null(tw_alloc(ctx, SIZE_MAX / 2, 4));
    assert_int_equal(tw_ctx_error(ctx)->status, TW_NO_MEMORY);
}

static void text_grows_to_its_limit_only(void **state) {
    tw_text text;
    tw_text_init(*state, &text, 20);
    assert_string_equal(tw_text_string(&text), "");
    tw_text_addf(&text, "%s-%03d", "tank", 7);
    assert_string_equal(tw_text_string(&text), "tank-007");
    tw_text_add(&text, "0123456789ab");
    assert_int_equal(text.status, TW_OK);
    tw_text_add(&text, "x");
    assert_int_equal(text.status, TW_TOO_LARGE);
    assert_string_equal(tw_text_string(&text), "tank-0070123456789ab");
    tw_text_dispose(&text);
}

static void numbers_read_back_exactly(void **state) {
    (void)state;
    tw_random r = {11};
    for (int i = 0; i < 200000; i++) {
        const double v = (tw_random_below(&r, 2) != 0 ? 1 : -1) * tw_random_log_uniform(&r, 1e-290, 1e290);
        char text[TW_NUMBER_TEXT];
        const size_t n = tw_format_number(v, text);
        double back = 0;
        assert_int_equal(tw_parse_number(text, n, &back), n);
        assert_true(back == v);
    }
}

static void numbers_agree_with_the_c_library(void **state) {
    (void)state;
    static const char *const CASES[] = {"0",
                                        "-0",
                                        "1.",
                                        ".5",
                                        "+2.50",
                                        "1e5",
                                        "1E-7",
                                        "123456789012345678901234567890",
                                        "1e400",
                                        "-1e-400",
                                        "00012.5",
                                        "9007199254740993",
                                        "0.1",
                                        "2.2250738585072014e-308",
                                        "1.7976931348623157e308",
                                        "-00.25e+003",
                                        "3.00000000000000000000000000001"};
    for (size_t i = 0; i < sizeof CASES / sizeof CASES[0]; i++) {
        double got = 0;
        assert_int_equal(tw_parse_number(CASES[i], strlen(CASES[i]), &got), strlen(CASES[i]));
        const double want = strtod(CASES[i], NULL);
        assert_memory_equal(&got, &want, sizeof got);
    }
}

static void no_number_no_bytes(void **state) {
    (void)state;
    double v = 42;
    assert_int_equal(tw_parse_number("", 0, &v), 0);
    assert_int_equal(tw_parse_number("-", 1, &v), 0);
    assert_int_equal(tw_parse_number(".", 1, &v), 0);
    assert_int_equal(tw_parse_number("inf", 3, &v), 0);
    assert_int_equal(tw_parse_number(" 1", 2, &v), 0);
    assert_true(v == 42);
    assert_int_equal(tw_parse_number("1e", 2, &v), 1); /* the e belongs to what follows */
    assert_int_equal(tw_parse_number("0x10", 4, &v), 1);
}

static void output_appears_whole_or_not_at_all(void **state) {
    tw_ctx *ctx = *state;
    char folder[] = "/tmp/tw-test-XXXXXX";
    assert_non_null(mkdtemp(folder));
    char path[64];
    (void)snprintf(path, sizeof path, "%s/out.txt", folder);
    tw_output out;
    assert_ok(tw_output_open(ctx, path, &out), ctx);
    fputs("half", out.stream);
    assert_int_equal(access(path, F_OK), -1);
    tw_output_abandon(&out);
    assert_int_equal(access(path, F_OK), -1);
    assert_ok(tw_write_file(ctx, path, "whole", 5), ctx);
    char *data;
    size_t n;
    assert_ok(tw_read_file(ctx, path, 5, &data, &n), ctx);
    assert_int_equal(n, 5);
    assert_string_equal(data, "whole");
    tw_free(data);
    assert_int_equal(tw_read_file(ctx, path, 4, &data, &n), TW_TOO_LARGE);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_read_file(ctx, folder, 100, &data, &n), TW_STORAGE);
    assert_int_equal(unlink(path), 0);
    assert_int_equal(rmdir(folder), 0); /* and no temporary file is left */
}

static void warnings_are_kept_once(void **state) {
    tw_ctx *ctx = *state;
    tw_warnings list = {NULL, 0};
    assert_ok(tw_warn(ctx, &list, "clipped", "channel %d", 1), ctx);
    assert_ok(tw_warn(ctx, &list, "clipped", "channel %d", 2), ctx);
    assert_int_equal(list.count, 1);
    assert_true(tw_warnings_has(&list, "clipped"));
    assert_false(tw_warnings_has(&list, "reversed"));
    tw_warnings_dispose(&list);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(first_failure_wins_and_gets_its_place, make_context, drop_context),
        cmocka_unit_test_setup_teardown(allocation_can_be_made_to_fail, make_context, drop_context),
        cmocka_unit_test_setup_teardown(text_grows_to_its_limit_only, make_context, drop_context),
        cmocka_unit_test(numbers_read_back_exactly),
        cmocka_unit_test(numbers_agree_with_the_c_library),
        cmocka_unit_test(no_number_no_bytes),
        cmocka_unit_test_setup_teardown(output_appears_whole_or_not_at_all, make_context, drop_context),
        cmocka_unit_test_setup_teardown(warnings_are_kept_once, make_context, drop_context),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

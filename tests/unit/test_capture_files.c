/* Records in files: one over several, a settings file beside it, and files that cannot be read. */
#include "testing.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "tankwright/capture.h"

typedef struct folder {
    char name[32];
    char paths[4][64];
    size_t n;
} folder;

static folder make_folder(void) {
    folder f = {.name = "/tmp/tw-capture-XXXXXX"};
    assert_non_null(mkdtemp(f.name));
    return f;
}

static const char *put(tw_ctx *ctx, folder *f, const char *text) {
    char name[64];
    (void)snprintf(name, sizeof name, "%s/part%zu.csv", f->name, f->n);
    char *path = f->paths[f->n];
    memcpy(path, name, sizeof name);
    f->n++;
    assert_ok(tw_write_file(ctx, path, text, strlen(text)), ctx);
    return path;
}

static void drop_folder(folder *f) {
    for (size_t i = 0; i < f->n; i++) {
        assert_int_equal(unlink(f->paths[i]), 0);
    }
    assert_int_equal(rmdir(f->name), 0);
}

static void one_record_over_several_files(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    folder f = make_folder();
    const char *paths[2] = {put(ctx, &f, "Time (s),Loop (V)\n0,0.5\n1e-6,0.75\n2e-6,0.25\n"),
                            put(ctx, &f, "Time (us);Lead (A)\n0,25;1,5\n1,25;-2,5\n2,25;3,5\n3,25;0,5\n")};
    tw_capture c;
    assert_ok(tw_capture_read(ctx, paths, 2, NULL, &c), ctx);
    assert_int_equal(c.samples, 3);
    assert_int_equal(c.n_channels, 2);
    assert_close(c.sample_interval_s, 1e-6, 1e-9, 0);
    assert_close(c.channels[1].offset_s, 2.5e-7, 1e-9, 0);
    assert_close(c.channels[1].values[1], -2.5, 0, 0);
    assert_int_equal(c.channels[1].finite, 3);
    assert_true(tw_warnings_has(&c.warnings, "different_lengths"));
    tw_capture_dispose(&c);
    drop_folder(&f);
    tw_ctx_destroy(ctx);
}

static void a_settings_file_gives_the_interval(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    folder f = make_folder();
    const char *paths[2] = {put(ctx, &f, "Loop (V)\n0.5\n0.75\n0.25\n"),
                            put(ctx, &f, "Record length,3\nSample rate,2 MS/s\nTrigger level,0.5\n")};
    tw_capture c;
    assert_ok(tw_capture_read(ctx, paths, 2, NULL, &c), ctx);
    assert_int_equal(c.n_channels, 1);
    assert_close(c.sample_interval_s, 5e-7, 1e-12, 0);
    tw_capture_dispose(&c);
    assert_int_equal(tw_capture_read(ctx, paths, 1, NULL, &c), TW_NEEDS_OPTION);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_capture_read(ctx, paths + 1, 1, NULL, &c), TW_BAD_DATA);
    drop_folder(&f);
    tw_ctx_destroy(ctx);
}

static void files_of_different_rates_are_refused(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    folder f = make_folder();
    const char *paths[2] = {put(ctx, &f, "Time (s),Loop (V)\n0,0.5\n1e-6,0.75\n2e-6,0.25\n"),
                            put(ctx, &f, "Time (s),Lead (A)\n0,0.5\n2e-6,0.75\n4e-6,0.25\n")};
    tw_capture c;
    assert_int_equal(tw_capture_read(ctx, paths, 2, NULL, &c), TW_BAD_DATA);
    assert_string_equal(tw_ctx_error(ctx)->file, paths[1]);
    drop_folder(&f);
    tw_ctx_destroy(ctx);
}

static void unreadable_files_are_named(void **state) {
    (void)state;
    static const char *const PATHS[] = {"/nonexistent/record.csv", "/tmp"};
    for (int i = 0; i < 2; i++) {
        tw_ctx *ctx = tw_ctx_create();
        tw_capture c;
        assert_int_equal(tw_capture_read(ctx, &PATHS[i], 1, NULL, &c), TW_STORAGE);
        assert_string_equal(tw_ctx_error(ctx)->file, PATHS[i]);
        tw_ctx_destroy(ctx);
    }
    tw_ctx *ctx = tw_ctx_create();
    folder f = make_folder();
    const char *path = put(ctx, &f, "Time (s),Loop (V)\n0,0.5\n1e-6,0.75\n2e-6,0.25\n");
    tw_capture_opts o = tw_capture_opts_default();
    o.max_bytes = 20;
    tw_capture c;
    assert_int_equal(tw_capture_read(ctx, &path, 1, &o, &c), TW_TOO_LARGE);
    drop_folder(&f);
    tw_ctx_destroy(ctx);
}

static void utf_16_is_read_with_and_without_mark(void **state) {
    (void)state;
    static const char TEXT[] = "Time (us)\tLoop (V)\r\n0,0\t0,5\r\n0,5\t0,75\r\n1,0\t-0,25\r\n";
    for (int variant = 0; variant < 4; variant++) {
        char bytes[2 * sizeof TEXT + 2];
        size_t n = 0;
        const bool big = (variant & 1) != 0, mark = (variant & 2) != 0;
        if (mark) {
            bytes[n++] = (char)(big ? 0xfe : 0xff);
            bytes[n++] = (char)(big ? 0xff : 0xfe);
        }
        for (size_t i = 0; i + 1 < sizeof TEXT; i++) {
            bytes[n++] = big ? '\0' : TEXT[i];
            bytes[n++] = big ? TEXT[i] : '\0';
        }
        tw_ctx *ctx = tw_ctx_create();
        tw_capture c;
        assert_ok(tw_capture_read_text(ctx, "wide.txt", bytes, n, NULL, &c), ctx);
        assert_int_equal(c.samples, 3);
        assert_close(c.sample_interval_s, 5e-7, 1e-9, 0);
        assert_close(c.channels[0].values[2], -0.25, 0, 0);
        assert_non_null(strstr(c.understood, "UTF-16"));
        tw_capture_dispose(&c);
        tw_ctx_destroy(ctx);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(one_record_over_several_files),        cmocka_unit_test(a_settings_file_gives_the_interval),
        cmocka_unit_test(files_of_different_rates_are_refused), cmocka_unit_test(unreadable_files_are_named),
        cmocka_unit_test(utf_16_is_read_with_and_without_mark),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

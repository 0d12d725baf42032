/* base when memory runs out, a disk fills up, a process is killed while it writes. */
#include "testing.h"

#include <errno.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

typedef struct bench {
    tw_ctx *ctx;
    char folder[32];
    char path[64];
} bench;

static int set_up(void **state) {
    static bench b;
    b.ctx = tw_ctx_create();
    (void)snprintf(b.folder, sizeof b.folder, "/tmp/tw-fault-XXXXXX");
    if (b.ctx == NULL || mkdtemp(b.folder) == NULL) {
        return -1;
    }
    (void)snprintf(b.path, sizeof b.path, "%s/result.csv", b.folder);
    *state = &b;
    return 0;
}

/* The folder must be empty but for the result: no temporary file may stay behind, except after a kill. */
static int tear_down(void **state) {
    bench *b = *state;
    tw_ctx_destroy(b->ctx);
    (void)unlink(b->path);
    return rmdir(b->folder);
}

/* One of base's calls that allocate, run again and again with a later allocation failing each time. */
typedef tw_status work_fn(bench *b);

static tw_status work_text(bench *b) {
    tw_text text;
    tw_text_init(b->ctx, &text, 10000);
    for (int i = 0; i < 300; i++) {
        tw_text_addf(&text, "line %d;", i);
    }
    const tw_status status = text.status;
    if (status == TW_OK) {
        assert_int_equal(text.length, 10 * 7 + 90 * 8 + 200 * 9);
    }
    tw_text_dispose(&text);
    return status;
}

static tw_status work_warnings(bench *b) {
    tw_warnings list = {NULL, 0}, all = {NULL, 0};
    tw_status status = tw_warn(b->ctx, &list, "clipped", "channel %d", 1);
    if (status == TW_OK) {
        status = tw_warn(b->ctx, &list, "few_samples", "only %d", 7);
    }
    if (status == TW_OK) {
        status = tw_warnings_append(b->ctx, &all, &list);
    }
    tw_warnings_dispose(&list);
    tw_warnings_dispose(&all);
    return status;
}

static tw_status work_files(bench *b) {
    char *data = NULL;
    size_t length = 0;
    TW_TRY(tw_write_file(b->ctx, b->path, "1,2\n", 4));
    TW_TRY(tw_read_file(b->ctx, b->path, 100, &data, &length));
    assert_int_equal(length, 4);
    tw_free(data);
    return TW_OK;
}

static void each_allocation_may_fail(bench *b, work_fn *work) {
    size_t n = 1;
    for (;; n++) {
        assert_true(n < 1000);
        tw_ctx_fail_allocation(b->ctx, n);
        const tw_status status = work(b);
        tw_ctx_fail_allocation(b->ctx, 0);
        if (status == TW_OK) {
            break;
        }
        assert_int_equal(status, TW_NO_MEMORY);
        assert_int_equal(tw_ctx_error(b->ctx)->status, TW_NO_MEMORY);
        assert_true(strlen(tw_ctx_error(b->ctx)->message) > 0);
        tw_ctx_clear_error(b->ctx);
    }
    assert_true(n > 2); /* at least two failures were tried */
}

static void text_survives_failing_allocations(void **state) {
    each_allocation_may_fail(*state, work_text);
}

static void warnings_survive_failing_allocations(void **state) {
    each_allocation_may_fail(*state, work_warnings);
}

static void files_survive_failing_allocations(void **state) {
    each_allocation_may_fail(*state, work_files);
}

static void expect_content(bench *b, const char *want) {
    char *data = NULL;
    size_t length = 0;
    assert_ok(tw_read_file(b->ctx, b->path, 1000, &data, &length), b->ctx);
    assert_string_equal(data, want);
    tw_free(data);
}

/* A limit on file size acts like a disk that is full after that many bytes. */
static void full_disk_keeps_the_old_file(void **state) {
    bench *b = *state;
    assert_ok(tw_write_file(b->ctx, b->path, "old", 3), b->ctx);
    struct rlimit before;
    assert_int_equal(getrlimit(RLIMIT_FSIZE, &before), 0);
    const struct rlimit tight = {.rlim_cur = 5000, .rlim_max = before.rlim_max};
    void (*old_handler)(int) = signal(SIGXFSZ, SIG_IGN);
    char big[20000];
    memset(big, 'x', sizeof big);
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &tight), 0);
    const tw_status status = tw_write_file(b->ctx, b->path, big, sizeof big);
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &before), 0);
    (void)signal(SIGXFSZ, old_handler);
    assert_int_equal(status, TW_STORAGE);
    assert_string_equal(tw_ctx_error(b->ctx)->file, b->path);
    assert_non_null(strstr(tw_ctx_error(b->ctx)->message, strerror(EFBIG)));
    tw_ctx_clear_error(b->ctx);
    expect_content(b, "old");
}

static void a_kill_while_writing_keeps_the_old_file(void **state) {
    bench *b = *state;
    assert_ok(tw_write_file(b->ctx, b->path, "old", 3), b->ctx);
    int channel[2];
    assert_int_equal(pipe(channel), 0);
    const pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        tw_output out;
        if (tw_output_open(b->ctx, b->path, &out) == TW_OK && fputs("half a resu", out.stream) >= 0 &&
            fflush(out.stream) == 0) {
            const size_t n = strlen(out.temporary) + 1;
            if (write(channel[1], out.temporary, n) == (ssize_t)n) {
                (void)raise(SIGKILL);
            }
        }
        _exit(1);
    }
    int status = 0;
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_true(WIFSIGNALED(status) && WTERMSIG(status) == SIGKILL);
    expect_content(b, "old");
    char temporary[128] = "";
    assert_true(read(channel[0], temporary, sizeof temporary - 1) > 0);
    assert_int_equal(unlink(temporary), 0); /* what a kill leaves lies beside the result, under another name */
    (void)close(channel[0]);
    (void)close(channel[1]);
}

static void unwritable_places_are_named(void **state) {
    bench *b = *state;
    char path[96];
    (void)snprintf(path, sizeof path, "%s/missing/result.csv", b->folder);
    assert_int_equal(tw_write_file(b->ctx, path, "x", 1), TW_STORAGE);
    assert_string_equal(tw_ctx_error(b->ctx)->file, path);
    tw_ctx_clear_error(b->ctx);
    assert_int_equal(tw_write_file(b->ctx, b->folder, "x", 1), TW_STORAGE); /* a folder cannot be replaced */
    assert_string_equal(tw_ctx_error(b->ctx)->file, b->folder);
    struct stat info;
    assert_int_equal(stat(b->folder, &info), 0);
    assert_true(S_ISDIR(info.st_mode));
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(text_survives_failing_allocations, set_up, tear_down),
        cmocka_unit_test_setup_teardown(warnings_survive_failing_allocations, set_up, tear_down),
        cmocka_unit_test_setup_teardown(files_survive_failing_allocations, set_up, tear_down),
        cmocka_unit_test_setup_teardown(full_disk_keeps_the_old_file, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_kill_while_writing_keeps_the_old_file, set_up, tear_down),
        cmocka_unit_test_setup_teardown(unwritable_places_are_named, set_up, tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

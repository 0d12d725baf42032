/* A full disk, and a drawing library without its devices. Both change the whole process, so each has its own. */
#include "report_fixture.h"

#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

typedef int child_fn(tw_ctx *ctx, const tw_reading *reading, const char *folder);

/* Runs the function in a process of its own; its result is the number of the check that failed, 0 for none. */
static void in_a_process(child_fn *fn) {
    char folder[64];
    fixture_folder(folder, sizeof folder);
    const pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        tw_ctx *ctx = tw_ctx_create();
        tw_reading reading;
        const fixture_opts opts = {TW_READING_ANALYSIS, TW_COMMUTATION_FULL_ZVS, TW_COMMUTATION_FULL_ZVS};
        fixture_reading(ctx, &opts, &reading);
        const int result = fn(ctx, &reading, folder);
        tw_reading_dispose(&reading);
        tw_ctx_destroy(ctx);
        _exit(result);
    }
    int status;
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_true(WIFEXITED(status));
    assert_int_equal(WEXITSTATUS(status), 0);
    assert_int_equal(fixture_count_files(folder), 0);
    fixture_remove_folder(folder);
}

static int with_a_full_disk(tw_ctx *ctx, const tw_reading *reading, const char *folder) {
    char path[128];
    tw_rehearsal rehearsal;
    fixture_rehearsal(ctx, &rehearsal);
    (void)signal(SIGXFSZ, SIG_IGN);
    /* room for the list of devices that the drawing library writes for itself, not for a drawing */
    struct rlimit limit = {8000, 8000};
    if (setrlimit(RLIMIT_FSIZE, &limit) != 0) {
        return 1;
    }
    static const char *const PLOTS[] = {"a.svg", "a.pdf", "a.png"};
    for (size_t k = 0; k < 3; k++) {
        (void)snprintf(path, sizeof path, "%s/%s", folder, PLOTS[k]);
        if (tw_report_plot(ctx, reading, path) != TW_STORAGE || strcmp(tw_ctx_error(ctx)->file, path) != 0 ||
            strstr(tw_ctx_error(ctx)->message, "cannot write") == NULL) {
            return 2;
        }
        tw_ctx_clear_error(ctx);
    }
    (void)snprintf(path, sizeof path, "%s/a", folder);
    if (tw_report_write_html(ctx, reading, path) != TW_STORAGE) {
        return 3;
    }
    limit.rlim_cur = 100;
    if (setrlimit(RLIMIT_FSIZE, &limit) != 0) {
        return 4;
    }
    if (tw_report_write_waveforms(ctx, reading, path) != TW_STORAGE ||
        tw_report_write_rehearsal(ctx, &rehearsal, path) != TW_STORAGE) {
        return 5;
    }
    tw_rehearsal_dispose(&rehearsal);
    return 0;
}

static bool library_is_blamed(const tw_ctx *ctx, tw_status status) {
    const tw_error *error = tw_ctx_error(ctx);
    return status != TW_OK && error->status == status && strstr(error->message, "plotting library") != NULL;
}

static int with_a_full_disk_from_the_start(tw_ctx *ctx, const tw_reading *reading, const char *folder) {
    char path[128];
    (void)signal(SIGXFSZ, SIG_IGN);
    const struct rlimit limit = {0, 0};
    if (setrlimit(RLIMIT_FSIZE, &limit) != 0) {
        return 1;
    }
    (void)snprintf(path, sizeof path, "%s/a.svg", folder);
    return library_is_blamed(ctx, tw_report_plot(ctx, reading, path)) ? 0 : 2;
}

static int without_devices(tw_ctx *ctx, const tw_reading *reading, const char *folder) {
    char path[128];
    if (setenv("PLPLOT_DRV_DIR", folder, 1) != 0) { /* an empty folder */
        return 1;
    }
    (void)snprintf(path, sizeof path, "%s/a.png", folder);
    return library_is_blamed(ctx, tw_report_plot(ctx, reading, path)) ? 0 : 2;
}

static void a_full_disk_leaves_nothing(void **state) {
    (void)state;
    in_a_process(with_a_full_disk);
    in_a_process(with_a_full_disk_from_the_start);
}

static void missing_devices_are_an_error(void **state) {
    (void)state;
    in_a_process(without_devices);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(missing_devices_are_an_error),
        cmocka_unit_test(a_full_disk_leaves_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

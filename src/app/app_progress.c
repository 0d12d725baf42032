/* A progress bar on a terminal's standard error for work over a second, and the interrupt key.
 *
 * An interrupt sets a flag that the progress callback hands on, so that the work ends at a point where nothing is half
 * written. A second one ends the program at once. */
#include "app.h"

#include <signal.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#define PATIENCE_S 1.0
#define REDRAW_S 0.1
#define BAR_WIDTH 30

static volatile sig_atomic_t interrupted; /* the signal's number; the only way for it to reach the work */

static void on_signal(int number) {
    interrupted = number;
}

static double now_s(void) {
    struct timespec now;
    return clock_gettime(CLOCK_MONOTONIC, &now) == 0 ? (double)now.tv_sec + 1e-9 * (double)now.tv_nsec : 0.0;
}

static void draw_bar(app *a, double fraction, const char *what) {
    char bar[BAR_WIDTH + 1];
    const double part = fraction < 0.0 ? 0.0 : fraction > 1.0 ? 1.0 : fraction;
    const size_t full = (size_t)(part * BAR_WIDTH + 0.5);
    memset(bar, '.', BAR_WIDTH);
    memset(bar, '=', full);
    bar[BAR_WIDTH] = '\0';
    (void)fprintf(stderr, "\r[%s] %3.0f %% %.40s\033[K", bar, 100.0 * part, what != NULL ? what : "");
    (void)fflush(stderr);
    a->bar_shown = true;
}

void app_clear_bar(app *a) {
    if (a->bar_shown) {
        (void)fprintf(stderr, "\r\033[K");
        a->bar_shown = false;
    }
}

static bool on_progress(double fraction, const char *what, void *user) {
    app *a = user;
    const double now = now_s();
    if (now - a->started_s >= PATIENCE_S && now - a->drawn_s >= REDRAW_S && isatty(STDERR_FILENO) == 1) {
        a->drawn_s = now;
        draw_bar(a, fraction, what);
    }
    return interrupted != 0;
}

void app_watch(app *a) {
    struct sigaction action = {.sa_handler = on_signal, .sa_flags = (int)SA_RESETHAND};
    (void)sigemptyset(&action.sa_mask);
    (void)sigaction(SIGINT, &action, NULL);
    (void)sigaction(SIGTERM, &action, NULL);
    struct sigaction ignore = {.sa_handler = SIG_IGN}; /* a closed pipe then shows as a failing write */
    (void)sigemptyset(&ignore.sa_mask);
    (void)sigaction(SIGPIPE, &ignore, NULL);
    a->started_s = now_s();
    tw_ctx_set_progress(a->ctx, on_progress, a);
}

int app_end(int status) {
    if (interrupted != 0 && status != APP_DONE) {
        (void)raise(interrupted); /* its handler is the default one again: the shell sees what ended the program */
    }
    return status;
}

/* What to expect at the rig's operating point: the engine's periodic solution as a reading.
 *
 * The time axis covers two periods from the high gate's closing: a uniform grid, merged with the instants where the
 * engine's pieces begin (a corner is a corner, a jump is a jump) and with a finer grid over each swing. */
#include "study_internal.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define GRID_POINTS 1000 /* per period; a plot 1000 pixels wide shows no more */
#define SWING_POINTS 24  /* per swing */
#define MOST_BREAKS 256
#define PERIODS TW_STUDY_PERIODS

/* A jump is drawn as two points this share of a period apart. */
#define JUMP_WIDTH 1e-9

static int ascending(const void *a, const void *b) {
    const double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

typedef struct axis {
    double *time_s;
    size_t n, capacity;
} axis;

static void axis_add(axis *a, double time_s, double period_s) {
    if (isfinite(time_s) && a->n < a->capacity) {
        const double wrapped = time_s - period_s * floor(time_s / period_s);
        a->time_s[a->n++] = wrapped < period_s ? wrapped : 0.0;
    }
}

static void axis_add_swing(axis *a, const tw_edge *edge, double period_s) {
    for (int k = 0; k <= SWING_POINTS; k++) {
        axis_add(a, edge->turn_off_s + edge->swing_time_s * k / SWING_POINTS, period_s);
    }
}

static size_t without_repeats(double *sorted, size_t n) {
    size_t kept = 0;
    for (size_t k = 0; k < n; k++) {
        if (kept == 0 || sorted[k] > sorted[kept - 1]) {
            sorted[kept++] = sorted[k];
        }
    }
    return kept;
}

/* The instants of one period, then of two. *time_s goes to the caller. */
static tw_status make_axis(tw_ctx *ctx, const tw_steady *steady, double **time_s, size_t *n_points) {
    const tw_operating_point *point = tw_steady_point(steady);
    const double period_s = point->period_s;
    double breaks[MOST_BREAKS];
    const size_t count = tw_steady_breaks(steady, breaks, MOST_BREAKS);
    const size_t n_breaks = count < MOST_BREAKS ? count : MOST_BREAKS;
    axis a = {.capacity = GRID_POINTS + 2 * MOST_BREAKS + 2 * (SWING_POINTS + 1)};
    if ((a.time_s = tw_alloc(ctx, PERIODS * a.capacity + 1, sizeof(double))) == NULL) {
        return TW_NO_MEMORY;
    }
    for (int k = 0; k < GRID_POINTS; k++) {
        axis_add(&a, period_s * k / GRID_POINTS, period_s);
    }
    for (size_t k = 0; k < n_breaks; k++) {
        axis_add(&a, breaks[k], period_s);
        axis_add(&a, breaks[k] - JUMP_WIDTH * period_s, period_s);
    }
    axis_add_swing(&a, &point->falling, period_s);
    axis_add_swing(&a, &point->rising, period_s);
    qsort(a.time_s, a.n, sizeof(double), ascending);
    a.n = without_repeats(a.time_s, a.n);
    for (size_t k = 0; k < a.n; k++) {
        a.time_s[a.n + k] = a.time_s[k] + period_s;
    }
    a.time_s[2 * a.n] = PERIODS * period_s;
    *time_s = a.time_s;
    *n_points = PERIODS * a.n + 1;
    return TW_OK;
}

static tw_status add_waves(tw_ctx *ctx, const tw_steady *steady, bool with_pan, tw_reading *reading) {
    for (int signal = 0; signal < TW_SIGNAL_COUNT; signal++) {
        if (signal == TW_SIGNAL_PAN_CURRENT && !with_pan) {
            continue;
        }
        double *values = NULL;
        TW_TRY(
            tw_study__add_wave(ctx, reading->waves, &reading->n_waves, reading->n_points, (tw_signal)signal, &values));
        tw_steady_sample(steady, (tw_signal)signal, reading->time_s, reading->n_points, values);
    }
    return TW_OK;
}

/* What the person should know about the prediction itself. */
static tw_status add_warnings(tw_ctx *ctx, const tw_rig *rig, const tw_half_bridge *stage, const tw_operating_point *p,
                              tw_warnings *list) {
    TW_TRY(tw_study__warn_rail(ctx, rig, stage->rail_v, list));
    if (stage->frequency_hz < p->resonant_frequency_hz) {
        TW_TRY(
            tw_warn(ctx, list, "below_resonance",
                    "the bridge runs below the tank's resonance of %.2f kHz: each switch closes on the full rail and "
                    "against the other's diode",
                    p->resonant_frequency_hz / 1e3));
    }
    return TW_OK;
}

static tw_status fill(tw_ctx *ctx, const tw_rig *rig, const tw_half_bridge *stage, const tw_steady *steady,
                      tw_reading *out) {
    const tw_operating_point *point = tw_steady_point(steady);
    out->kind = TW_READING_FORECAST;
    memcpy(out->title, rig->title, sizeof out->title);
    tw_study__read_point(rig, stage, point, out);
    TW_TRY(tw_study__spread(ctx, rig, out));
    TW_TRY(make_axis(ctx, steady, &out->time_s, &out->n_points));
    TW_TRY(add_waves(ctx, steady, stage->load.n_branches > 0, out));
    return add_warnings(ctx, rig, stage, point, &out->warnings);
}

tw_status tw_study_forecast(tw_ctx *ctx, const tw_rig *rig, tw_reading *out) {
    tw_half_bridge stage;
    tw_steady *steady = NULL;
    tw_study__load_notes notes;
    TW_TRY(tw_study__stage(ctx, rig, &stage, &notes));
    TW_TRY(tw_steady_solve(ctx, &stage, NULL, &steady));
    tw_reading reading = {0};
    tw_status status = fill(ctx, rig, &stage, steady, &reading);
    if (status == TW_OK) {
        status = tw_study__warn_field(ctx, &notes, &reading.warnings);
    }
    tw_steady_destroy(steady);
    if (status != TW_OK) {
        tw_reading_dispose(&reading);
        return status;
    }
    *out = reading;
    return TW_OK;
}

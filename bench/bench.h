/* Shared by all benchmarks: timing, rows, the table and build/bench.json.
 *
 * A benchmark is a function that measures our work and the reference's in the same run and adds one row or more. */
#ifndef TW_BENCH_H
#define TW_BENCH_H

#include "tankwright/base.h"

typedef struct bench_row {
    const char *name, *unit;
    double ours, reference;     /* in `unit`; reference NaN where there is none */
    const char *reference_name; /* "" where there is none */
    double ratio;               /* reference / ours: how many times better; NaN without a reference */
    double goal;                /* in `unit`, or a ratio where the unit is "ratio"; NaN: none */
    const char *bound_by;       /* what the time goes into */
} bench_row;

typedef struct bench {
    tw_ctx *ctx;
    size_t n_rows;
    bench_row rows[200];
} bench;

typedef struct bench_times {
    double min_s, median_s;
    size_t repeats;
} bench_times;

typedef void bench_work(void *user);

/* Runs `work` often enough to fill about `seconds` (at least three batches), by the monotonic clock. */
bench_times bench_time(bench_work *work, void *user, double seconds);

/* Adds a row; ratio = reference / ours (so unit must be one where less is better). Strings are borrowed. */
void bench_add(bench *b, const char *name, const char *unit, double ours, double reference, const char *reference_name,
               double goal, const char *bound_by);

/* Ends the program with a message: a benchmark that cannot run must not look like a result. */
void bench_require(bool ok, const bench *b, const char *what);

void bench_capture(bench *b);
void bench_coil(bench *b);
void bench_map(bench *b);
void bench_steady(bench *b);

#endif

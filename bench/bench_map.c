/* Maps: time of a point by one thread and by all, beside a solution from scratch for every point; parallel efficiency;
 * how the time grows from 10^4 to 10^5 points; a million points. All columns of the results are stored. The least of
 * several runs counts, taken in turns, so that what else the machine does falls on all alike. The efficiency by the
 * clock needs the cores for itself; the processor time that all threads take together, over that of one, tells on a
 * busy machine too whether threads cost work. */
#include "bench.h"

#include <math.h>
#include <time.h>
#include <unistd.h>

#include "tankwright/plan.h"

enum { SMALL = 10000, LARGE = 100000, MILLION = 1000000, REPEATS = 5 };

static tw_status set_stage(tw_ctx *ctx, const double *values, const void *user, tw_half_bridge *stage) {
    (void)ctx;
    *stage = *(const tw_half_bridge *)user;
    stage->frequency_hz = values[0];
    return TW_OK;
}

/* By the clock, and by the processors. */
typedef struct spent {
    double wall_s, cpu_s;
} spent;

static double clock_s(clockid_t clock) {
    struct timespec t;
    (void)clock_gettime(clock, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static spent now(void) {
    return (spent){clock_s(CLOCK_MONOTONIC), clock_s(CLOCK_PROCESS_CPUTIME_ID)};
}

/* Per point, since `start`. */
static spent since(spent start, size_t points) {
    const spent end = now();
    return (spent){(end.wall_s - start.wall_s) / (double)points, (end.cpu_s - start.cpu_s) / (double)points};
}

static void keep_least(spent *least, spent other) {
    least->wall_s = fmin(least->wall_s, other.wall_s);
    least->cpu_s = fmin(least->cpu_s, other.cpu_s);
}

/* Seconds a point for a map of n frequencies, evenly over the range. */
static spent map_s(bench *b, const tw_half_bridge *stage, double *f, size_t n, uint64_t columns, unsigned threads) {
    for (size_t k = 0; k < n; k++) {
        f[k] = 20e3 + 40e3 * (double)k / (double)n;
    }
    const tw_plan_request request = {
        .n_axes = 1, .axes = {{f, n}}, .columns = columns, .stage = set_stage, .user = stage, .threads = threads};
    tw_plan_map map;
    const spent start = now();
    bench_require(tw_plan_map_solve(b->ctx, &request, &map) == TW_OK && map.n_failed == 0, b, "map");
    const spent point = since(start, n);
    tw_plan_map_dispose(&map);
    return point;
}

/* The same points, each as if it were the only one. */
static spent singly_s(bench *b, tw_half_bridge stage, size_t n) {
    const spent start = now();
    for (size_t k = 0; k < n; k++) {
        tw_steady *steady = NULL;
        stage.frequency_hz = 20e3 + 40e3 * (double)k / (double)n;
        bench_require(tw_steady_solve(b->ctx, &stage, NULL, &steady) == TW_OK, b, "steady point");
        tw_steady_destroy(steady);
    }
    return since(start, n);
}

void bench_map(bench *b) {
    const tw_half_bridge stage = {.rail_v = 318.0,
                                  .dead_time_s = 1.8e-6,
                                  .snubber_capacitance_f = 10e-9,
                                  .transistor = {0.9, 0.02},
                                  .diode = {0.8, 0.015},
                                  .capacitance_f = 660e-9,
                                  .esr_ohm = 3e-3,
                                  .split = true,
                                  .load = tw_load_coupled(90e-6, 0.12, 0.67, 5.0)};
    const long cores = sysconf(_SC_NPROCESSORS_ONLN);
    double *f = tw_alloc(b->ctx, MILLION, sizeof *f);
    bench_require(f != NULL, b, "memory for an axis");
    spent single = {INFINITY, INFINITY}, one_small = single, one_large = single, all_large = single;
    for (int k = 0; k < REPEATS; k++) {
        keep_least(&single, singly_s(b, stage, SMALL));
        keep_least(&one_small, map_s(b, &stage, f, SMALL, TW_PLAN_ALL_COLUMNS, 1));
        keep_least(&one_large, map_s(b, &stage, f, LARGE, TW_PLAN_ALL_COLUMNS, 1));
        keep_least(&all_large, map_s(b, &stage, f, LARGE, TW_PLAN_ALL_COLUMNS, 0));
    }
    bench_add(b, "map_point_one_thread", "us", 1e6 * one_large.cpu_s, 1e6 * single.cpu_s, "every point from scratch",
              NAN, "the engine's points");
    bench_add(b, "map_point_all_threads", "us", 1e6 * all_large.wall_s, 1e6 * one_large.wall_s, "one thread", NAN,
              "the engine's points");
    bench_add(b, "map_efficiency", "ratio", one_large.wall_s / all_large.wall_s / (double)(cores > 0 ? cores : 1), NAN,
              "", 0.9, "what else runs on the cores");
    bench_add(b, "map_work_of_threads", "ratio", all_large.cpu_s / one_large.cpu_s, NAN, "", 1.1,
              "shared caches and memory");
    bench_add(b, "map_linearity", "ratio", one_large.cpu_s / one_small.cpu_s, NAN, "", 1.05, "memory of the output");
    const spent million = map_s(b, &stage, f, MILLION, tw_plan_bit(TW_PLAN_REAL_POWER), 0);
    bench_add(b, "map_million", "s", MILLION * million.wall_s, NAN, "", NAN, "the engine's points");
    tw_free(f);
}

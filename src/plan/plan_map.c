/* The map: every point of a grid, solved by as many threads as there are.
 *
 * The grid is dealt out in blocks of BLOCK neighbouring points along axis 0, taken by whichever thread is free (below
 * resonance a point costs more than above it, and a shared machine does not run all threads alike). The first point
 * of a block starts from the phasors, the rest from their neighbour's state. Since the blocks do not depend on the
 * threads, neither does any bit of the result. Threads write to different elements of arrays made beforehand; what they
 * share else are a stop flag and a counter. The progress callback is called by the calling thread only, which is thread
 * 0 of the team. */
#include <math.h>
#include <string.h>

#include "plan_private.h"

#ifdef _OPENMP
#include <omp.h>
#define TW_OMP(directive) _Pragma(#directive)
#else
#define TW_OMP(directive)
#endif

static const char room[] = "plan";

enum { BLOCK = 64, POINTS_PER_PROGRESS = 16, MOST_THREADS = 1024 };

static size_t thread_number(void) {
#ifdef _OPENMP
    return (size_t)omp_get_thread_num();
#else
    return 0;
#endif
}

static size_t thread_limit(void) {
#ifdef _OPENMP
    return (size_t)omp_get_max_threads();
#else
    return 1;
#endif
}

/* ---- one point -------------------------------------------------------------------------------------- */

tw_status tw_plan__worker_init(tw_ctx *ctx, tw_plan__worker *worker) {
    *worker = (tw_plan__worker){.ctx = tw_ctx_create(), .first_failed = SIZE_MAX};
    return worker->ctx != NULL ? TW_OK : tw_fail(ctx, TW_NO_MEMORY, room, "no memory for another thread");
}

void tw_plan__worker_dispose(tw_plan__worker *worker) {
    tw_steady_destroy(worker->steady);
    tw_ctx_destroy(worker->ctx);
    *worker = (tw_plan__worker){.ctx = NULL};
}

tw_status tw_plan__solve_point(const tw_plan_request *request, const double *values, bool near, tw_plan__worker *worker,
                               bool *solved) {
    tw_ctx_clear_error(worker->ctx);
    tw_status status = request->stage(worker->ctx, values, request->user, &worker->stage);
    if (status == TW_OK) {
        status = worker->steady == NULL ? tw_steady_solve(worker->ctx, &worker->stage, NULL, &worker->steady)
                                        : tw_steady_resolve(worker->ctx, worker->steady, &worker->stage, NULL, near);
    }
    *solved = status == TW_OK;
    return status == TW_NO_MEMORY ? TW_NO_MEMORY : TW_OK;
}

/* ---- checks ------------------------------------------------------------------------------------------ */

tw_status tw_plan__check(tw_ctx *ctx, const tw_plan_request *request) {
    if (request->n_axes < 1 || request->n_axes > TW_PLAN_AXES) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, room, "%zu axes; a map has 1 to %d", request->n_axes, TW_PLAN_AXES);
    }
    double points = 1.0;
    for (size_t a = 0; a < request->n_axes; a++) {
        const tw_plan_axis *axis = &request->axes[a];
        if (axis->n < 1) {
            return tw_fail(ctx, TW_BAD_ARGUMENT, room, "axis %zu has no points", a + 1);
        }
        points *= (double)axis->n;
        if (points > TW_PLAN_MOST_POINTS) {
            return tw_fail(ctx, TW_TOO_LARGE, room, "%.6g points are too many for one map; at most %d", points,
                           TW_PLAN_MOST_POINTS);
        }
        for (size_t k = 0; k < axis->n; k++) {
            if (!isfinite(axis->values[k])) {
                return tw_fail(ctx, TW_BAD_ARGUMENT, room, "value %zu of axis %zu is not finite", k + 1, a + 1);
            }
        }
    }
    return TW_OK;
}

tw_status tw_plan__check_line(tw_ctx *ctx, const tw_plan_request *request, const tw_plan_map *map) {
    TW_TRY(tw_plan__check(ctx, request));
    if (request->n_axes != 1 || map->n_points != request->axes[0].n) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, room, "needs a map along one axis, solved on that axis");
    }
    return TW_OK;
}

/* ---- all points -------------------------------------------------------------------------------------- */

typedef struct job {
    tw_ctx *ctx; /* the calling thread's */
    const tw_plan_request *request;
    tw_plan_map *map;
    tw_plan__worker *workers;
    size_t n_workers, n_blocks, done; /* done: points, atomic */
    int stop;                         /* tw_status, atomic; the first reason to end early */
} job;

static int read_stop(const job *j) {
    int stop;
    TW_OMP(omp atomic read)
    stop = j->stop;
    return stop;
}

static void set_stop(job *j, tw_status status) {
    TW_OMP(omp atomic write)
    j->stop = (int)status;
}

static size_t add_done(job *j, size_t n) {
    size_t done;
    TW_OMP(omp atomic capture)
    done = j->done += n;
    return done;
}

static void store(const job *j, size_t index, const tw_plan__worker *w, bool solved) {
    const tw_operating_point *point = solved ? tw_steady_point(w->steady) : NULL;
    for (unsigned c = 0; c < TW_PLAN_COLUMN_COUNT; c++) {
        if (j->map->columns[c] != NULL) {
            j->map->columns[c][index] = solved ? tw_plan_value(&w->stage, point, (tw_plan_column)c) : (double)NAN;
        }
    }
    j->map->commutation[index] = (unsigned char)(solved ? point->commutation : TW_COMMUTATION_UNKNOWN);
}

static void note_failure(tw_plan__worker *w, size_t index) {
    w->n_failed++;
    if (index < w->first_failed) {
        w->first_failed = index;
        w->first_error = *tw_ctx_error(w->ctx);
    }
}

static tw_status report_progress(const job *j, size_t done) {
    return tw_progress(j->ctx, (double)done / (double)j->map->n_points, "mapping");
}

static void run_block(job *j, tw_plan__worker *w, size_t block, bool reports) {
    const tw_plan_axis *axes = j->request->axes;
    const size_t first = block * BLOCK, n = j->map->n_points;
    const size_t end = n - first < BLOCK ? n : first + BLOCK;
    for (size_t k = first; k < end; k++) {
        const double values[TW_PLAN_AXES] = {axes[0].values[k % axes[0].n],
                                             j->request->n_axes > 1 ? axes[1].values[k / axes[0].n] : 0.0};
        bool solved = false;
        if (read_stop(j) != TW_OK) {
            return;
        }
        tw_status status = tw_plan__solve_point(j->request, values, k > first && k % axes[0].n > 0, w, &solved);
        store(j, k, w, solved);
        if (!solved) {
            note_failure(w, k);
        }
        const size_t done = add_done(j, 1);
        if (status == TW_OK && reports && k % POINTS_PER_PROGRESS == 0) {
            status = report_progress(j, done);
        }
        if (status != TW_OK) {
            set_stop(j, status);
        }
    }
}

static void run_blocks(job *j) {
    TW_OMP(omp parallel num_threads((int)j->n_workers)) {
        tw_plan__worker *mine = &j->workers[thread_number()];
        const bool reports = thread_number() == 0;
        TW_OMP(omp for schedule(dynamic, 1) nowait)
        for (size_t block = 0; block < j->n_blocks; block++) {
            run_block(j, mine, block, reports);
        }
    }
}

static void gather_failures(const job *j) {
    j->map->first_failed = SIZE_MAX;
    for (size_t k = 0; k < j->n_workers; k++) {
        const tw_plan__worker *w = &j->workers[k];
        j->map->n_failed += w->n_failed;
        if (w->first_failed < j->map->first_failed) {
            j->map->first_failed = w->first_failed;
            j->map->first_error = w->first_error;
        }
    }
}

static tw_status run_job(job *j) {
    if ((j->workers = tw_alloc(j->ctx, j->n_workers, sizeof *j->workers)) == NULL) {
        return TW_NO_MEMORY;
    }
    tw_status status = report_progress(j, 0);
    size_t ready = 0;
    while (status == TW_OK && ready < j->n_workers) {
        status = tw_plan__worker_init(j->ctx, &j->workers[ready]);
        ready += status == TW_OK ? 1 : 0;
    }
    if (status == TW_OK) {
        run_blocks(j);
        status = (tw_status)j->stop;
        gather_failures(j);
        if (status == TW_NO_MEMORY) {
            status = tw_fail(j->ctx, TW_NO_MEMORY, room, "no memory for a point of the map");
        }
    }
    for (size_t k = 0; k < ready; k++) {
        tw_plan__worker_dispose(&j->workers[k]);
    }
    tw_free(j->workers);
    return status == TW_OK ? report_progress(j, j->map->n_points) : status;
}

static tw_status make_arrays(tw_ctx *ctx, uint64_t columns, tw_plan_map *map) {
    map->commutation = tw_alloc(ctx, map->n_points, 1);
    tw_status status = map->commutation != NULL ? TW_OK : TW_NO_MEMORY;
    for (unsigned c = 0; c < TW_PLAN_COLUMN_COUNT && status == TW_OK; c++) {
        if (columns & tw_plan_bit((tw_plan_column)c)) {
            map->columns[c] = tw_alloc(ctx, map->n_points, sizeof(double));
            status = map->columns[c] != NULL ? TW_OK : TW_NO_MEMORY;
        }
    }
    return status;
}

tw_status tw_plan_map_solve(tw_ctx *ctx, const tw_plan_request *request, tw_plan_map *out) {
    TW_TRY(tw_plan__check(ctx, request));
    tw_plan_map map = {.n_points = request->axes[0].n * (request->n_axes > 1 ? request->axes[1].n : 1)};
    tw_status status = make_arrays(ctx, request->columns, &map);
    if (status == TW_OK) {
        job j = {.ctx = ctx, .request = request, .map = &map, .n_blocks = (map.n_points + BLOCK - 1) / BLOCK};
        const size_t wanted = request->threads > 0 ? request->threads : thread_limit();
        j.n_workers = wanted < j.n_blocks ? wanted : j.n_blocks;
        j.n_workers = j.n_workers < MOST_THREADS ? j.n_workers : MOST_THREADS;
        status = run_job(&j);
    }
    if (status != TW_OK) {
        tw_plan_map_dispose(&map);
        return status;
    }
    *out = map;
    return TW_OK;
}

void tw_plan_map_dispose(tw_plan_map *map) {
    for (size_t c = 0; c < TW_PLAN_COLUMN_COUNT; c++) {
        tw_free(map->columns[c]);
    }
    tw_free(map->commutation);
    memset(map, 0, sizeof *map);
}

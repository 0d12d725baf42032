/* Along one axis: borders between verdicts by bisection, and all places where a result takes a value.
 *
 * Both work on the engine itself, starting from the points of a solved map. Roots: Brent's method (numeric), between
 * neighbouring points on either side of the target. Extremes between points: golden section (J. Kiefer, Proc. Amer.
 * Math. Soc. 4 (1953) 502) on the two intervals about the highest (lowest) point. */
#include <math.h>
#include <string.h>

#include "plan_private.h"
#include "tankwright/numeric.h"

static const char room[] = "plan";

/* Borders are known to this share of the axis's span. */
#define BORDER 1e-9
/* A root is one where the result is within this share of the target (or of the column's span): a jump is none. */
#define AGREES 1e-9
/* Roots nearer than this share of the span are one. */
#define SAME 1e-10

typedef struct line {
    tw_ctx *ctx;
    const tw_plan_request *request;
    tw_plan__worker worker;
    tw_plan_column column;
    double target, scale;
    tw_status status; /* out of memory inside a callback */
} line;

static tw_status line_init(tw_ctx *ctx, const tw_plan_request *request, line *l) {
    *l = (line){.ctx = ctx, .request = request};
    return tw_plan__worker_init(ctx, &l->worker);
}

/* Solves the axis at x from scratch. */
static bool solve_at(line *l, double x) {
    const double values[TW_PLAN_AXES] = {x};
    bool solved = false;
    if (l->status == TW_OK && tw_plan__solve_point(l->request, values, false, &l->worker, &solved) != TW_OK) {
        l->status = tw_fail(l->ctx, TW_NO_MEMORY, room, "no memory for a point of the axis");
    }
    return solved && l->status == TW_OK;
}

/* ---- regions ------------------------------------------------------------------------------------------ */

static tw_commutation verdict_at(line *l, double x) {
    return solve_at(l, x) ? tw_steady_point(l->worker.steady)->commutation : TW_COMMUTATION_UNKNOWN;
}

typedef struct region_list {
    tw_plan_region *items;
    size_t n, capacity;
} region_list;

/* Ends the last stretch at `x` and begins the next. */
static tw_status begin_region(tw_ctx *ctx, region_list *list, double x, tw_commutation verdict) {
    if (list->n == list->capacity) {
        const size_t capacity = list->capacity > 0 ? 2 * list->capacity : 8;
        tw_plan_region *more = tw_resize(ctx, list->items, capacity, sizeof *more);
        if (more == NULL) {
            return TW_NO_MEMORY;
        }
        list->items = more;
        list->capacity = capacity;
    }
    if (list->n > 0) {
        list->items[list->n - 1].to = x;
    }
    list->items[list->n++] = (tw_plan_region){x, x, verdict};
    return TW_OK;
}

/* The borders between two neighbouring points; a third verdict that turns up between them gets its stretch too. */
static tw_status find_borders(line *l, double low, tw_commutation before, double high, tw_commutation after,
                              region_list *list) {
    enum { MOST_BORDERS = 8 };
    const tw_plan_axis *axis = &l->request->axes[0];
    const double tolerance = BORDER * fabs(axis->values[axis->n - 1] - axis->values[0]);
    for (int k = 0; k < MOST_BORDERS && before != after; k++) {
        double near = low, far = high;
        tw_commutation beyond = after;
        while (fabs(far - near) > tolerance) {
            const double middle = 0.5 * (near + far);
            const tw_commutation here = verdict_at(l, middle);
            if (here == before) {
                near = middle;
            } else {
                far = middle;
                beyond = here;
            }
            if (middle == low || middle == high) {
                break;
            }
        }
        TW_TRY(l->status);
        TW_TRY(begin_region(l->ctx, list, 0.5 * (near + far), beyond));
        low = far;
        before = beyond;
    }
    return before == after ? TW_OK : begin_region(l->ctx, list, high, after);
}

tw_status tw_plan_find_regions(tw_ctx *ctx, const tw_plan_request *request, const tw_plan_map *map,
                               tw_plan_region **regions, size_t *n_regions) {
    TW_TRY(tw_plan__check_line(ctx, request, map));
    const double *x = request->axes[0].values;
    region_list list = {NULL, 0, 0};
    line l;
    TW_TRY(line_init(ctx, request, &l));
    tw_status status = begin_region(ctx, &list, x[0], (tw_commutation)map->commutation[0]);
    for (size_t k = 1; k < map->n_points && status == TW_OK; k++) {
        const tw_commutation before = (tw_commutation)map->commutation[k - 1];
        const tw_commutation after = (tw_commutation)map->commutation[k];
        if (before != after) {
            status = find_borders(&l, x[k - 1], before, x[k], after, &list);
            if (status == TW_OK) {
                status = tw_progress(ctx, (double)k / (double)map->n_points, "finding the borders");
            }
        }
    }
    tw_plan__worker_dispose(&l.worker);
    if (status != TW_OK) {
        tw_free(list.items);
        return status;
    }
    list.items[list.n - 1].to = x[map->n_points - 1];
    *regions = list.items;
    *n_regions = list.n;
    return TW_OK;
}

/* ---- inverse ------------------------------------------------------------------------------------------ */

static double value_at(line *l, double x) {
    return solve_at(l, x) ? tw_plan_value(&l->worker.stage, tw_steady_point(l->worker.steady), l->column) : (double)NAN;
}

static double distance_at(double x, void *user) {
    line *l = user;
    return value_at(l, x) - l->target;
}

/* The highest (sign 1) or lowest (sign -1) value between low and high. */
static double find_extreme(line *l, double sign, double low, double high, double *at) {
    enum { STEPS = 44 }; /* 0.618^44 < 1e-9: a parabola's top is flat to rounding long before */
    const double golden = 0.5 * (sqrt(5.0) - 1.0);
    double a = high - golden * (high - low), b = low + golden * (high - low);
    double fa = sign * value_at(l, a), fb = sign * value_at(l, b);
    for (int k = 0; k < STEPS; k++) {
        if (fa >= fb) {
            high = b;
            b = a;
            fb = fa;
            a = high - golden * (high - low);
            fa = sign * value_at(l, a);
        } else {
            low = a;
            a = b;
            fa = fb;
            b = low + golden * (high - low);
            fb = sign * value_at(l, b);
        }
    }
    *at = fa >= fb ? a : b;
    return sign * fmax(fa, fb);
}

static tw_status add_solution(line *l, double x, tw_plan_inverse *out) {
    const tw_plan_axis *axis = &l->request->axes[0];
    const double span = axis->values[axis->n - 1] - axis->values[0];
    for (size_t k = 0; k < out->n_solutions; k++) {
        if (fabs(x - out->solutions[k].at) <= SAME * span) {
            return TW_OK;
        }
    }
    const double miss = distance_at(x, l);
    if (!(fabs(miss) <= AGREES * l->scale)) {
        return l->status; /* a jump, not a root */
    }
    if (out->n_solutions == TW_PLAN_MOST_SOLUTIONS) {
        return tw_fail(l->ctx, TW_TOO_LARGE, room, "the value is taken at more than %d places along the axis",
                       TW_PLAN_MOST_SOLUTIONS);
    }
    tw_plan_solution *s = &out->solutions[out->n_solutions++];
    *s = (tw_plan_solution){.at = x, .stage = l->worker.stage, .point = *tw_steady_point(l->worker.steady)};
    s->inductive = s->stage.frequency_hz > s->point.resonant_frequency_hz;
    return TW_OK;
}

/* The root between low and high if the result changes sides there. */
static tw_status close_in(line *l, double low, double high, tw_plan_inverse *out) {
    const double f_low = distance_at(low, l), f_high = distance_at(high, l);
    const double nothing = 1e-3 * AGREES * l->scale; /* rounding of the engine */
    TW_TRY(l->status);
    if (fabs(f_low) <= nothing) {
        TW_TRY(add_solution(l, low, out));
    }
    if (isfinite(f_low) && isfinite(f_high) && fabs(f_low) > nothing && fabs(f_high) > nothing &&
        (f_low < 0.0) != (f_high < 0.0)) {
        double root;
        const bool clean = tw_ctx_error(l->ctx)->status == TW_OK;
        const tw_status status = tw_root_solve(l->ctx, distance_at, l, low, high, 0.0, &root);
        TW_TRY(l->status);
        if (status == TW_OK) {
            TW_TRY(add_solution(l, root, out));
        } else if (clean) {
            tw_ctx_clear_error(l->ctx); /* a point without solution in between: no root that could be told */
        }
    }
    return fabs(f_high) <= nothing ? add_solution(l, high, out) : TW_OK;
}

/* Point k of the map is higher (sign 1) or lower than its neighbours. */
static bool is_extreme(const double *v, size_t n, size_t k, double sign) {
    return k > 0 && k + 1 < n && sign * v[k] >= sign * v[k - 1] && sign * v[k] >= sign * v[k + 1];
}

/* Widens the reachable span by the point and, where it is an extreme, by what lies about it; closes in on two roots
 * about an extreme that reaches the target only between points. */
static tw_status look_about(line *l, const double *v, size_t n, size_t k, tw_plan_inverse *out) {
    const double *x = l->request->axes[0].values;
    for (double sign = -1.0; sign <= 1.0; sign += 2.0) {
        double at = x[k], best = v[k];
        const double reached = sign > 0.0 ? out->most : out->least;
        const bool may_reach = sign * v[k] < sign * l->target;
        if (is_extreme(v, n, k, sign) && (may_reach || !(sign * v[k] < sign * reached))) {
            double at_refined;
            const double refined = find_extreme(l, sign, x[k - 1], x[k + 1], &at_refined);
            TW_TRY(l->status);
            if (sign * refined > sign * best) {
                best = refined;
                at = at_refined;
            }
            if (may_reach && sign * best >= sign * l->target) {
                TW_TRY(close_in(l, x[k - 1], at, out));
                TW_TRY(close_in(l, at, x[k + 1], out));
            }
        }
        if (isnan(reached) || sign * best > sign * reached) {
            *(sign > 0.0 ? &out->most : &out->least) = best;
            *(sign > 0.0 ? &out->most_at : &out->least_at) = at;
        }
    }
    return TW_OK;
}

static int severity(tw_commutation verdict) {
    static const tw_commutation order[] = {TW_COMMUTATION_FULL_ZVS, TW_COMMUTATION_REBOUND, TW_COMMUTATION_PARTIAL_ZVS,
                                           TW_COMMUTATION_HARD};
    int k = 0;
    while (k < 4 && order[k] != verdict) {
        k++;
    }
    return k;
}

static size_t recommend(const tw_plan_inverse *inverse) {
    size_t best = inverse->n_solutions;
    for (size_t k = 0; k < inverse->n_solutions; k++) {
        const tw_plan_solution *s = &inverse->solutions[k];
        if (!s->inductive) {
            continue;
        }
        const tw_plan_solution *b = best < inverse->n_solutions ? &inverse->solutions[best] : NULL;
        const int better = b != NULL ? severity(b->point.commutation) - severity(s->point.commutation) : 1;
        if (better > 0 || (better == 0 && tw_plan_value(&s->stage, &s->point, TW_PLAN_ZERO_CROSSING_MARGIN) >
                                              tw_plan_value(&b->stage, &b->point, TW_PLAN_ZERO_CROSSING_MARGIN))) {
            best = k;
        }
    }
    return best;
}

static tw_status scan(line *l, const double *v, size_t n, tw_plan_inverse *out) {
    const double *x = l->request->axes[0].values;
    for (size_t k = 0; k < n; k++) {
        if (!isfinite(v[k])) {
            continue;
        }
        TW_TRY(look_about(l, v, n, k, out));
        if (k + 1 < n && isfinite(v[k + 1]) && (v[k] - l->target) * (v[k + 1] - l->target) <= 0.0) {
            TW_TRY(close_in(l, x[k], x[k + 1], out));
        }
        if (n == 1) {
            TW_TRY(close_in(l, x[0], x[0], out));
        }
        if (k % 64 == 0) {
            TW_TRY(tw_progress(l->ctx, (double)k / (double)n, "looking for the value"));
        }
    }
    return TW_OK;
}

static void sort_solutions(tw_plan_inverse *inverse) {
    for (size_t k = 1; k < inverse->n_solutions; k++) {
        const tw_plan_solution moving = inverse->solutions[k];
        size_t to = k;
        for (; to > 0 && inverse->solutions[to - 1].at > moving.at; to--) {
            inverse->solutions[to] = inverse->solutions[to - 1];
        }
        inverse->solutions[to] = moving;
    }
}

tw_status tw_plan_solve_for(tw_ctx *ctx, const tw_plan_request *request, const tw_plan_map *map, tw_plan_column column,
                            double target, tw_plan_inverse *out) {
    TW_TRY(tw_plan__check_line(ctx, request, map));
    if ((unsigned)column >= TW_PLAN_COLUMN_COUNT || map->columns[column] == NULL) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, room, "the map does not hold the column that is asked for");
    }
    if (!isfinite(target)) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, room, "the wanted value is not finite");
    }
    const double *x = request->axes[0].values, *v = map->columns[column];
    double largest = fabs(target);
    for (size_t k = 0; k < map->n_points; k++) {
        if (k > 0 && !(x[k] > x[k - 1])) {
            return tw_fail(ctx, TW_BAD_ARGUMENT, room, "the axis does not ascend at value %zu", k + 1);
        }
        largest = isfinite(v[k]) && target == 0.0 ? fmax(largest, fabs(v[k])) : largest;
    }
    tw_plan_inverse *inverse = tw_alloc(ctx, 1, sizeof *inverse);
    if (inverse == NULL) {
        return TW_NO_MEMORY;
    }
    *inverse = (tw_plan_inverse){.least = NAN, .least_at = NAN, .most = NAN, .most_at = NAN};
    line l;
    tw_status status = line_init(ctx, request, &l);
    if (status == TW_OK) {
        l.column = column;
        l.target = target;
        l.scale = largest;
        status = scan(&l, v, map->n_points, inverse);
    }
    tw_plan__worker_dispose(&l.worker);
    if (status == TW_OK) {
        sort_solutions(inverse);
        inverse->recommended = recommend(inverse);
        *out = *inverse;
    }
    tw_free(inverse);
    return status;
}

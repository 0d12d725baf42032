/* Maps of the operating point over one or two of the rig's numbers.
 *
 * The rig becomes a recipe once; a point of the map turns the axes' knobs on a copy of it, so that the engine's threads
 * share nothing that changes. The gap to a pan of pan.kind field is no such knob: each of its points makes the stage
 * anew, field, saturation and chain. Values are taken as they stand: a map of uncertain numbers is a tolerance run's
 * work. */
#include "study_internal.h"

#include <math.h>
#include <string.h>

#include "tankwright/numeric.h"

/* Points of an axis that names no number: a curve's, and each axis of a plane. */
enum { LINE_POINTS = 200, PLANE_POINTS = 60, SEARCH_POINTS = 400 };
/* The same for the gap, whose points cost a field each. */
enum { GAP_LINE_POINTS = 30, GAP_PLANE_POINTS = 15 };

/* The frequency's range where a target comes without an axis, in resonances: from below a third, where the third
 * harmonic meets resonance, to where the power is a percent. */
#define SEARCH_FROM 0.3
#define SEARCH_TO 4.0

/* What text and drawings show, and what a map holds at least. */
static const tw_plan_column BASIC[] = {TW_PLAN_SWITCHING_FREQUENCY,
                                       TW_PLAN_RESONANT_FREQUENCY,
                                       TW_PLAN_REAL_POWER,
                                       TW_PLAN_COIL_CURRENT_PEAK,
                                       TW_PLAN_COIL_CURRENT_RMS,
                                       TW_PLAN_CAPACITOR_VOLTAGE_PEAK,
                                       TW_PLAN_TURN_OFF_CURRENT,
                                       TW_PLAN_SWING_TIME,
                                       TW_PLAN_ZERO_CROSSING_MARGIN,
                                       TW_PLAN_DEAD_TIME,
                                       TW_PLAN_DEAD_TIME_SHORTEST,
                                       TW_PLAN_DEAD_TIME_LONGEST,
                                       TW_PLAN_FORCED_COMMUTATION_ENERGY};

typedef struct mapping {
    tw_study__recipe recipe;
    size_t n_axes;
    const tw_study__knob *knobs[TW_PLAN_AXES];
    const tw_rig *anew; /* where an axis is the gap: the rig that each point's stage is made from; else NULL */
} mapping;

static tw_half_bridge stage_at(const mapping *m, const double *values) {
    tw_study__recipe recipe = m->recipe;
    for (size_t a = 0; a < m->n_axes; a++) {
        tw_study__recipe_set(&recipe, m->knobs[a], values[a]);
    }
    return tw_study__recipe_stage(&recipe);
}

static tw_status set_stage(tw_ctx *ctx, const double *values, const void *user, tw_half_bridge *stage) {
    const mapping *m = user;
    if (m->anew == NULL) {
        *stage = stage_at(m, values);
        return TW_OK;
    }
    tw_rig rig = *m->anew;
    for (size_t a = 0; a < m->n_axes; a++) {
        const tw_value value = tw_exactly(values[a]);
        memcpy((char *)&rig + m->knobs[a]->offset, &value, sizeof value);
    }
    return tw_study_stage(ctx, &rig, stage);
}

tw_map_opts tw_map_opts_default(void) {
    return (tw_map_opts){.along = NULL};
}

/* ---- axes and columns ------------------------------------------------------------------------------ */

/* The frequency about resonance, as far as the dead time lets it go. */
static tw_status default_axis(tw_ctx *ctx, tw_rig *rig, tw_map_axis *out) {
    tw_half_bridge stage;
    double f0 = 0.0;
    if (rig->pan.kind != TW_PAN_FIELD || !tw_is_known(rig->bridge.frequency_hz)) {
        /* any legal one: resonance does not depend on it (a winding's loss may) */
        rig->bridge.frequency_hz = tw_exactly(rig->pan.kind == TW_PAN_FIELD ? 25e3 : 100.0);
    }
    TW_TRY(tw_study_stage(ctx, rig, &stage));
    TW_TRY(tw_load_resonance(ctx, &stage.load, stage.capacitance_f, &f0));
    const double low = fmax(100.0, SEARCH_FROM * f0);
    const double high = fmin(fmin(SEARCH_TO * f0, 10e6), 0.49 / stage.dead_time_s);
    if (!(high > low)) {
        return tw_fail(ctx, TW_NEEDS_OPTION, "study",
                       "the dead time leaves no frequency about resonance; name a range with --along "
                       "bridge.frequency=FROM..TO");
    }
    *out = (tw_map_axis){.key = "bridge.frequency", .label = "switching frequency", .unit = "Hz"};
    TW_TRY(tw_study__fill_axis(ctx, low, high, SEARCH_POINTS, true, out));
    rig->bridge.frequency_hz = tw_exactly(out->values[0]);
    return TW_OK;
}

static tw_status make_axes(tw_ctx *ctx, const tw_map_opts *opts, tw_rig *rig, tw_map *map) {
    if (opts->n_along == 0 && opts->target != NULL) {
        TW_TRY(default_axis(ctx, rig, &map->axes[0]));
        map->n_axes = 1;
        return TW_OK;
    }
    const size_t most = opts->target != NULL ? 1 : TW_PLAN_AXES;
    if (opts->n_along < 1 || opts->n_along > most) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, "study", "%zu axes; %s", opts->n_along,
                       opts->target != NULL ? "a target is looked for along one" : "a map has one or two");
    }
    for (size_t a = 0; a < opts->n_along; a++) {
        const bool line = opts->n_along == 1, gap = strncmp(opts->along[a], "pan.gap", 7) == 0;
        const size_t points = gap ? (line ? GAP_LINE_POINTS : GAP_PLANE_POINTS) : line ? LINE_POINTS : PLANE_POINTS;
        TW_TRY(tw_study__map_axis(ctx, opts->along[a], points, rig, &map->axes[a]));
        map->n_axes++;
    }
    if (map->n_axes > 1 && strcmp(map->axes[0].key, map->axes[1].key) == 0) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, "study", "both axes are %s", map->axes[0].key);
    }
    return TW_OK;
}

static tw_status choose_columns(tw_ctx *ctx, const tw_map_opts *opts, const tw_map *map, uint64_t *asked,
                                uint64_t *all) {
    uint64_t basic = 0;
    for (size_t k = 0; k < sizeof BASIC / sizeof BASIC[0]; k++) {
        basic |= tw_plan_bit(BASIC[k]);
    }
    *asked = opts->all_columns ? TW_PLAN_ALL_COLUMNS : opts->n_columns == 0 ? basic : 0;
    for (size_t k = 0; k < opts->n_columns; k++) {
        tw_plan_column column;
        TW_TRY(tw_study__map_column(ctx, "--columns", opts->columns[k], strlen(opts->columns[k]), &column));
        *asked |= tw_plan_bit(column);
    }
    *all = *asked | basic;
    if (map->has_target) {
        *all |= tw_plan_bit(tw_plan_find_column(map->target.key));
    }
    return TW_OK;
}

/* ---- results --------------------------------------------------------------------------------------- */

/* The arrays change hands. */
static void take_columns(uint64_t asked, tw_plan_map *solved, tw_map *map) {
    for (unsigned c = 0; c < TW_PLAN_COLUMN_COUNT; c++) {
        if (solved->columns[c] == NULL) {
            continue;
        }
        const tw_field field = tw_study__field(tw_plan_column_key((tw_plan_column)c), 0.0);
        map->columns[map->n_columns++] =
            (tw_map_column){field.key, field.label, field.unit, (asked >> c & 1u) != 0, solved->columns[c]};
        solved->columns[c] = NULL;
    }
    map->commutation = solved->commutation;
    solved->commutation = NULL;
    map->n_points = solved->n_points;
    map->n_failed = solved->n_failed;
}

static tw_status warn_of_failures(tw_ctx *ctx, const tw_plan_map *solved, tw_map *map) {
    if (solved->n_failed == 0) {
        return TW_OK;
    }
    char at[2][TW_NUMBER_TEXT + 80] = {"", ""};
    for (size_t a = 0; a < map->n_axes; a++) {
        const size_t n = map->axes[0].n;
        const size_t index = a == 0 ? solved->first_failed % n : solved->first_failed / n;
        (void)snprintf(at[a], sizeof at[a], "%s%s = %.6g %s", a > 0 ? ", " : "", map->axes[a].key,
                       map->axes[a].values[index], map->axes[a].unit);
    }
    return tw_warn(ctx, &map->warnings, "points_failed",
                   "%zu of %zu points have no solution and are left out; the first at %s%s: %.60s%s%.160s",
                   solved->n_failed, solved->n_points, at[0], at[1], solved->first_error.key,
                   solved->first_error.key[0] != '\0' ? ": " : "", solved->first_error.message);
}

typedef struct crossing {
    tw_ctx *ctx;
    const mapping *mapping;
} crossing;

/* How far the switching lies above resonance at x. */
static double above_resonance(double x, void *user) {
    const crossing *c = user;
    const double values[TW_PLAN_AXES] = {x};
    tw_half_bridge stage;
    double f0 = NAN;
    const bool clean = tw_ctx_error(c->ctx)->status == TW_OK;
    const bool found = set_stage(c->ctx, values, c->mapping, &stage) == TW_OK &&
                       tw_load_resonance(c->ctx, &stage.load, stage.capacitance_f, &f0) == TW_OK;
    if (!found && clean) {
        tw_ctx_clear_error(c->ctx);
        return NAN;
    }
    return stage.frequency_hz - f0;
}

static double find_resonance(tw_ctx *ctx, const mapping *m, const tw_map_axis *axis) {
    crossing c = {ctx, m};
    for (size_t k = 1; k < axis->n; k++) {
        const double a = above_resonance(axis->values[k - 1], &c), b = above_resonance(axis->values[k], &c);
        double root = NAN;
        if (isfinite(a) && isfinite(b) && (a < 0.0) != (b < 0.0) &&
            tw_root_solve(ctx, above_resonance, &c, axis->values[k - 1], axis->values[k], 0.0, &root) == TW_OK) {
            return root;
        }
    }
    return NAN;
}

static tw_status along_the_line(tw_ctx *ctx, const mapping *m, const tw_plan_request *request,
                                const tw_plan_map *solved, tw_map *map) {
    TW_TRY(tw_plan_find_regions(ctx, request, solved, &map->regions, &map->n_regions));
    map->resonance_at = find_resonance(ctx, m, &map->axes[0]);
    return map->has_target ? tw_study__map_inverse(ctx, request, solved, map) : TW_OK;
}

static tw_status solve(tw_ctx *ctx, const tw_rig *rig, const tw_map_opts *opts, const mapping *m, tw_map *map) {
    uint64_t asked = 0, all = 0;
    TW_TRY(choose_columns(ctx, opts, map, &asked, &all));
    tw_plan_request request = {
        .n_axes = map->n_axes, .columns = all, .stage = set_stage, .user = m, .threads = opts->threads};
    for (size_t a = 0; a < map->n_axes; a++) {
        request.axes[a] = (tw_plan_axis){map->axes[a].values, map->axes[a].n};
    }
    tw_plan_map solved;
    TW_TRY(tw_plan_map_solve(ctx, &request, &solved));
    tw_status status = map->n_axes == 1 ? along_the_line(ctx, m, &request, &solved, map) : TW_OK;
    if (status == TW_OK) {
        status = warn_of_failures(ctx, &solved, map);
    }
    take_columns(asked, &solved, map);
    tw_plan_map_dispose(&solved);
    TW_TRY(status);
    bool rail_moves = false;
    for (size_t a = 0; a < map->n_axes; a++) {
        rail_moves = rail_moves || strcmp(map->axes[a].unit, "V") == 0;
    }
    return rail_moves ? TW_OK : tw_study__warn_rail(ctx, rig, m->recipe.stage.rail_v, &map->warnings);
}

/* The pan's field, and the current that saturates it, are those of the rig itself rather than of the axis's beginning.
 */
static void keep_known(const tw_rig *rig, const tw_map *map, tw_rig *first) {
    for (size_t a = 0; a < map->n_axes; a++) {
        const size_t offset = tw_study__find_knob(map->axes[a].key)->offset;
        tw_value value;
        memcpy(&value, (const char *)rig + offset, sizeof value);
        if (tw_is_known(value)) {
            memcpy((char *)first + offset, &value, sizeof value);
        }
    }
}

tw_status tw_study_map(tw_ctx *ctx, const tw_rig *rig, const tw_map_opts *opts, tw_map *out) {
    const tw_map_opts chosen = opts != NULL ? *opts : tw_map_opts_default();
    tw_map map = {.resonance_at = NAN, .least = NAN, .least_at = NAN, .most = NAN, .most_at = NAN};
    tw_rig first = *rig; /* at the axes' first values */
    mapping m = {.n_axes = 0};
    memcpy(map.title, rig->title, sizeof map.title);
    tw_status status = TW_OK;
    if (chosen.target != NULL) {
        status = tw_study__map_target(ctx, chosen.target, &map.target);
        map.has_target = true;
    }
    if (status == TW_OK) {
        status = make_axes(ctx, &chosen, &first, &map);
    }
    if (status == TW_OK) {
        if (rig->pan.kind == TW_PAN_FIELD) {
            keep_known(rig, &map, &first);
        }
        status = tw_study__recipe_make(ctx, &first, &m.recipe);
    }
    if (status == TW_OK) {
        for (m.n_axes = 0; m.n_axes < map.n_axes; m.n_axes++) {
            m.knobs[m.n_axes] = tw_study__find_knob(map.axes[m.n_axes].key);
            m.anew = strcmp(map.axes[m.n_axes].key, "pan.gap") == 0 ? &first : m.anew;
        }
        status = solve(ctx, &first, &chosen, &m, &map);
    }
    if (status != TW_OK) {
        tw_map_dispose(&map);
        return status;
    }
    *out = map;
    return TW_OK;
}

const tw_map_column *tw_map_find_column(const tw_map *map, const char *key) {
    for (size_t k = 0; k < map->n_columns; k++) {
        if (strcmp(map->columns[k].key, key) == 0) {
            return &map->columns[k];
        }
    }
    return NULL;
}

void tw_map_dispose(tw_map *map) {
    for (size_t a = 0; a < TW_PLAN_AXES; a++) {
        tw_free(map->axes[a].values);
    }
    for (size_t k = 0; k < map->n_columns; k++) {
        tw_free(map->columns[k].values);
    }
    tw_free(map->commutation);
    tw_free(map->regions);
    tw_free(map->solutions);
    tw_warnings_dispose(&map->warnings);
    memset(map, 0, sizeof *map);
}

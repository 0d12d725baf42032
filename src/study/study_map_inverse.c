/* Where along the axis a result takes the wanted value: plan finds the places, here they get their names. */
#include "study_internal.h"

#include <math.h>
#include <string.h>

#include "tankwright/units.h"

static void put_value(double value, const char *unit, char *out) {
    int k = 0;
    while (k + 1 < TW_UNIT_COUNT && strcmp(tw_unit_symbol((tw_unit)k), unit) != 0) {
        k++;
    }
    (void)tw_value_format(tw_exactly(value), (tw_unit)k, 4, out);
}

/* The target is met nowhere: what could be had, and where. */
static tw_status out_of_reach(tw_ctx *ctx, const tw_map *map) {
    const tw_map_axis *axis = &map->axes[0];
    char want[TW_QUANTITY_TEXT], from[TW_QUANTITY_TEXT], to[TW_QUANTITY_TEXT];
    char least[TW_QUANTITY_TEXT], least_at[TW_QUANTITY_TEXT], most[TW_QUANTITY_TEXT], most_at[TW_QUANTITY_TEXT];
    put_value(map->target.value.value, map->target.unit, want);
    put_value(axis->values[0], axis->unit, from);
    put_value(axis->values[axis->n - 1], axis->unit, to);
    if (isnan(map->most)) {
        return tw_fail(ctx, TW_OUT_OF_RANGE, "study", "%s exists nowhere along %s from %s to %s", map->target.key,
                       axis->key, from, to);
    }
    put_value(map->least, map->target.unit, least);
    put_value(map->least_at, axis->unit, least_at);
    put_value(map->most, map->target.unit, most);
    put_value(map->most_at, axis->unit, most_at);
    const bool jumped = map->target.value.value >= map->least && map->target.value.value <= map->most;
    return tw_fail(ctx, TW_OUT_OF_RANGE, "study",
                   "no %s from %.40s to %.40s gives %s = %.40s: there it goes from %.40s (at %.40s) to %.40s (at "
                   "%.40s)%s",
                   axis->key, from, to, map->target.key, want, least, least_at, most, most_at,
                   jumped ? " and jumps over this value" : "");
}

static void fill_solution(const tw_plan_solution *from, tw_map_solution *to) {
    *to = (tw_map_solution){.at = from->at, .inductive = from->inductive, .commutation = from->point.commutation};
    for (unsigned c = 0; c < TW_PLAN_COLUMN_COUNT; c++) {
        const double value = tw_plan_value(&from->stage, &from->point, (tw_plan_column)c);
        to->fields[to->n_fields++] = tw_study__field(tw_plan_column_key((tw_plan_column)c), value);
    }
}

static tw_status take_over(tw_ctx *ctx, const tw_plan_inverse *inverse, tw_map *map) {
    map->least = inverse->least;
    map->least_at = inverse->least_at;
    map->most = inverse->most;
    map->most_at = inverse->most_at;
    if (inverse->n_solutions == 0) {
        return out_of_reach(ctx, map);
    }
    map->solutions = tw_alloc(ctx, inverse->n_solutions, sizeof *map->solutions);
    if (map->solutions == NULL) {
        return TW_NO_MEMORY;
    }
    map->n_solutions = inverse->n_solutions;
    map->recommended = inverse->recommended;
    for (size_t k = 0; k < map->n_solutions; k++) {
        fill_solution(&inverse->solutions[k], &map->solutions[k]);
    }
    if (map->recommended < map->n_solutions) {
        return TW_OK;
    }
    return tw_warn(ctx, &map->warnings, "not_inductive",
                   "the value is met below resonance only, where every switch closes on the full rail and against the "
                   "other's diode: none of these points is recommended");
}

tw_status tw_study__map_inverse(tw_ctx *ctx, const tw_plan_request *request, const tw_plan_map *solved, tw_map *map) {
    tw_plan_inverse *inverse = tw_alloc(ctx, 1, sizeof *inverse);
    if (inverse == NULL) {
        return TW_NO_MEMORY;
    }
    tw_status status =
        tw_plan_solve_for(ctx, request, solved, tw_plan_find_column(map->target.key), map->target.value.value, inverse);
    if (status == TW_OK) {
        status = take_over(ctx, inverse, map);
    }
    tw_free(inverse);
    return status;
}

/* Maps, regions and the inverse on one stage, and what is refused. */
#include "testing.h"

#include <math.h>
#include <string.h>

#include "plan_stage.h"

static int make_context(void **state) {
    *state = tw_ctx_create();
    return *state == NULL;
}

static int drop_context(void **state) {
    tw_ctx_destroy(*state);
    return 0;
}

static const size_t one = 1, two = 2;

static tw_plan_request line_of(const double *values, size_t n, uint64_t columns) {
    return (tw_plan_request){.n_axes = 1, .axes = {{values, n}}, .columns = columns, .stage = plan_set, .user = &one};
}

static void a_point_of_the_map_is_the_engines(void **state) {
    tw_ctx *ctx = *state;
    const double f = 26.3e3;
    const tw_plan_request r = line_of(&f, 1, TW_PLAN_ALL_COLUMNS);
    const tw_half_bridge stage = plan_stage(f, 0.66);
    tw_plan_map map;
    tw_steady *steady = NULL;
    assert_ok(tw_plan_map_solve(ctx, &r, &map), ctx);
    assert_ok(tw_steady_solve(ctx, &stage, NULL, &steady), ctx);
    const tw_operating_point *p = tw_steady_point(steady);
    assert_int_equal(map.n_points, 1);
    assert_int_equal(map.n_failed, 0);
    assert_int_equal(map.commutation[0], p->commutation);
    assert_true(map.columns[TW_PLAN_REAL_POWER][0] == p->real_power_w);
    assert_true(map.columns[TW_PLAN_COIL_CURRENT_PEAK][0] == p->coil_current_peak_a);
    assert_true(map.columns[TW_PLAN_TURN_OFF_CURRENT][0] == p->falling.turn_off_current_a);
    assert_true(map.columns[TW_PLAN_DEAD_TIME_LONGEST][0] == p->falling.window_longest_s);
    assert_true(map.columns[TW_PLAN_LOW_DIODE_PEAK][0] == p->low.diode_peak_a);
    assert_true(map.columns[TW_PLAN_ENERGY_DIODE][0] == p->energy.diode);
    assert_close(map.columns[TW_PLAN_BRIDGE_PHASE_LAG][0], p->bridge_phase_lag_rad * 180.0 / TW_PI, 1e-15, 0.0);
    assert_close(map.columns[TW_PLAN_EFFICIENCY][0], p->energy.pan / p->energy.supplied, 1e-15, 0.0);
    tw_steady_destroy(steady);
    tw_plan_map_dispose(&map);
}

static void every_column_has_its_own_key_and_value(void **state) {
    tw_ctx *ctx = *state;
    const tw_half_bridge stage = plan_stage(22.9e3, 0.66); /* hard: even the forced energy is not zero */
    tw_steady *steady = NULL;
    assert_ok(tw_steady_solve(ctx, &stage, NULL, &steady), ctx);
    for (unsigned c = 0; c < TW_PLAN_COLUMN_COUNT; c++) {
        const char *key = tw_plan_column_key((tw_plan_column)c);
        assert_int_equal(tw_plan_find_column(key), c);
        const bool window = c == TW_PLAN_DEAD_TIME_SHORTEST || c == TW_PLAN_DEAD_TIME_LONGEST;
        assert_true(isfinite(tw_plan_value(&stage, tw_steady_point(steady), (tw_plan_column)c)) != window);
    }
    assert_int_equal(tw_plan_find_column("real_powr"), TW_PLAN_COLUMN_COUNT);
    assert_null(tw_plan_column_key(TW_PLAN_COLUMN_COUNT));
    tw_steady_destroy(steady);
}

/* The number of threads must not change a bit. */
static void threads_do_not_matter(void **state) {
    tw_ctx *ctx = *state;
    double f[83], k[7];
    plan_fill(f, 83, 19.7e3, 61e3);
    plan_fill(k, 7, 0.0, 0.71);
    tw_plan_request r = {.n_axes = 2,
                         .axes = {{f, 83}, {k, 7}},
                         .columns = TW_PLAN_ALL_COLUMNS,
                         .stage = plan_set,
                         .user = &two,
                         .threads = 1};
    tw_plan_map first;
    assert_ok(tw_plan_map_solve(ctx, &r, &first), ctx);
    for (r.threads = 0; r.threads < 6; r.threads += r.threads == 0 ? 2 : 3) {
        tw_plan_map other;
        assert_ok(tw_plan_map_solve(ctx, &r, &other), ctx);
        assert_memory_equal(first.commutation, other.commutation, first.n_points);
        for (size_t c = 0; c < TW_PLAN_COLUMN_COUNT; c++) {
            assert_memory_equal(first.columns[c], other.columns[c], first.n_points * sizeof(double));
        }
        tw_plan_map_dispose(&other);
    }
    /* axis 0 varies fastest, and a neighbour's start changes rounding only */
    const tw_half_bridge stage = plan_stage(f[37], k[4]);
    tw_steady *steady = NULL;
    assert_ok(tw_steady_solve(ctx, &stage, NULL, &steady), ctx);
    assert_close(first.columns[TW_PLAN_REAL_POWER][4 * 83 + 37], tw_steady_point(steady)->real_power_w, 1e-10, 0.0);
    assert_true(isnan(first.columns[TW_PLAN_PAN_POWER][5])); /* coupling 0: no pan */
    tw_steady_destroy(steady);
    tw_plan_map_dispose(&first);
}

static void a_failing_point_is_counted_not_fatal(void **state) {
    tw_ctx *ctx = *state;
    const double f[] = {25e3, 26e3, 400e3, 27e3, 500e3}; /* at 400 kHz the dead time is longer than half a period */
    const tw_plan_request r = line_of(f, 5, tw_plan_bit(TW_PLAN_REAL_POWER));
    tw_plan_map map;
    assert_ok(tw_plan_map_solve(ctx, &r, &map), ctx);
    assert_int_equal(map.n_failed, 2);
    assert_int_equal(map.first_failed, 2);
    assert_non_null(strstr(map.first_error.key, "dead_time"));
    assert_true(isnan(map.columns[TW_PLAN_REAL_POWER][2]) && isnan(map.columns[TW_PLAN_REAL_POWER][4]));
    assert_int_equal(map.commutation[4], TW_COMMUTATION_UNKNOWN);
    assert_true(map.columns[TW_PLAN_REAL_POWER][3] > 0.0);
    assert_null(map.columns[TW_PLAN_SWING_TIME]);
    assert_int_equal(tw_ctx_error(ctx)->status, TW_OK);
    tw_plan_map_dispose(&map);
}

static void bad_requests_are_named(void **state) {
    tw_ctx *ctx = *state;
    double values[3] = {25e3, NAN, 27e3};
    tw_plan_request r = line_of(values, 3, 0);
    tw_plan_map map;
    assert_int_equal(tw_plan_map_solve(ctx, &r, &map), TW_BAD_ARGUMENT);
    assert_non_null(strstr(tw_ctx_error(ctx)->message, "value 2 of axis 1"));
    tw_ctx_clear_error(ctx);
    r.axes[0].n = 0;
    assert_int_equal(tw_plan_map_solve(ctx, &r, &map), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    r.axes[0].n = 2000000000;
    assert_int_equal(tw_plan_map_solve(ctx, &r, &map), TW_TOO_LARGE);
    tw_ctx_clear_error(ctx);
    r.n_axes = 3;
    assert_int_equal(tw_plan_map_solve(ctx, &r, &map), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
}

typedef struct watcher {
    int calls, stop_at;
    double last;
} watcher;

static bool watch(double fraction, const char *what, void *user) {
    watcher *w = user;
    (void)what;
    w->last = fraction;
    return ++w->calls == w->stop_at;
}

static void progress_is_told_and_cancel_is_heard(void **state) {
    tw_ctx *ctx = *state;
    enum { N = 4000 };
    static double f[N];
    plan_fill(f, N, 20e3, 60e3);
    const tw_plan_request r = line_of(f, N, tw_plan_bit(TW_PLAN_REAL_POWER));
    watcher w = {.stop_at = 5};
    tw_plan_map map;
    tw_ctx_set_progress(ctx, watch, &w);
    assert_int_equal(tw_plan_map_solve(ctx, &r, &map), TW_CANCELLED);
    assert_int_equal(w.calls, 5); /* nobody asks again */
    assert_true(w.last < 1.0);
    tw_ctx_clear_error(ctx);
    w = (watcher){.stop_at = -1};
    assert_ok(tw_plan_map_solve(ctx, &r, &map), ctx);
    assert_true(w.calls > 20);
    assert_true(w.last == 1.0);
    tw_ctx_set_progress(ctx, NULL, NULL);
    tw_plan_map_dispose(&map);
}

static tw_commutation verdict_at(tw_ctx *ctx, double f) {
    const tw_half_bridge stage = plan_stage(f, 0.66);
    tw_steady *steady = NULL;
    assert_ok(tw_steady_solve(ctx, &stage, NULL, &steady), ctx);
    const tw_commutation verdict = tw_steady_point(steady)->commutation;
    tw_steady_destroy(steady);
    return verdict;
}

static void borders_separate_the_verdicts(void **state) {
    tw_ctx *ctx = *state;
    double f[23];
    plan_fill(f, 23, 20.1e3, 59.3e3);
    const tw_plan_request r = line_of(f, 23, 0);
    tw_plan_map map;
    tw_plan_region *regions = NULL;
    size_t n = 0;
    assert_ok(tw_plan_map_solve(ctx, &r, &map), ctx);
    assert_ok(tw_plan_find_regions(ctx, &r, &map, &regions, &n), ctx);
    assert_true(n >= 2);
    assert_true(regions[0].from == f[0] && regions[n - 1].to == f[22]);
    for (size_t k = 1; k < n; k++) {
        const double border = regions[k].from, step = 1e-7 * border;
        assert_true(regions[k - 1].to == border);
        assert_int_not_equal(regions[k - 1].verdict, regions[k].verdict);
        assert_int_equal(verdict_at(ctx, border - step), regions[k - 1].verdict);
        assert_int_equal(verdict_at(ctx, border + step), regions[k].verdict);
    }
    tw_free(regions);
    tw_plan_map_dispose(&map);
}

static double power_at(tw_ctx *ctx, double f) {
    const tw_half_bridge stage = plan_stage(f, 0.66);
    tw_steady *steady = NULL;
    assert_ok(tw_steady_solve(ctx, &stage, NULL, &steady), ctx);
    const double power = tw_steady_point(steady)->real_power_w;
    tw_steady_destroy(steady);
    return power;
}

static tw_plan_inverse solved(tw_ctx *ctx, const tw_plan_request *r, tw_plan_column column, double target) {
    tw_plan_map map;
    tw_plan_inverse inverse;
    assert_ok(tw_plan_map_solve(ctx, r, &map), ctx);
    assert_ok(tw_plan_solve_for(ctx, r, &map, column, target, &inverse), ctx);
    tw_plan_map_dispose(&map);
    return inverse;
}

static void the_inverse_finds_both_sides_of_resonance(void **state) {
    tw_ctx *ctx = *state;
    double f[37];
    plan_fill(f, 37, 19.1e3, 58.7e3);
    const tw_plan_request r = line_of(f, 37, tw_plan_bit(TW_PLAN_REAL_POWER));
    const tw_plan_inverse inverse = solved(ctx, &r, TW_PLAN_REAL_POWER, 4321.0);
    assert_int_equal(inverse.n_solutions, 2);
    assert_int_equal(inverse.recommended, 1);
    assert_false(inverse.solutions[0].inductive);
    assert_true(inverse.solutions[1].inductive);
    for (size_t k = 0; k < 2; k++) {
        assert_close(power_at(ctx, inverse.solutions[k].at), 4321.0, 1e-9, 0.0);
        assert_close(inverse.solutions[k].point.real_power_w, 4321.0, 1e-9, 0.0);
        assert_true(inverse.solutions[k].stage.frequency_hz == inverse.solutions[k].at);
    }
    /* the top lies between two points and is told as it is */
    for (size_t k = 0; k < 37; k++) {
        assert_true(power_at(ctx, f[k]) <= inverse.most * (1.0 + 1e-12));
    }
    assert_close(power_at(ctx, inverse.most_at), inverse.most, 1e-12, 0.0);
    assert_true(power_at(ctx, inverse.most_at * 1.0005) < inverse.most);
    assert_true(power_at(ctx, inverse.most_at * 0.9995) < inverse.most);
    assert_true(inverse.least == fmin(power_at(ctx, f[0]), inverse.least) && inverse.least_at == f[36]);
}

static void a_top_between_two_points_is_reached_from_both_sides(void **state) {
    tw_ctx *ctx = *state;
    double f[5];
    plan_fill(f, 5, 21e3, 41e3);
    const tw_plan_request r = line_of(f, 5, tw_plan_bit(TW_PLAN_REAL_POWER));
    const double most = solved(ctx, &r, TW_PLAN_REAL_POWER, 1e3).most;
    const tw_plan_inverse inverse = solved(ctx, &r, TW_PLAN_REAL_POWER, 0.9993 * most);
    for (size_t k = 0; k < 5; k++) {
        assert_true(power_at(ctx, f[k]) < 0.9993 * most); /* no point of the axis shows it */
    }
    assert_int_equal(inverse.n_solutions, 2);
    assert_true(inverse.solutions[0].at < inverse.most_at && inverse.most_at < inverse.solutions[1].at);
    assert_close(power_at(ctx, inverse.solutions[1].at), 0.9993 * most, 1e-9, 0.0);
}

static void out_of_reach_is_no_solution(void **state) {
    tw_ctx *ctx = *state;
    double f[21];
    plan_fill(f, 21, 30e3, 50e3);
    const tw_plan_request r = line_of(f, 21, tw_plan_bit(TW_PLAN_REAL_POWER));
    const tw_plan_inverse inverse = solved(ctx, &r, TW_PLAN_REAL_POWER, 9e9);
    assert_int_equal(inverse.n_solutions, 0);
    assert_int_equal(inverse.recommended, 0);
    assert_close(inverse.most, power_at(ctx, 30e3), 1e-10, 0.0);
    assert_close(inverse.least, power_at(ctx, 50e3), 1e-10, 0.0);
}

/* The forced energy falls to nothing where ZVS begins, the swing time jumps where the verdict changes. */
static void a_value_at_a_point_is_found_and_a_jump_is_not(void **state) {
    tw_ctx *ctx = *state;
    double f[9];
    plan_fill(f, 9, 26e3, 42e3);
    tw_plan_request r = line_of(f, 9, tw_plan_bit(TW_PLAN_REAL_POWER));
    tw_plan_inverse inverse = solved(ctx, &r, TW_PLAN_REAL_POWER, power_at(ctx, f[4]));
    assert_int_equal(inverse.n_solutions, 1);
    assert_close(inverse.solutions[0].at, f[4], 1e-9, 0.0);
    /* below resonance there is no lasting dead time: the window is NaN, which is no change of sign */
    plan_fill(f, 9, 20e3, 30e3);
    r.columns = tw_plan_bit(TW_PLAN_DEAD_TIME_SHORTEST);
    inverse = solved(ctx, &r, TW_PLAN_DEAD_TIME_SHORTEST, 1.0);
    assert_int_equal(inverse.n_solutions, 0);
}

static void a_line_is_needed(void **state) {
    tw_ctx *ctx = *state;
    double f[3] = {27e3, 26e3, 25e3};
    tw_plan_request r = line_of(f, 3, tw_plan_bit(TW_PLAN_REAL_POWER));
    tw_plan_map map;
    tw_plan_inverse inverse;
    assert_ok(tw_plan_map_solve(ctx, &r, &map), ctx);
    assert_int_equal(tw_plan_solve_for(ctx, &r, &map, TW_PLAN_REAL_POWER, 1e3, &inverse), TW_BAD_ARGUMENT);
    assert_non_null(strstr(tw_ctx_error(ctx)->message, "does not ascend"));
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_plan_solve_for(ctx, &r, &map, TW_PLAN_SWING_TIME, 1e-6, &inverse), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_plan_solve_for(ctx, &r, &map, TW_PLAN_REAL_POWER, NAN, &inverse), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    r.axes[0].n = 2;
    assert_int_equal(tw_plan_solve_for(ctx, &r, &map, TW_PLAN_REAL_POWER, 1e3, &inverse), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    tw_plan_map_dispose(&map);
}

/* An earlier solution's storage serves the next stage, after a failure too. */
static void a_solution_is_used_again(void **state) {
    tw_ctx *ctx = *state;
    const tw_half_bridge first = plan_stage(31.1e3, 0.66), second = plan_stage(27.9e3, 0.66),
                         third = plan_stage(27.9e3, 0.0), bad = plan_stage(400e3, 0.66);
    tw_steady *used = NULL, *fresh = NULL;
    assert_ok(tw_steady_solve(ctx, &first, NULL, &used), ctx);
    const tw_half_bridge *const stages[] = {&second, &third, &first};
    for (size_t k = 0; k < 6; k++) {
        const tw_half_bridge *stage = stages[k % 3];
        assert_int_equal(tw_steady_resolve(ctx, used, &bad, NULL, true), TW_OUT_OF_RANGE);
        tw_ctx_clear_error(ctx);
        assert_ok(tw_steady_resolve(ctx, used, stage, NULL, k >= 3), ctx);
        assert_ok(tw_steady_solve(ctx, stage, NULL, &fresh), ctx);
        const tw_operating_point *a = tw_steady_point(used), *b = tw_steady_point(fresh);
        assert_close(a->real_power_w, b->real_power_w, k < 3 ? 0.0 : 1e-11, 0.0);
        assert_close(a->falling.swing_time_s, b->falling.swing_time_s, k < 3 ? 0.0 : 1e-10, 0.0);
        assert_int_equal(a->pieces, b->pieces);
        tw_steady_destroy(fresh);
    }
    tw_steady_destroy(used);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(a_point_of_the_map_is_the_engines, make_context, drop_context),
        cmocka_unit_test_setup_teardown(every_column_has_its_own_key_and_value, make_context, drop_context),
        cmocka_unit_test_setup_teardown(threads_do_not_matter, make_context, drop_context),
        cmocka_unit_test_setup_teardown(a_failing_point_is_counted_not_fatal, make_context, drop_context),
        cmocka_unit_test_setup_teardown(bad_requests_are_named, make_context, drop_context),
        cmocka_unit_test_setup_teardown(progress_is_told_and_cancel_is_heard, make_context, drop_context),
        cmocka_unit_test_setup_teardown(borders_separate_the_verdicts, make_context, drop_context),
        cmocka_unit_test_setup_teardown(the_inverse_finds_both_sides_of_resonance, make_context, drop_context),
        cmocka_unit_test_setup_teardown(a_top_between_two_points_is_reached_from_both_sides, make_context,
                                        drop_context),
        cmocka_unit_test_setup_teardown(out_of_reach_is_no_solution, make_context, drop_context),
        cmocka_unit_test_setup_teardown(a_value_at_a_point_is_found_and_a_jump_is_not, make_context, drop_context),
        cmocka_unit_test_setup_teardown(a_line_is_needed, make_context, drop_context),
        cmocka_unit_test_setup_teardown(a_solution_is_used_again, make_context, drop_context),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

/* Every allocation of a map, of its regions and of the inverse fails once: an error, no leak, nothing half made. */
#include "testing.h"

#include <string.h>

#include "plan_stage.h"

static const size_t one = 1;

static tw_status work(tw_ctx *ctx) {
    enum { N = 70 };
    double f[N];
    plan_fill(f, N, 21e3, 58e3);
    const tw_plan_request r = {.n_axes = 1,
                               .axes = {{f, N}},
                               .columns = tw_plan_bit(TW_PLAN_REAL_POWER) | tw_plan_bit(TW_PLAN_SWING_TIME),
                               .stage = plan_set,
                               .user = &one,
                               .threads = 2};
    tw_plan_map map;
    tw_plan_region *regions = NULL;
    size_t n = 0;
    static tw_plan_inverse inverse;
    TW_TRY(tw_plan_map_solve(ctx, &r, &map));
    tw_status status = tw_plan_find_regions(ctx, &r, &map, &regions, &n);
    if (status == TW_OK) {
        status = tw_plan_solve_for(ctx, &r, &map, TW_PLAN_REAL_POWER, 1700.0, &inverse);
    }
    tw_free(regions);
    tw_plan_map_dispose(&map);
    return status;
}

static void every_allocation_may_fail(void **state) {
    (void)state;
    size_t n = 1;
    for (;; n++) {
        tw_ctx *ctx = tw_ctx_create();
        assert_non_null(ctx);
        tw_ctx_fail_allocation(ctx, n);
        const tw_status status = work(ctx);
        if (status != TW_OK) {
            assert_int_equal(status, TW_NO_MEMORY);
            assert_int_equal(tw_ctx_error(ctx)->status, TW_NO_MEMORY);
        }
        tw_ctx_destroy(ctx);
        if (status == TW_OK) {
            break;
        }
    }
    assert_true(n > 5);
}

int main(void) {
    const struct CMUnitTest tests[] = {cmocka_unit_test(every_allocation_may_fail)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}

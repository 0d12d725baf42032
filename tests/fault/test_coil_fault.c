/* coil when memory runs out: every allocation in turn fails; the call says so, leaves its outputs alone, leaks nothing
 * (address sanitizer), and works again afterwards. */
#include "testing.h"

#include "tankwright/coil.h"

#include <math.h>

static tw_turn turns[12];
static tw_winding coil;
static tw_coil_plan *plan;
static const tw_stack PAN = {2, {{0.5e-3, 1.6e6, 200, 0}, {3e-3, 3.5e7, 1, 0}}};

static int set_up(void **state) {
    tw_ctx *ctx = tw_ctx_create();
    *state = ctx;
    const tw_stack ferrite = tw_stack_ferrite(4e-3, 800, 5e-3, 1e-3, 3.5e7);
    coil = tw_winding_spiral(12, 0.02, 0.06, 1.2e-3, turns);
    return ctx == NULL || tw_coil_plan_create(ctx, &coil, &ferrite, 2e-3, NULL, &plan) != TW_OK;
}

static int tear_down(void **state) {
    tw_coil_plan_destroy(plan);
    tw_ctx_destroy(*state);
    return 0;
}

typedef tw_status work_fn(tw_ctx *ctx);

static tw_status work_plan(tw_ctx *ctx) {
    tw_coil_plan *p = NULL;
    const tw_status status = tw_coil_plan_create(ctx, &coil, NULL, 0, NULL, &p);
    assert_true((status == TW_OK) == (p != NULL));
    tw_coil_plan_destroy(p);
    return status;
}

static tw_status work_table(tw_ctx *ctx) {
    const double f[2] = {2e4, 3e4}, g[2] = {3e-3, 4e-3};
    tw_coil_z z[4] = {{.gap_m = 7.0}};
    const tw_status status = tw_coil_solve_table(ctx, plan, &PAN, 2, f, 2, g, z);
    assert_true((status == TW_OK) == (z[0].gap_m != 7.0));
    return status;
}

static tw_status work_losses(tw_ctx *ctx) {
    tw_layer_loss loss[2] = {{-1.0, 0}};
    const tw_status status = tw_coil_layer_losses(ctx, plan, &PAN, 3e-3, 2e4, loss);
    assert_true((status == TW_OK) == (loss[0].resistance_ohm > 0.0));
    return status;
}

static tw_status work_density(tw_ctx *ctx) {
    const double r[2] = {0.03, 0.05}, d[1] = {1e-4};
    double re[2] = {7.0, 7.0}, im[2];
    const tw_status status = tw_coil_current_density(ctx, plan, &PAN, 3e-3, 2e4, 0, 2, r, 1, d, re, im);
    assert_true((status == TW_OK) == (re[0] != 7.0));
    return status;
}

static tw_status work_surface(tw_ctx *ctx) {
    const double r = 0.03;
    double h = 0.0;
    TW_TRY(tw_coil_pan_surface(ctx, plan, &PAN, 3e-3, 2e4, 1, &r, &h, NULL));
    assert_true(h > 0.0);
    return TW_OK;
}

static tw_status work_share(tw_ctx *ctx) {
    double share;
    return tw_coil_pan_share(ctx, plan, &PAN, 3e-3, 2e4, 0.07, &share);
}

static tw_status work_gain(tw_ctx *ctx) {
    double re, im;
    return tw_coil_sense_gain(ctx, plan, &PAN, 3e-3, 2e4, 0.05, 4e-3, 1, 0.1, &re, &im);
}

static tw_status work_wire(tw_ctx *ctx) {
    const tw_wire wire = tw_wire_copper(30, 0.2e-3, 1.03, 60);
    tw_wire_loss loss = {.ac_ohm = -1.0};
    const tw_status status = tw_coil_wire_loss(ctx, plan, &wire, &PAN, 3e-3, 2e4, &loss);
    assert_true((status == TW_OK) == (loss.ac_ohm > 0.0));
    return status;
}

static tw_status work_saturated(tw_ctx *ctx) {
    const tw_saturation law = {TW_SATURATION_FROEHLICH, 200, 1.5};
    tw_coil_saturated r;
    return tw_coil_solve_saturated(ctx, plan, &PAN, &law, 3e-3, 2e4, 20, &r);
}

static tw_status work_chain(tw_ctx *ctx) {
    double f[12], re[12], im[12];
    for (size_t k = 0; k < 12; k++) {
        const double x = pow(1.5, (double)k);
        f[k] = 1e4 * x;
        re[k] = 0.1 + sqrt(x);
        im[k] = 6.0 * x + sqrt(x);
    }
    tw_coil_chain c = {.n_branches = 99};
    const tw_status status = tw_coil_fit_chain(ctx, 12, f, re, im, 4, &c);
    assert_true((status == TW_OK) == (c.n_branches != 99));
    return status;
}

static void every_allocation_may_fail(void **state) {
    tw_ctx *ctx = *state;
    static work_fn *const WORK[] = {work_plan,  work_table, work_losses, work_density,   work_surface,
                                    work_share, work_gain,  work_wire,   work_saturated, work_chain};
    for (size_t w = 0; w < sizeof WORK / sizeof WORK[0]; w++) {
        size_t failed = 0;
        tw_status status = TW_NO_MEMORY;
        for (size_t n = 1; status != TW_OK; n++) {
            assert_true(n < 3000);
            tw_ctx_fail_allocation(ctx, n);
            status = WORK[w](ctx);
            tw_ctx_fail_allocation(ctx, 0);
            if (status != TW_OK) {
                assert_int_equal(status, TW_NO_MEMORY);
                assert_int_equal(tw_ctx_error(ctx)->status, TW_NO_MEMORY);
                tw_ctx_clear_error(ctx);
                failed++;
            }
        }
        assert_true(failed > 0);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(every_allocation_may_fail, set_up, tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

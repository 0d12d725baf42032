/* Bad input: each refused by the name of its key, outputs untouched, the context's record filled. */
#include "testing.h"

#include "tankwright/coil.h"

#include <math.h>
#include <string.h>

static int set_up(void **state) {
    *state = tw_ctx_create();
    return *state == NULL;
}

static int tear_down(void **state) {
    tw_ctx_destroy(*state);
    return 0;
}

/* The call failed with this status at this key; clears the record. */
static void expect(tw_ctx *ctx, tw_status got, tw_status status, const char *key, const char *part) {
    const tw_error *e = tw_ctx_error(ctx);
    assert_int_equal(got, status);
    assert_int_equal(e->status, status);
    assert_string_equal(e->room, "coil");
    assert_string_equal(e->key, key);
    if (part != NULL && strstr(e->message, part) == NULL) {
        print_error("message: %s\n", e->message);
        fail();
    }
    tw_ctx_clear_error(ctx);
}

static void windings(void **state) {
    tw_ctx *ctx = *state;
    tw_winding w = tw_winding_section(-0.01, 0.09, 0.003, 24);
    expect(ctx, tw_winding_check(ctx, &w), TW_BAD_ARGUMENT, "coil.inner_radius", "-0.01");
    w = tw_winding_section(0.10, 0.09, 0.003, 24);
    expect(ctx, tw_winding_check(ctx, &w), TW_BAD_ARGUMENT, "coil.outer_radius", "0.09");
    w = tw_winding_section(0.02, NAN, 0.003, 24);
    expect(ctx, tw_winding_check(ctx, &w), TW_BAD_ARGUMENT, "coil.outer_radius", NULL);
    w = tw_winding_section(0.02, 0.09, -0.003, 24);
    expect(ctx, tw_winding_check(ctx, &w), TW_BAD_ARGUMENT, "coil.height", "-0.003");
    w = tw_winding_section(0.02, 0.02, 0.0, 24);
    expect(ctx, tw_winding_check(ctx, &w), TW_BAD_ARGUMENT, "coil.height", "extent");
    w = tw_winding_section(0.02, 0.09, 0.003, 0);
    expect(ctx, tw_winding_check(ctx, &w), TW_BAD_ARGUMENT, "coil.turns", NULL);
    tw_turn turn[5];
    w = tw_winding_spiral(5, 0.02, 0.03, 1.3e-3, turn);
    expect(ctx, tw_winding_check(ctx, &w), TW_BAD_ARGUMENT, "coil.turns[1]", "overlaps turn 0");
    w = tw_winding_spiral(5, 0.02, 0.04, 1.3e-3, turn);
    assert_ok(tw_winding_check(ctx, &w), ctx);
    turn[3].radius_m = 1e-3;
    expect(ctx, tw_winding_check(ctx, &w), TW_BAD_ARGUMENT, "coil.turns[3].radius", NULL);
    turn[3] = (tw_turn){0.035, INFINITY};
    expect(ctx, tw_winding_check(ctx, &w), TW_BAD_ARGUMENT, "coil.turns[3].z", NULL);
    w.wire_radius_m = 0.0;
    expect(ctx, tw_winding_check(ctx, &w), TW_BAD_ARGUMENT, "coil.wire_radius", NULL);
    w.n_turns = 5001;
    expect(ctx, tw_winding_check(ctx, &w), TW_BAD_ARGUMENT, "coil.turns", "5000");
    w.n_turns = 0;
    expect(ctx, tw_winding_check(ctx, &w), TW_BAD_ARGUMENT, "coil.turns", NULL);
    const tw_winding a = tw_winding_section(0.02, 0.05, 0.01, 5), b = tw_winding_section(0.03, 0.06, 0.01, 5);
    double m = 7.0;
    expect(ctx, tw_winding_mutual(ctx, &a, &b, 0.004, &m, NULL), TW_BAD_ARGUMENT, "rise", "overlap");
    expect(ctx, tw_winding_mutual(ctx, &a, &b, NAN, &m, NULL), TW_BAD_ARGUMENT, "rise", NULL);
    assert_true(m == 7.0);
    expect(ctx, tw_winding_turns_for(ctx, &a, 0.0, &m), TW_BAD_ARGUMENT, "coil.inductance", NULL);
    expect(ctx, tw_winding_radius_for(ctx, &a, 1e-6, 0.01, &m), TW_BAD_ARGUMENT, "max_outer_radius", NULL);
}

static void stacks(void **state) {
    tw_ctx *ctx = *state;
    static const struct {
        tw_layer layer;
        const char *key;
    } BAD[] = {
        {{0.0, 5e6, 100, 0}, "pan.layers[1].thickness"},
        {{-1e-3, 5e6, 100, 0}, "pan.layers[1].thickness"},
        {{NAN, 5e6, 100, 0}, "pan.layers[1].thickness"},
        {{INFINITY, 5e6, 100, 0}, "pan.layers[1].thickness"},
        {{1e-3, -5e6, 100, 0}, "pan.layers[1].conductivity"},
        {{1e-3, NAN, 100, 0}, "pan.layers[1].conductivity"},
        {{1e-3, 5e6, 0.99, 0}, "pan.layers[1].permeability"},
        {{1e-3, 5e6, NAN, 0}, "pan.layers[1].permeability"},
        {{1e-3, 5e6, INFINITY, 0}, "pan.layers[1].permeability"},
        {{1e-3, 5e6, 100, -1}, "pan.layers[1].permeability_loss"},
    };
    for (size_t k = 0; k < sizeof BAD / sizeof *BAD; k++) {
        tw_stack s = {.n_layers = 3};
        s.layers[0] = s.layers[2] = (tw_layer){1e-3, 3e7, 1, 0};
        s.layers[1] = BAD[k].layer;
        expect(ctx, tw_stack_check(ctx, &s, "pan"), TW_BAD_ARGUMENT, BAD[k].key, NULL);
    }
    tw_stack s = {.n_layers = TW_COIL_MAX_LAYERS + 1};
    expect(ctx, tw_stack_check(ctx, &s, "below"), TW_BAD_ARGUMENT, "below.layers", "at most 8");
    assert_ok(tw_stack_check(ctx, NULL, "pan"), ctx);
}

static void calls(void **state) {
    tw_ctx *ctx = *state;
    const tw_winding w = tw_winding_section(0.02, 0.09, 0.003, 24);
    const tw_stack pan = {1, {{1.5e-3, 5e6, 100, 0}}};
    tw_coil_plan *plan = NULL;
    tw_coil_opts o = tw_coil_opts_default();
    expect(ctx, tw_coil_plan_create(ctx, &w, &pan, -1e-3, NULL, &plan), TW_BAD_ARGUMENT, "below.gap", "inside");
    o.min_gap_m = 0.0;
    expect(ctx, tw_coil_plan_create(ctx, &w, NULL, 0, &o, &plan), TW_BAD_ARGUMENT, "min_gap", NULL);
    o = tw_coil_opts_default();
    o.tolerance = 2.0;
    expect(ctx, tw_coil_plan_create(ctx, &w, NULL, 0, &o, &plan), TW_BAD_ARGUMENT, "tolerance", NULL);
    o = tw_coil_opts_default();
    o.field_radius_m = NAN;
    expect(ctx, tw_coil_plan_create(ctx, &w, NULL, 0, &o, &plan), TW_BAD_ARGUMENT, "field_radius", NULL);
    o.field_radius_m = 1e7;
    expect(ctx, tw_coil_plan_create(ctx, &w, NULL, 0, &o, &plan), TW_TOO_LARGE, "field_radius", "too many nodes");
    assert_null(plan);
    assert_ok(tw_coil_plan_create(ctx, &w, &pan, 2e-3, NULL, &plan), ctx);
    tw_coil_z z = {.gap_m = 7.0};
    expect(ctx, tw_coil_solve(ctx, plan, &pan, -2e-3, 25e3, &z), TW_BAD_ARGUMENT, "pan.gap", "inside");
    expect(ctx, tw_coil_solve(ctx, plan, &pan, NAN, 25e3, &z), TW_BAD_ARGUMENT, "pan.gap", NULL);
    expect(ctx, tw_coil_solve(ctx, plan, &pan, 0.2e-3, 25e3, &z), TW_OUT_OF_RANGE, "pan.gap", "smallest gap");
    expect(ctx, tw_coil_solve(ctx, plan, &pan, 2e-3, 0.0, &z), TW_BAD_ARGUMENT, "frequency", "above zero");
    expect(ctx, tw_coil_solve(ctx, plan, &pan, 2e-3, INFINITY, &z), TW_BAD_ARGUMENT, "frequency", NULL);
    const double f[2] = {25e3, -1.0}, g[2] = {5e-3, 6e-3};
    tw_coil_z table[4] = {{.gap_m = 7.0}};
    expect(ctx, tw_coil_solve_table(ctx, plan, &pan, 2, f, 2, g, table), TW_BAD_ARGUMENT, "frequency", NULL);
    assert_true(z.gap_m == 7.0 && table[0].gap_m == 7.0);
    double re = 7.0, im, place = 0.5, zero = 0.0;
    expect(ctx, tw_coil_current_density(ctx, plan, &pan, 5e-3, 25e3, 1, 1, &place, 1, &zero, &re, &im), TW_BAD_ARGUMENT,
           "pan.layer", NULL);
    expect(ctx, tw_coil_current_density(ctx, plan, &pan, 5e-3, 25e3, 0, 1, &place, 1, &zero, &re, &im), TW_OUT_OF_RANGE,
           "radius", NULL);
    expect(ctx, tw_coil_current_density(ctx, plan, &pan, 5e-3, 25e3, 0, 1, &zero, 1, &place, &re, &im), TW_OUT_OF_RANGE,
           "depth", NULL);
    expect(ctx, tw_coil_pan_surface(ctx, plan, NULL, 5e-3, 25e3, 1, &zero, &re, NULL), TW_BAD_ARGUMENT, "pan.layers",
           NULL);
    expect(ctx, tw_coil_pan_share(ctx, plan, &pan, 5e-3, 25e3, 0.0, &re), TW_BAD_ARGUMENT, "pan.radius", NULL);
    expect(ctx, tw_coil_sense_gain(ctx, plan, &pan, 5e-3, 25e3, 0.05, 0.01, 1, 0, &re, &im), TW_BAD_ARGUMENT, "height",
           "below the pan");
    expect(ctx, tw_coil_sense_gain(ctx, plan, &pan, 5e-3, 25e3, 0.05, -0.01, 1, 0, &re, &im), TW_BAD_ARGUMENT, "height",
           "above the ferrite");
    expect(ctx, tw_coil_sense_gain(ctx, plan, &pan, 5e-3, 25e3, 0.05, 0.004, 0, 0, &re, &im), TW_BAD_ARGUMENT,
           "loop.turns", NULL);
    assert_true(re == 7.0);
    tw_coil_plan_destroy(plan);
    tw_coil_plan_destroy(NULL);
}

static void wire_law_and_chain(void **state) {
    tw_ctx *ctx = *state;
    tw_wire wire = tw_wire_copper(0, 0.2e-3, 1.02, 20);
    expect(ctx, tw_wire_check(ctx, &wire), TW_BAD_ARGUMENT, "wire.strands", NULL);
    wire = tw_wire_copper(20, 0.0, 1.02, 20);
    expect(ctx, tw_wire_check(ctx, &wire), TW_BAD_ARGUMENT, "wire.strand_diameter", NULL);
    wire = tw_wire_copper(20, 0.2e-3, 0.9, 20);
    expect(ctx, tw_wire_check(ctx, &wire), TW_BAD_ARGUMENT, "wire.lay_factor", NULL);
    wire = tw_wire_copper(20, 0.2e-3, 1.0, -400);
    expect(ctx, tw_wire_check(ctx, &wire), TW_BAD_ARGUMENT, "wire.temperature", NULL);
    wire = tw_wire_copper(20, 0.2e-3, 1.0, 20);
    wire.bundle_diameter_m = 0.5e-3;
    expect(ctx, tw_wire_check(ctx, &wire), TW_BAD_ARGUMENT, "wire.bundle_diameter", "holds the area");

    const tw_winding w = tw_winding_section(0.02, 0.09, 0.003, 24);
    const tw_stack pan = {1, {{1.5e-3, 5e6, 100, 0}}};
    tw_coil_plan *plan = NULL;
    tw_coil_saturated r = {.iterations = 77};
    assert_ok(tw_coil_plan_create(ctx, &w, NULL, 0, NULL, &plan), ctx);
    tw_saturation law = {TW_SATURATION_FROEHLICH, 1.0, 2.0};
    expect(ctx, tw_coil_solve_saturated(ctx, plan, &pan, &law, 5e-3, 25e3, 10, &r), TW_BAD_ARGUMENT,
           "pan.initial_permeability", NULL);
    law = (tw_saturation){TW_SATURATION_FROEHLICH, 300.0, 0.0};
    expect(ctx, tw_coil_solve_saturated(ctx, plan, &pan, &law, 5e-3, 25e3, 10, &r), TW_BAD_ARGUMENT, "pan.saturation",
           NULL);
    law.saturation_t = 2.0;
    expect(ctx, tw_coil_solve_saturated(ctx, plan, &pan, &law, 5e-3, 25e3, 0, &r), TW_BAD_ARGUMENT, "current", NULL);
    expect(ctx, tw_coil_solve_saturated(ctx, plan, NULL, &law, 5e-3, 25e3, 10, &r), TW_BAD_ARGUMENT, "pan.layers",
           NULL);
    assert_int_equal(r.iterations, 77);
    tw_coil_plan_destroy(plan);

    double f[4] = {1e4, 2e4, 4e4, 8e4}, re[4] = {1, 2, 3, 4}, im[4] = {5, 9, 17, 33};
    tw_coil_chain c = {.n_branches = 99};
    expect(ctx, tw_coil_fit_chain(ctx, 3, f, re, im, 2, &c), TW_BAD_ARGUMENT, "frequencies", NULL);
    expect(ctx, tw_coil_fit_chain(ctx, 4, f, re, im, 13, &c), TW_BAD_ARGUMENT, "max_branches", NULL);
    re[2] = 0.0;
    expect(ctx, tw_coil_fit_chain(ctx, 4, f, re, im, 2, &c), TW_BAD_ARGUMENT, "resistance", NULL);
    re[2] = 3.0;
    im[1] = -1.0;
    expect(ctx, tw_coil_fit_chain(ctx, 4, f, re, im, 2, &c), TW_BAD_ARGUMENT, "reactance", NULL);
    f[3] = f[2];
    im[1] = 9.0;
    expect(ctx, tw_coil_fit_chain(ctx, 4, f, re, im, 2, &c), TW_BAD_ARGUMENT, "frequency", "ascending");
    assert_int_equal(c.n_branches, 99);
}

/* An integral that cannot reach its tolerance says so, with the figure it reached. */
static void no_convergence_tells_the_error(void **state) {
    tw_ctx *ctx = *state;
    const tw_winding w = tw_winding_section(0.02, 0.09, 0.003, 24);
    const tw_stack pan = {1, {{1.5e-3, 5e6, 100, 0}}};
    const tw_coil_opts o = {.min_gap_m = 20e-3, .tolerance = 1e-15};
    tw_coil_plan *plan = NULL;
    tw_coil_z z;
    assert_ok(tw_coil_plan_create(ctx, &w, NULL, 0, &o, &plan), ctx);
    expect(ctx, tw_coil_solve(ctx, plan, &pan, 20e-3, 25e3, &z), TW_NO_CONVERGENCE, "pan.gap",
           "reached a relative error");
    tw_coil_plan_destroy(plan);
}

static bool stop(double fraction, const char *what, void *user) {
    (void)what;
    *(size_t *)user += 1;
    return fraction > 0.3;
}

static void a_table_can_be_stopped(void **state) {
    tw_ctx *ctx = *state;
    const tw_winding w = tw_winding_section(0.02, 0.09, 0.003, 24);
    const tw_stack pan = {1, {{1.5e-3, 5e6, 100, 0}}};
    tw_coil_plan *plan = NULL;
    assert_ok(tw_coil_plan_create(ctx, &w, NULL, 0, NULL, &plan), ctx);
    double f[10];
    for (size_t k = 0; k < 10; k++) {
        f[k] = 1e4 * (double)(k + 1);
    }
    const double g[1] = {5e-3};
    tw_coil_z z[10] = {{.gap_m = 7.0}};
    size_t calls_made = 0;
    tw_ctx_set_progress(ctx, stop, &calls_made);
    assert_int_equal(tw_coil_solve_table(ctx, plan, &pan, 10, f, 1, g, z), TW_CANCELLED);
    assert_int_equal(calls_made, 5);
    assert_true(z[0].gap_m == 7.0);
    tw_ctx_set_progress(ctx, NULL, NULL);
    tw_coil_plan_destroy(plan);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(windings, set_up, tear_down),
        cmocka_unit_test_setup_teardown(stacks, set_up, tear_down),
        cmocka_unit_test_setup_teardown(calls, set_up, tear_down),
        cmocka_unit_test_setup_teardown(wire_law_and_chain, set_up, tear_down),
        cmocka_unit_test_setup_teardown(no_convergence_tells_the_error, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_table_can_be_stopped, set_up, tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

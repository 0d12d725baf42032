/* Laws of the field room over random coils and stacks: energy, reciprocity, scaling, invariance under ways of writing
 * the same thing, passive chains over typical pans. */
#include "testing.h"

#include "tankwright/coil.h"

#include <math.h>

#define ROUNDS 40

static int set_up(void **state) {
    *state = tw_ctx_create();
    return *state == NULL;
}

static int tear_down(void **state) {
    tw_ctx_destroy(*state);
    return 0;
}

static tw_layer random_layer(tw_random *r) {
    const bool magnetic = tw_random_uniform(r, 0, 1) < 0.5, air = tw_random_uniform(r, 0, 1) < 0.2;
    return (tw_layer){.thickness_m = tw_random_log_uniform(r, 5e-5, 5e-3),
                      .conductivity_s_m = air ? 0.0 : tw_random_log_uniform(r, 3e5, 6e7),
                      .relative_permeability = magnetic ? tw_random_log_uniform(r, 1.5, 1000.0) : 1.0,
                      .permeability_loss =
                          magnetic && tw_random_uniform(r, 0, 1) < 0.3 ? tw_random_log_uniform(r, 0.1, 100.0) : 0.0};
}

static tw_stack random_stack(tw_random *r, size_t most) {
    tw_stack s = {.n_layers = 1 + tw_random_below(r, most)};
    for (size_t k = 0; k < s.n_layers; k++) {
        s.layers[k] = random_layer(r);
    }
    if (tw_random_uniform(r, 0, 1) < 0.3) {
        s.layers[s.n_layers - 1].thickness_m = INFINITY;
    }
    return s;
}

#define N_TURNS 17

/* The winding may borrow `turn`. */
static tw_winding random_winding(tw_random *r, tw_turn *turn) {
    const double inner = tw_random_uniform(r, 0.008, 0.03), outer = inner + tw_random_uniform(r, 0.03, 0.08);
    if (tw_random_uniform(r, 0, 1) < 0.5) {
        return tw_winding_section(inner, outer, tw_random_log_uniform(r, 1e-3, 2e-2), tw_random_uniform(r, 3, 40));
    }
    const double pitch = (outer - inner) / (N_TURNS - 1);
    tw_winding w = tw_winding_spiral(N_TURNS, inner, outer, tw_random_uniform(r, 0.2, 0.49) * pitch, turn);
    for (size_t k = 0; k < N_TURNS; k++) { /* a dish, not a plane */
        turn[k].z_m = 4e-3 * (double)(k * k) / (N_TURNS * N_TURNS);
    }
    return w;
}

/* What leaves the coil arrives in the layers: integral of the loss over depth and radius against Re Z; and both sides
 * together against the total. */
static void energy(void **state) {
    tw_ctx *ctx = *state;
    tw_random r = {60610};
    for (size_t round = 0; round < ROUNDS; round++) {
        tw_turn turn[N_TURNS];
        const tw_winding w = random_winding(&r, turn);
        const tw_stack pan = random_stack(&r, 4);
        const tw_stack below = tw_stack_ferrite(tw_random_uniform(&r, 2e-3, 6e-3), tw_random_log_uniform(&r, 2, 3000),
                                                tw_random_uniform(&r, 0, 0.02), 1e-3, 3.5e7);
        const bool bare = round % 3 == 0;
        const double gap = tw_random_log_uniform(&r, 1.5e-3, 0.03), f = tw_random_log_uniform(&r, 2e3, 2e6);
        tw_coil_plan *plan = NULL;
        assert_ok(tw_coil_plan_create(ctx, &w, bare ? NULL : &below, tw_random_uniform(&r, 1e-3, 6e-3), NULL, &plan),
                  ctx);
        tw_coil_z z;
        assert_ok(tw_coil_solve(ctx, plan, &pan, gap, f, &z), ctx);
        tw_layer_loss loss[TW_COIL_MAX_LAYERS];
        assert_ok(tw_coil_layer_losses(ctx, plan, &pan, gap, f, loss), ctx);
        double sum = 0.0;
        for (size_t k = 0; k < pan.n_layers; k++) {
            assert_true(loss[k].resistance_ohm >= 0.0);
            sum += loss[k].resistance_ohm;
        }
        assert_close(sum, z.resistance_pan_ohm, 1e-6, 1e-12 * 2.0 * TW_PI * f * z.inductance_air_h);
        assert_close(z.resistance_pan_ohm + z.resistance_below_ohm, z.delta_r_ohm, 1e-7,
                     1e-12 * 2.0 * TW_PI * f * z.inductance_air_h);
        assert_true(z.resistance_pan_ohm >= 0.0 && z.resistance_below_ohm >= 0.0 && z.inductance_h > 0.0);
        tw_coil_plan_destroy(plan);
    }
}

/* The same energy from the map of current density: a Gauss rule over radius and depth, both layers of a clad bottom. */
static void energy_from_the_current_density(void **state) {
    tw_ctx *ctx = *state;
    static const double X[8] = {0.019855071751232, 0.101666761293187, 0.237233795041836, 0.408282678752175,
                                0.591717321247825, 0.762766204958164, 0.898333238706813, 0.980144928248768};
    static const double W[8] = {0.050614268145188, 0.111190517226687, 0.156853322938943, 0.181341891689181,
                                0.181341891689181, 0.156853322938943, 0.111190517226687, 0.050614268145188};
    enum { N_R = 8 * 60, N_D = 8 * 6 };
    const tw_winding w = tw_winding_section(0.02, 0.06, 0.004, 20);
    const tw_stack pan = {2, {{0.4e-3, 1.6e6, 60, 0}, {1.5e-3, 34.8e6, 1, 0}}};
    const tw_coil_opts o = {.min_gap_m = 2e-3, .field_radius_m = 0.72, .tolerance = 1e-9};
    tw_coil_plan *plan = NULL;
    assert_ok(tw_coil_plan_create(ctx, &w, NULL, 0, &o, &plan), ctx);
    const double gap = 5e-3, f = 24e3;
    static double r[N_R], wr[N_R], d[N_D], wd[N_D], re[N_R * N_D], im[N_R * N_D];
    double total = 0.0;
    for (size_t layer = 0; layer < 2; layer++) {
        for (size_t k = 0; k < N_R; k++) {
            r[k] = 0.72 / 60.0 * ((double)(k / 8) + X[k % 8]);
            wr[k] = 0.72 / 60.0 * W[k % 8];
        }
        for (size_t k = 0; k < N_D; k++) {
            d[k] = pan.layers[layer].thickness_m / 6.0 * ((double)(k / 8) + X[k % 8]);
            wd[k] = pan.layers[layer].thickness_m / 6.0 * W[k % 8];
        }
        assert_ok(tw_coil_current_density(ctx, plan, &pan, gap, f, layer, N_R, r, N_D, d, re, im), ctx);
        for (size_t k = 0; k < N_R * N_D; k++) {
            total += wr[k / N_D] * wd[k % N_D] * 2.0 * TW_PI * r[k / N_D] * (re[k] * re[k] + im[k] * im[k]) /
                     pan.layers[layer].conductivity_s_m;
        }
    }
    tw_coil_z z;
    assert_ok(tw_coil_solve(ctx, plan, &pan, gap, f, &z), ctx);
    assert_close(total, z.resistance_pan_ohm, 1e-6, 0.0);
    /* the part beyond the last radius is dipole-like, r^-6: under 1e-8; and the heat flux through the surface, as the
     * share outside a radius shows */
    double share, before = 1.0;
    for (double radius = 0.02; radius <= 0.36; radius += 0.034) {
        assert_ok(tw_coil_pan_share(ctx, plan, &pan, gap, f, radius, &share), ctx);
        assert_true(share < before || share < 1e-5);
        before = share;
    }
    assert_true(share < 1e-5);
    tw_coil_plan_destroy(plan);
}

static void reciprocity(void **state) {
    tw_ctx *ctx = *state;
    tw_random r = {60611};
    for (size_t round = 0; round < 12; round++) {
        const tw_winding a = tw_winding_section(0.01, tw_random_uniform(&r, 0.012, 0.05), 0.004, 9);
        const tw_winding b = tw_winding_section(0.02, tw_random_uniform(&r, 0.022, 0.09), 0.007, 4);
        const double rise = tw_random_uniform(&r, 0.006, 0.05);
        double ab, ba, la, lb, error;
        assert_ok(tw_winding_mutual(ctx, &a, &b, rise, &ab, &error), ctx);
        assert_ok(tw_winding_mutual(ctx, &b, &a, -rise, &ba, NULL), ctx);
        assert_close(ab, ba, 1e-13, error);
        assert_ok(tw_winding_inductance(ctx, &a, &la, NULL), ctx);
        assert_ok(tw_winding_inductance(ctx, &b, &lb, NULL), ctx);
        assert_true(ab > 0.0 && ab * ab < la * lb);
    }
    /* with pan and ferrite: two rings as loop over coil, both ways */
    const tw_turn turn[2] = {{0.05, 0.0}, {0.033, 0.0}};
    const tw_stack ferrite = tw_stack_ferrite(4e-3, 500, 8e-3, 1e-3, 3.5e7);
    const tw_stack pan = {2, {{0.5e-3, 1.4e6, 90, 0}, {2e-3, 3.5e7, 1, 0}}};
    double re[2], im[2];
    for (size_t k = 0; k < 2; k++) { /* the second ring is 4 mm above the first */
        const tw_winding ring = {.kind = TW_WINDING_TURNS, .n_turns = 1, .turn = &turn[k], .wire_radius_m = 1e-4};
        const double below = k == 0 ? 2e-3 : 6e-3, gap = k == 0 ? 9e-3 : 5e-3, z = k == 0 ? 4.1e-3 : -3.9e-3;
        tw_coil_plan *plan = NULL;
        tw_coil_z zc;
        double gr, gi;
        assert_ok(tw_coil_plan_create(ctx, &ring, &ferrite, below, NULL, &plan), ctx);
        assert_ok(tw_coil_solve(ctx, plan, &pan, gap, 27e3, &zc), ctx);
        assert_ok(tw_coil_sense_gain(ctx, plan, &pan, gap, 27e3, turn[1 - k].radius_m, z, 1, 0, &gr, &gi), ctx);
        const double x = 2.0 * TW_PI * 27e3 * zc.inductance_h;
        re[k] = gr * zc.delta_r_ohm - gi * x;
        im[k] = gr * x + gi * zc.delta_r_ohm;
        tw_coil_plan_destroy(plan);
    }
    assert_close(re[0], re[1], 1e-8, 0.0);
    assert_close(im[0], im[1], 1e-8, 0.0);
}

/* All lengths times s, frequency over s^2: Z over frequency scales with s. Turns: N^2. */
static void scaling(void **state) {
    tw_ctx *ctx = *state;
    tw_random r = {60612};
    for (size_t round = 0; round < 10; round++) {
        const double s = tw_random_log_uniform(&r, 0.1, 10.0), f = tw_random_log_uniform(&r, 5e3, 2e5);
        const tw_winding w = tw_winding_section(0.02, 0.08, 0.003, 20),
                         big = tw_winding_section(0.02 * s, 0.08 * s, 0.003 * s, 40);
        tw_stack pan = random_stack(&r, 3), wide = pan;
        for (size_t k = 0; k < pan.n_layers; k++) {
            wide.layers[k].thickness_m *= s;
        }
        const tw_coil_opts o = {.min_gap_m = 2e-3 * s, .tolerance = 1e-8};
        tw_coil_plan *small_plan = NULL, *big_plan = NULL;
        tw_coil_z a, b;
        assert_ok(tw_coil_plan_create(ctx, &w, NULL, 0, NULL, &small_plan), ctx);
        assert_ok(tw_coil_plan_create(ctx, &big, NULL, 0, &o, &big_plan), ctx);
        assert_ok(tw_coil_solve(ctx, small_plan, &pan, 5e-3, f, &a), ctx);
        assert_ok(tw_coil_solve(ctx, big_plan, &wide, 5e-3 * s, f / (s * s), &b), ctx);
        assert_close(b.inductance_h, 4.0 * s * a.inductance_h, 1e-9, 0.0);
        assert_close(b.resistance_pan_ohm, 4.0 / s * a.resistance_pan_ohm, 1e-7, 0.0);
        tw_coil_plan_destroy(small_plan);
        tw_coil_plan_destroy(big_plan);
    }
}

/* A layer cut in two, a gap written as a layer of air, air behind the last layer, the table instead of the single call:
 * the same numbers. */
static void the_same_thing_written_differently(void **state) {
    tw_ctx *ctx = *state;
    tw_random r = {60613};
    for (size_t round = 0; round < ROUNDS; round++) {
        tw_turn turn[N_TURNS];
        const tw_winding w = random_winding(&r, turn);
        const tw_stack ferrite = tw_stack_ferrite(4e-3, 700, 5e-3, 1e-3, 3e7);
        tw_coil_plan *plan = NULL;
        assert_ok(tw_coil_plan_create(ctx, &w, round % 2 ? &ferrite : NULL, 3e-3, NULL, &plan), ctx);
        tw_stack pan = random_stack(&r, 3), cut = {.n_layers = 0};
        const double gap = tw_random_uniform(&r, 4e-3, 2e-2), f = tw_random_log_uniform(&r, 4e3, 5e5);
        cut.layers[cut.n_layers++] = (tw_layer){gap - 2e-3, 0.0, 1.0, 0.0};
        for (size_t k = 0; k < pan.n_layers; k++) {
            tw_layer l = pan.layers[k];
            if (k == 0 && isfinite(l.thickness_m)) {
                l.thickness_m *= 0.37;
                cut.layers[cut.n_layers++] = l;
                l.thickness_m *= 0.63 / 0.37;
            }
            cut.layers[cut.n_layers++] = l;
        }
        if (isfinite(cut.layers[cut.n_layers - 1].thickness_m)) {
            cut.layers[cut.n_layers++] = (tw_layer){INFINITY, 0.0, 1.0, 0.0};
        }
        tw_coil_z a, b;
        assert_ok(tw_coil_solve(ctx, plan, &pan, gap, f, &a), ctx);
        assert_ok(tw_coil_solve(ctx, plan, &cut, 2e-3, f, &b), ctx);
        const double x = 2.0 * TW_PI * f * a.inductance_air_h;
        assert_close(b.resistance_pan_ohm, a.resistance_pan_ohm, 1e-8, 1e-11 * x);
        assert_close(b.inductance_h, a.inductance_h, 1e-9, 0.0);
        const double fs[2] = {f, 1.7 * f}, gaps[3] = {gap + 1e-3, gap, 3e-3};
        tw_coil_z table[6];
        assert_ok(tw_coil_solve_table(ctx, plan, &pan, 2, fs, 3, gaps, table), ctx);
        assert_close(table[1].resistance_pan_ohm, a.resistance_pan_ohm, 1e-14, 0.0);
        assert_close(table[1].inductance_h, a.inductance_h, 1e-14, 0.0);
        tw_coil_plan_destroy(plan);
    }
}

/* The stated error covers the difference to a far finer plan. */
static void stated_error_covers(void **state) {
    tw_ctx *ctx = *state;
    tw_random r = {60614};
    for (size_t round = 0; round < ROUNDS; round++) {
        tw_turn turn[N_TURNS];
        const tw_winding w = random_winding(&r, turn);
        const tw_stack pan = random_stack(&r, 3);
        const double gap = tw_random_log_uniform(&r, 1.5e-3, 0.1), f = tw_random_log_uniform(&r, 1e3, 1e6);
        const tw_coil_opts coarse = {.min_gap_m = 1e-3, .tolerance = 1e-5};
        const tw_coil_opts fine = {.min_gap_m = 0.3e-3, .field_radius_m = 1.0, .tolerance = 1e-10};
        tw_coil_plan *p = NULL, *q = NULL;
        tw_coil_z a, b;
        assert_ok(tw_coil_plan_create(ctx, &w, NULL, 0, &coarse, &p), ctx);
        assert_ok(tw_coil_plan_create(ctx, &w, NULL, 0, &fine, &q), ctx);
        assert_ok(tw_coil_solve(ctx, p, &pan, gap, f, &a), ctx);
        assert_ok(tw_coil_solve(ctx, q, &pan, gap, f, &b), ctx);
        const double x = 2.0 * TW_PI * f;
        const double difference = hypot(a.delta_r_ohm - b.delta_r_ohm, x * (a.delta_l_h - b.delta_l_h));
        assert_true(difference <= a.error_ohm + b.error_ohm + 1e-12 * x * a.inductance_air_h);
        tw_coil_plan_destroy(p);
        tw_coil_plan_destroy(q);
    }
}

/* R and coupling fall with the gap; ferrite raises L and R. */
static void trade_facts(void **state) {
    tw_ctx *ctx = *state;
    const tw_winding w = tw_winding_section(0.02, 0.09, 0.003, 24);
    const tw_stack ferrite = tw_stack_ferrite(5e-3, 800, 0, 0, 0);
    tw_coil_plan *bare = NULL, *backed = NULL;
    assert_ok(tw_coil_plan_create(ctx, &w, NULL, 0, NULL, &bare), ctx);
    assert_ok(tw_coil_plan_create(ctx, &w, &ferrite, 3e-3, NULL, &backed), ctx);
    for (size_t k = 0; k < tw_pan_count(); k++) {
        tw_stack pan;
        assert_true(tw_pan_preset(tw_pan_name(k), 60.0, &pan));
        double r_before = INFINITY, k_before = 1.0;
        for (double gap = 2e-3; gap < 0.05; gap *= 1.7) {
            tw_coil_z a, b;
            assert_ok(tw_coil_solve(ctx, bare, &pan, gap, 25e3, &a), ctx);
            assert_ok(tw_coil_solve(ctx, backed, &pan, gap, 25e3, &b), ctx);
            assert_true(a.resistance_pan_ohm < r_before);
            if (pan.layers[0].relative_permeability < 1.1) { /* a magnetic pan lowers L less when it is close */
                assert_true(a.coupling < k_before);
            }
            assert_true(b.resistance_pan_ohm > a.resistance_pan_ohm && b.inductance_h > a.inductance_h);
            r_before = a.resistance_pan_ohm;
            k_before = a.coupling;
        }
    }
    tw_coil_plan_destroy(bare);
    tw_coil_plan_destroy(backed);
}

/* 10 kHz to 1 MHz under 1 % in R and in X, at the fitted points and between them, all parts positive. */
static void passive_chains(void **state) {
    tw_ctx *ctx = *state;
    enum { N = 41 };
    tw_turn turn[24];
    const tw_winding w = tw_winding_spiral(24, 0.022, 0.09, 1.3e-3, turn);
    const tw_stack ferrite = tw_stack_ferrite(5e-3, 12.0, 10e-3, 1.5e-3, 34.8e6);
    tw_coil_plan *plan = NULL;
    assert_ok(tw_coil_plan_create(ctx, &w, &ferrite, 2e-3, NULL, &plan), ctx);
    for (size_t k = 0; k < tw_pan_count(); k++) {
        tw_stack pan;
        assert_true(tw_pan_preset(tw_pan_name(k), 60.0, &pan));
        double f[N], re[N], im[N];
        tw_coil_z z;
        for (size_t i = 0; i < N; i++) {
            f[i] = 1e4 * pow(100.0, (double)i / (N - 1));
            assert_ok(tw_coil_solve(ctx, plan, &pan, 6e-3, f[i], &z), ctx);
            re[i] = 0.05 + z.delta_r_ohm;
            im[i] = 2.0 * TW_PI * f[i] * z.inductance_h;
        }
        tw_coil_chain c;
        assert_ok(tw_coil_fit_chain(ctx, N, f, re, im, 6, &c), ctx);
        assert_true(c.n_branches <= 6 && c.resistance_ohm >= 0.0 && c.inductance_h > 0.0);
        for (size_t i = 0; i < c.n_branches; i++) {
            assert_true(c.branch_resistance_ohm[i] > 0.0 && c.branch_inductance_h[i] > 0.0);
        }
        assert_true(c.worst_resistance_error < 2e-3 && c.worst_inductance_error < 2e-3);
        for (size_t i = 0; i + 1 < N; i++) {
            const double between = sqrt(f[i] * f[i + 1]);
            double r, x;
            assert_ok(tw_coil_solve(ctx, plan, &pan, 6e-3, between, &z), ctx);
            tw_coil_chain_impedance(&c, between, &r, &x);
            assert_close(r, 0.05 + z.delta_r_ohm, 2e-3, 0.0);
            assert_close(x, 2.0 * TW_PI * between * z.inductance_h, 2e-3, 0.0);
        }
    }
    tw_coil_plan_destroy(plan);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(energy, set_up, tear_down),
        cmocka_unit_test_setup_teardown(energy_from_the_current_density, set_up, tear_down),
        cmocka_unit_test_setup_teardown(reciprocity, set_up, tear_down),
        cmocka_unit_test_setup_teardown(scaling, set_up, tear_down),
        cmocka_unit_test_setup_teardown(the_same_thing_written_differently, set_up, tear_down),
        cmocka_unit_test_setup_teardown(stated_error_covers, set_up, tear_down),
        cmocka_unit_test_setup_teardown(trade_facts, set_up, tear_down),
        cmocka_unit_test_setup_teardown(passive_chains, set_up, tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

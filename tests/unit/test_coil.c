/* Pieces of the field room against definitions, other routes to the same number, and laws. */
#include "coil_private.h"
#include "testing.h"

#include "tankwright/numeric.h"

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

static double tj1(double t, void *user) {
    (void)user;
    return t * j1(t);
}

static void section_integral_is_an_integral(void **state) {
    tw_ctx *ctx = *state;
    /* on both sides of every change of method */
    static const double X[] = {1e-3, 0.7, 3.9999, 4.0001, 11.3, 35.999, 36.001, 57.0, 123.4};
    for (size_t k = 0; k < sizeof X / sizeof *X; k++) {
        double sum = 0.0;
        for (double low = 0.0; low < X[k]; low += 5.0) {
            double part;
            assert_ok(tw_integrate(ctx, tj1, NULL, low, fmin(low + 5.0, X[k]), 1e-14, 1e-12, &part, NULL), ctx);
            sum += part;
        }
        assert_close(tw_coil__section_integral(X[k]), sum, 1e-12, 1e-13);
    }
    /* the mean over a narrow ring and over a wide one, where the formula changes */
    for (double width = 0.24; width < 0.27; width += 0.02) {
        const double a = 1.0, r1 = 7.1, r2 = r1 + width;
        double sum;
        assert_ok(tw_integrate(ctx, tj1, NULL, r1, r2, 1e-14, 1e-12, &sum, NULL), ctx);
        assert_close(tw_coil__mean_source(a, r1, r2), sum / width, 1e-12, 0.0);
    }
}

static double cosine_of_angle(double t, void *user) {
    const double *p = user; /* radii and distance */
    return cos(t) / sqrt(p[0] * p[0] + p[1] * p[1] + p[2] * p[2] - 2.0 * p[0] * p[1] * cos(t));
}

static void loops_by_neumann(void **state) {
    tw_ctx *ctx = *state;
    /* Neumann's double integral of two coaxial circles leaves one angle */
    static double P[][3] = {{0.3, 0.4, 0.05}, {0.021, 0.9, 0.002}, {1.0, 1.0, 7.0}};
    for (size_t k = 0; k < 3; k++) {
        double sum;
        assert_ok(tw_integrate(ctx, cosine_of_angle, P[k], 0.0, TW_PI, 1e-15, 1e-12, &sum, NULL), ctx);
        assert_close(tw_mutual_loops(P[k][0], P[k][1], P[k][2]), TW_MU0 * P[k][0] * P[k][1] * sum, 1e-10, 0.0);
    }
    assert_true(isinf(tw_mutual_loops(0.1, 0.1, 0.0)));
    assert_close(tw_mutual_loops(0.0, 0.1, 0.05), 0.0, 0.0, 1e-30);
    /* H of a loop by differences of r A = M/(2 pi) */
    const double a = 0.11, r = 0.083, z = 0.017, step = 1e-5;
    double hr, hz;
    tw_coil__loop_field(a, r, z, &hr, &hz);
    const double up = tw_mutual_loops(a, r, z + step), low = tw_mutual_loops(a, r, z - step);
    const double out = tw_mutual_loops(a, r + step, z), in = tw_mutual_loops(a, r - step, z);
    const double scale = 1.0 / (2.0 * TW_PI * r * TW_MU0 * 2.0 * step);
    assert_close(hr, -(up - low) * scale, 1e-6, 0.0);
    assert_close(hz, (out - in) * scale, 1e-6, 0.0);
}

static void gauss_rules(void **state) {
    (void)state;
    for (size_t n = 1; n <= TW_COIL__MOST_GAUSS; n += n < 8 ? 1 : 7) {
        double x[TW_COIL__MOST_GAUSS], w[TW_COIL__MOST_GAUSS], sum = 0.0;
        tw_coil__gauss(n, x, w);
        for (size_t k = 0; k < n; k++) {
            sum += w[k] * pow(x[k], 2.0 * (double)n - 1.0);
        }
        assert_close(sum, 0.5 / (double)n, 1e-12, 0.0);
    }
}

static void windings_and_back(void **state) {
    tw_ctx *ctx = *state;
    tw_winding w = tw_winding_section(0.031, 0.087, 0.0042, 23.0);
    double l, turns, outer;
    assert_ok(tw_winding_inductance(ctx, &w, &l, NULL), ctx);
    assert_ok(tw_winding_turns_for(ctx, &w, 2.25 * l, &turns), ctx);
    assert_close(turns, 34.5, 1e-12, 0.0);
    tw_winding wide = w;
    wide.outer_radius_m = NAN;
    assert_ok(tw_winding_radius_for(ctx, &wide, l, 0.3, &outer), ctx);
    /* spreading the turns first lowers L: of several radii the largest is asked for */
    assert_true(outer >= 0.087 * (1.0 - 1e-9));
    wide.outer_radius_m = outer;
    double again;
    assert_ok(tw_winding_inductance(ctx, &wide, &again, NULL), ctx);
    assert_close(again, l, 1e-9, 0.0);
    assert_int_equal(tw_winding_radius_for(ctx, &wide, 100.0 * l, 0.3, &outer), TW_OUT_OF_RANGE);
    assert_string_equal(tw_ctx_error(ctx)->key, "coil.inductance");
    tw_ctx_clear_error(ctx);
    assert_close(tw_winding_length(&w), 2.0 * TW_PI * 0.059 * 23.0, 1e-14, 0.0);

    /* a spiral of many turns is nearly the section that its wires fill */
    tw_turn turn[40];
    const tw_winding s = tw_winding_spiral(40, 0.031, 0.109, 0.9e-3, turn);
    const tw_winding band = tw_winding_section(0.030, 0.110, 1.8e-3, 40);
    double by_turns, by_section;
    assert_ok(tw_winding_inductance(ctx, &s, &by_turns, NULL), ctx);
    assert_ok(tw_winding_inductance(ctx, &band, &by_section, NULL), ctx);
    assert_close(by_turns, by_section, 0.01, 0.0);
    /* slender sections tend to their limits from both sides */
    const tw_winding sheet = tw_winding_section(0.05, 0.05, 0.03, 10),
                     thin = tw_winding_section(0.05, 0.0500005, 0.03, 10);
    const tw_winding disc = tw_winding_section(0.02, 0.05, 0.0, 10), flat = tw_winding_section(0.02, 0.05, 3e-7, 10);
    double a, b;
    assert_ok(tw_winding_inductance(ctx, &sheet, &a, NULL), ctx);
    assert_ok(tw_winding_inductance(ctx, &thin, &b, NULL), ctx);
    assert_close(b, a, 2e-5, 0.0);
    assert_ok(tw_winding_inductance(ctx, &disc, &a, NULL), ctx);
    assert_ok(tw_winding_inductance(ctx, &flat, &b, NULL), ctx);
    assert_close(b, a, 2e-5, 0.0);
}

static void ferrite_bars_and_presets(void **state) {
    (void)state;
    assert_close(tw_ferrite_bars(800.0, 0.0, TW_BARS_FINE), 1.0, 1e-15, 0.0);
    assert_close(tw_ferrite_bars(800.0, 1.0, TW_BARS_FINE), 800.0, 1e-15, 0.0);
    assert_close(tw_ferrite_bars(800.0, 1.0, TW_BARS_COARSE), 800.0, 1e-12, 0.0);
    assert_close(tw_ferrite_bars(INFINITY, 0.5, TW_BARS_COARSE), 3.0, 1e-15, 0.0);
    assert_true(tw_ferrite_bars(800.0, 0.4, TW_BARS_COARSE) < tw_ferrite_bars(800.0, 0.4, TW_BARS_FINE));
    for (size_t k = 0; k < tw_metal_count(); k++) {
        const tw_metal *m = tw_metal_at(k);
        assert_ptr_equal(tw_metal_find(m->name), m);
        assert_true(m->conductivity_low_s_m <= m->conductivity_20_s_m);
        assert_true(m->conductivity_20_s_m <= m->conductivity_high_s_m);
        assert_true(m->permeability_low >= 1.0 && m->permeability_high >= m->permeability_low);
        assert_true(strlen(m->source) > 5);
        assert_true(tw_metal_conductivity(m, 200.0) < m->conductivity_20_s_m);
    }
    assert_null(tw_metal_at(tw_metal_count()));
    assert_null(tw_metal_find("unobtainium"));
    assert_null(tw_pan_name(tw_pan_count()));
    tw_ctx *ctx = tw_ctx_create();
    assert_non_null(ctx);
    tw_stack s;
    for (size_t k = 0; k < tw_pan_count(); k++) {
        assert_true(tw_pan_preset(tw_pan_name(k), 20.0, &s));
        assert_ok(tw_stack_check(ctx, &s, "pan"), ctx);
    }
    assert_false(tw_pan_preset("wood", 20.0, &s));
    tw_ctx_destroy(ctx);
}

/* What the trade knows: the aluminium pan has the smaller R and the more lowered L. */
static void aluminium_is_refused(void **state) {
    tw_ctx *ctx = *state;
    tw_turn turn[24];
    const tw_winding w = tw_winding_spiral(24, 0.022, 0.09, 1.3e-3, turn);
    const tw_stack ferrite = tw_stack_ferrite(5e-3, tw_ferrite_bars(2000, 0.4, TW_BARS_COARSE), 10e-3, 1.5e-3, 34.8e6);
    tw_coil_plan *plan = NULL;
    assert_ok(tw_coil_plan_create(ctx, &w, &ferrite, 2e-3, NULL, &plan), ctx);
    tw_stack aluminium, steel;
    assert_true(tw_pan_preset("aluminium", 20.0, &aluminium) && tw_pan_preset("steel", 20.0, &steel));
    tw_coil_z a, s;
    assert_ok(tw_coil_solve(ctx, plan, &aluminium, 6e-3, 25e3, &a), ctx);
    assert_ok(tw_coil_solve(ctx, plan, &steel, 6e-3, 25e3, &s), ctx);
    assert_true(a.resistance_pan_ohm < 0.1 * s.resistance_pan_ohm);
    assert_true(a.inductance_h < 0.6 * s.inductance_h);
    assert_true(a.coupling > s.coupling);
    const tw_wire wire = tw_wire_copper(66, 0.27e-3, 1.03, 60.0);
    tw_wire_loss loss;
    assert_ok(tw_coil_wire_loss(ctx, plan, &wire, &aluminium, 6e-3, 25e3, &loss), ctx);
    assert_true(tw_coil_efficiency(&a, loss.ac_ohm) < 0.6);
    assert_true(tw_coil_efficiency(&s, loss.ac_ohm) > 0.9);
    tw_coil_plan_destroy(plan);
}

/* The coupled-coil model built from transformer_k and transformer_r gives R and L of the field model back. */
static void transformer_gives_r_and_l_back(void **state) {
    tw_ctx *ctx = *state;
    const tw_winding w = tw_winding_section(0.02, 0.09, 0.003, 24);
    tw_coil_plan *plan = NULL;
    assert_ok(tw_coil_plan_create(ctx, &w, NULL, 0, NULL, &plan), ctx);
    const tw_stack steel = {1, {{1.5e-3, 5e6, 100, 0}}};
    tw_coil_z z;
    assert_ok(tw_coil_solve(ctx, plan, &steel, 7e-3, 28e3, &z), ctx);
    const double x = 2.0 * TW_PI * 28e3, lm = z.transformer_k * z.transformer_k * z.inductance_no_pan_h;
    const cx branch = cx_div(cx_of(0.0, x * lm * z.transformer_r_ohm), cx_of(z.transformer_r_ohm, x * lm));
    assert_close(branch.re, z.resistance_pan_ohm, 1e-12, 0.0);
    assert_close(branch.im + x * (z.inductance_no_pan_h - lm), x * z.inductance_h, 1e-12, 0.0);
    assert_close(z.coupling, sqrt(1.0 - z.inductance_h / z.inductance_no_pan_h), 1e-14, 0.0);
    tw_coil_plan_destroy(plan);
}

static void small_pan_is_told(void **state) {
    tw_ctx *ctx = *state;
    const tw_winding w = tw_winding_section(0.02, 0.09, 0.003, 24);
    tw_coil_plan *plan = NULL;
    assert_ok(tw_coil_plan_create(ctx, &w, NULL, 0, NULL, &plan), ctx);
    const tw_stack steel = {1, {{1.5e-3, 5e6, 100, 0}}};
    static const double RADIUS[3] = {0.075, 0.095, 0.125};
    static const char *const CODE[3] = {"pan_small", "pan_rim", NULL};
    for (size_t k = 0; k < 3; k++) {
        tw_warnings list = {NULL, 0};
        double share;
        assert_ok(tw_coil_pan_share(ctx, plan, &steel, 5e-3, 25e3, RADIUS[k], &share), ctx);
        assert_ok(tw_coil_warn_pan(ctx, share, RADIUS[k], &list), ctx);
        assert_int_equal(list.count, CODE[k] != NULL);
        assert_true(CODE[k] == NULL || tw_warnings_has(&list, CODE[k]));
        tw_warnings_dispose(&list);
    }
    tw_coil_plan_destroy(plan);
}

static void sense_loop_on_the_coil(void **state) {
    tw_ctx *ctx = *state;
    const tw_turn turn = {0.06, 0.0};
    const tw_winding ring = {.kind = TW_WINDING_TURNS, .n_turns = 1, .turn = &turn, .wire_radius_m = 1e-3};
    tw_coil_plan *plan = NULL;
    const tw_stack ferrite = tw_stack_ferrite(4e-3, 800, 0, 0, 0);
    assert_ok(tw_coil_plan_create(ctx, &ring, &ferrite, 3e-3, NULL, &plan), ctx);
    const tw_stack steel = {1, {{1.5e-3, 5e6, 100, 0}}};
    /* mutual reactance to a ring of the coil's own radius is the coil's change plus the air mutual */
    double re, im;
    tw_coil_z z;
    const double rise = 1.5e-3, w = 2.0 * TW_PI * 30e3;
    assert_ok(tw_coil_solve(ctx, plan, &steel, 5e-3, 30e3, &z), ctx);
    assert_ok(tw_coil_sense_gain(ctx, plan, &steel, 5e-3, 30e3, 0.06, 1e-3, 1.0, 0.0, &re, &im), ctx);
    const double surface = TW_MU0 * 0.06 * log(8.0 * 0.06 / 1e-3) - 2.0 * TW_MU0 * 0.06; /* flux outside the wire */
    const cx expect =
        cx_div(cx_of(z.delta_r_ohm, w * (surface + z.delta_l_h)), cx_of(z.delta_r_ohm, w * z.inductance_h));
    assert_close(re, expect.re, 2e-3, 0.0);
    /* linear in the turns, and without pan and ferrite Maxwell's formula */
    double re3, im3;
    assert_ok(tw_coil_sense_gain(ctx, plan, &steel, 5e-3, 30e3, 0.06, 1e-3, 3.0, 0.0, &re3, &im3), ctx);
    assert_close(re3, 3.0 * re, 1e-13, 0.0);
    assert_close(im3, 3.0 * im, 1e-13, 0.0);
    tw_coil_plan_destroy(plan);
    assert_ok(tw_coil_plan_create(ctx, &ring, NULL, 0, NULL, &plan), ctx);
    assert_ok(tw_coil_sense_gain(ctx, plan, NULL, 0.0, 30e3, 0.05, rise + 1e-3, 2.0, 0.0, &re, &im), ctx);
    assert_close(re, 2.0 * tw_mutual_loops(0.06, 0.05, rise) / tw_coil_plan_air_inductance(plan), 1e-12, 0.0);
    assert_close(im, 0.0, 0.0, 1e-15);
    tw_coil_plan_destroy(plan);
    /* a section from outside and inside, against the mutual inductance of its parts */
    const tw_winding band = tw_winding_section(0.04, 0.08, 0.01, 12);
    assert_ok(tw_coil_plan_create(ctx, &band, NULL, 0, NULL, &plan), ctx);
    const tw_turn probe = {0.055, 0.0};
    const tw_winding loop = {.kind = TW_WINDING_TURNS, .n_turns = 1, .turn = &probe, .wire_radius_m = 1e-4};
    static const double Z[3] = {0.013, -0.002, 0.024};
    for (size_t k = 0; k < 3; k++) {
        double m;
        assert_ok(tw_winding_mutual(ctx, &band, &loop, Z[k], &m, NULL), ctx);
        assert_ok(tw_coil_sense_gain(ctx, plan, NULL, 0.0, 30e3, 0.055, Z[k], 1.0, 0.0, &re, &im), ctx);
        assert_close(re, m / tw_coil_plan_air_inductance(plan), 1e-6, 0.0);
    }
    tw_coil_plan_destroy(plan);
}

static void strand_loss_limits(void **state) {
    (void)state;
    const double d = 0.2e-3, s = 58e6, h = 1234.0;
    /* low frequency: P' = w^2 mu0^2 s pi H^2 r^4/8 */
    for (double f = 1.0; f < 1e4; f *= 7.0) {
        const double w = 2.0 * TW_PI * f, r = 0.5 * d;
        const double low = w * w * TW_MU0 * TW_MU0 * s * TW_PI * h * h * r * r * r * r / 8.0;
        const double x = r * sqrt(w * TW_MU0 * s);
        assert_close(tw_strand_loss(d, s, w, h), low, x * x * x * x, 1e-14 * low);
    }
    /* high frequency: the surface field is 2 H sin, so P' = 2 pi r H^2 R_s (2 H^2 mean square, half for peak) */
    const double w = 2.0 * TW_PI * 3e9, delta = tw_skin_depth(3e9, s, 1.0);
    assert_close(tw_strand_loss(d, s, w, h), TW_PI * d * h * h / (s * delta), 0.03, 0.0);
    /* continuous where the small-argument form takes over */
    const double edge = 1e-6 / (0.25 * d * d * TW_MU0 * s);
    assert_close(tw_strand_loss(d, s, edge * (1 - 1e-9), h) / tw_strand_loss(d, s, edge * (1 + 1e-9), h), 1.0, 1e-8,
                 0.0);
    assert_close(tw_wire_skin_ratio(0.0, NULL), 1.0, 0.0, 0.0);
}

/* Proximity of two rings: the field of one at the other, by Maxwell's loops. */
static void proximity_of_two_rings(void **state) {
    tw_ctx *ctx = *state;
    const tw_turn turn[2] = {{0.05, 0.0}, {0.056, 0.0}};
    const tw_winding w = {.kind = TW_WINDING_TURNS, .n_turns = 2, .turn = turn, .wire_radius_m = 1e-3};
    tw_coil_plan *plan = NULL;
    assert_ok(tw_coil_plan_create(ctx, &w, NULL, 0, NULL, &plan), ctx);
    tw_wire wire = tw_wire_copper(40, 0.2e-3, 1.02, 75.0);
    tw_wire_loss loss;
    assert_ok(tw_coil_wire_loss(ctx, plan, &wire, NULL, 0.0, 45e3, &loss), ctx);
    double r, inner, outer;
    tw_coil__loop_field(0.056, 0.05, 0.0, &r, &inner);
    tw_coil__loop_field(0.05, 0.056, 0.0, &r, &outer);
    const double s = 58e6 / (1.0 + 0.00393 * 55.0), per = tw_strand_loss(0.2e-3, s, 2.0 * TW_PI * 45e3, 1.0);
    const double want = 2.0 * 40 * 1.02 * per * 2.0 * TW_PI * (0.05 * inner * inner + 0.056 * outer * outer);
    assert_close(loss.proximity_ohm, want, 1e-12, 0.0);
    assert_close(loss.h_radial_a_m, 0.0, 0.0, 1e-12);
    assert_close(loss.dc_ohm, 2.0 * TW_PI * 0.106 * 1.02 / (s * 40 * 0.25 * TW_PI * 4e-8), 1e-12, 0.0);
    assert_close(loss.ac_ohm, loss.skin_ohm + loss.proximity_ohm + loss.bundle_ohm, 1e-15, 0.0);
    /* the pan's image takes part: a good conductor close by changes the field */
    const tw_stack copper = {1, {{INFINITY, 58e6, 1, 0}}};
    tw_wire_loss near;
    assert_ok(tw_coil_wire_loss(ctx, plan, &wire, &copper, 2e-3, 45e3, &near), ctx);
    assert_true(near.h_radial_a_m > 10.0);
    /* mirror rings 2 (2 mm + 1 mm) away, currents reversed, make the radial field at the wires */
    double radial = 0.0, length = 0.0;
    for (size_t i = 0; i < 2; i++) {
        double sum = 0.0, hr, hz;
        for (size_t k = 0; k < 2; k++) {
            tw_coil__loop_field(turn[k].radius_m, turn[i].radius_m, -6e-3, &hr, &hz);
            sum -= hr;
        }
        radial += turn[i].radius_m * sum * sum;
        length += turn[i].radius_m;
    }
    assert_close(near.h_radial_a_m, sqrt(radial / length), 0.12, 0.0); /* skin depth 0.3 mm beside 6 mm */
    tw_coil_plan_destroy(plan);
}

static void saturation_laws(void **state) {
    tw_ctx *ctx = *state;
    assert_close(tw_froehlich_permeability(300, 2.0, 0.0), 300.0, 1e-15, 0.0);
    /* deep saturation: B - mu0 H tends to B_s */
    const double h = 1e9;
    assert_close((tw_froehlich_permeability(300, 2.0, h) - 1.0) * TW_MU0 * h, 2.0, 1e-4, 0.0);
    /* limiting theory: the complex permeability's half space has R_s = 16/(3 pi s d), X_s = R_s/2 (Agarwal 1959) */
    const double bs = 1.8, s = 5e6, w = 2.0 * TW_PI * 25e3, h0 = 4000.0;
    double mu, loss;
    tw_limiting_permeability(bs, h0, &mu, &loss);
    /* Z = sqrt(j w mu0 mu/s), squared: w mu0 (mu'' + j mu')/s */
    const cx z = cx_sqrt_right(cx_of(w * TW_MU0 * loss / s, w * TW_MU0 * mu / s));
    const double depth = sqrt(2.0 * h0 / (w * s * bs));
    assert_close(z.re, 16.0 / (3.0 * TW_PI * s * depth), 1e-12, 0.0);
    assert_close(z.im, 0.5 * z.re, 1e-12, 0.0);

    const tw_winding coil = tw_winding_section(0.02, 0.09, 0.003, 24);
    tw_coil_plan *plan = NULL;
    assert_ok(tw_coil_plan_create(ctx, &coil, NULL, 0, NULL, &plan), ctx);
    const tw_stack steel = {1, {{1.5e-3, 5e6, 1, 0}}};
    double before_r = INFINITY, before_l = INFINITY;
    for (double i = 0.01; i < 300.0; i *= 9.0) {
        const tw_saturation law = {TW_SATURATION_FROEHLICH, 300, 2.0};
        tw_coil_saturated r;
        assert_ok(tw_coil_solve_saturated(ctx, plan, &steel, &law, 6e-3, 25e3, i, &r), ctx);
        assert_true(r.z.resistance_pan_ohm < before_r && r.z.inductance_h < before_l);
        before_r = r.z.resistance_pan_ohm;
        before_l = r.z.inductance_h;
        /* the fixed point is one, and its stack gives the same Z */
        assert_close(r.relative_permeability, tw_froehlich_permeability(300, 2.0, r.surface_field_a_m), 1e-8, 0.0);
        const tw_stack same = {1, {{1.5e-3, 5e6, r.relative_permeability, 0}}};
        tw_coil_z z2;
        assert_ok(tw_coil_solve(ctx, plan, &same, 6e-3, 25e3, &z2), ctx);
        assert_close(z2.resistance_pan_ohm, r.z.resistance_pan_ohm, 1e-12, 0.0);
        if (i < 0.02) {
            assert_close(r.relative_permeability, 300.0, 1e-3, 0.0);
        }
    }
    tw_coil_plan_destroy(plan);
}

static void chain_of_a_known_chain(void **state) {
    tw_ctx *ctx = *state;
    tw_coil_chain truth = {.resistance_ohm = 0.12, .inductance_h = 31e-6, .n_branches = 2};
    truth.branch_resistance_ohm[0] = 2.3;
    truth.branch_inductance_h[0] = 21e-6;
    truth.branch_resistance_ohm[1] = 9.0;
    truth.branch_inductance_h[1] = 14e-6;
    double f[31], re[31], im[31];
    for (size_t k = 0; k < 31; k++) {
        f[k] = 1e4 * pow(100.0, (double)k / 30.0);
        tw_coil_chain_impedance(&truth, f[k], &re[k], &im[k]);
    }
    tw_coil_chain got;
    assert_ok(tw_coil_fit_chain(ctx, 31, f, re, im, 2, &got), ctx);
    assert_int_equal(got.n_branches, 2);
    assert_true(got.worst_error < 1e-6);
    assert_close(got.inductance_h, 31e-6, 1e-4, 0.0);
    assert_close(got.resistance_ohm, 0.12, 1e-4, 0.0);
    /* an ordinary R-L needs no branch */
    for (size_t k = 0; k < 31; k++) {
        re[k] = 0.3;
        im[k] = 2.0 * TW_PI * f[k] * 80e-6;
    }
    assert_ok(tw_coil_fit_chain(ctx, 31, f, re, im, 5, &got), ctx);
    assert_true(got.worst_resistance_error < 1e-6 && got.worst_inductance_error < 1e-6);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(section_integral_is_an_integral, set_up, tear_down),
        cmocka_unit_test_setup_teardown(loops_by_neumann, set_up, tear_down),
        cmocka_unit_test(gauss_rules),
        cmocka_unit_test_setup_teardown(windings_and_back, set_up, tear_down),
        cmocka_unit_test(ferrite_bars_and_presets),
        cmocka_unit_test_setup_teardown(aluminium_is_refused, set_up, tear_down),
        cmocka_unit_test_setup_teardown(transformer_gives_r_and_l_back, set_up, tear_down),
        cmocka_unit_test_setup_teardown(small_pan_is_told, set_up, tear_down),
        cmocka_unit_test_setup_teardown(sense_loop_on_the_coil, set_up, tear_down),
        cmocka_unit_test(strand_loss_limits),
        cmocka_unit_test_setup_teardown(proximity_of_two_rings, set_up, tear_down),
        cmocka_unit_test_setup_teardown(saturation_laws, set_up, tear_down),
        cmocka_unit_test_setup_teardown(chain_of_a_known_chain, set_up, tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

/* Coil over plates: the three fully specified cases, TEAM 15's coils over the plain plate, limits, and independent
 * adaptive quadrature of the formula of Dodd & Deeds (J. Appl. Phys. 39 (1968) 2829) written out once more here. */
#include "testing.h"

#include "tankwright/coil.h"
#include "tankwright/numeric.h"

#include <complex.h>
#include <math.h>

static int set_up(void **state) {
    *state = tw_ctx_create();
    return *state == NULL;
}

static int tear_down(void **state) {
    tw_ctx_destroy(*state);
    return 0;
}

static tw_stack plate(double thickness, double conductivity, double mu) {
    return (tw_stack){.n_layers = 1, .layers = {{thickness, conductivity, mu, 0.0}}};
}

static tw_coil_plan *pancake(tw_ctx *ctx) {
    const tw_winding w = tw_winding_section(0.020, 0.090, 0.003, 24);
    tw_coil_plan *plan = NULL;
    assert_ok(tw_coil_plan_create(ctx, &w, NULL, 0.0, NULL, &plan), ctx);
    return plan;
}

/* f, then dR and dL of the half space and of the plate; computed by composite Gauss-Legendre, at 25 digits, and by the
 * loss integral. */
typedef struct row {
    double khz, r_half, l_half, r_plate, l_plate;
} row;

static const row ALUMINIUM[] = {{20, 0.06467469, -32.84176831, 0.06466750, -32.84177595},
                                {30, 0.07948646, -32.93799000, 0.07948696, -32.93798590},
                                {40, 0.09197369, -32.99535414, 0.09197378, -32.99535464},
                                {60, 0.11292163, -33.06340233, 0.11292163, -33.06340231},
                                {80, 0.13058179, -33.10396875, 0.13058179, -33.10396875}};
static const row STEEL[] = {{20, 1.10817908, -20.41841577, 1.10817908, -20.41841567},
                            {30, 1.46976447, -22.55514425, 1.46976447, -22.55514425},
                            {40, 1.78199288, -23.88593674, 1.78199288, -23.88593674},
                            {60, 2.31549513, -25.51874389, 2.31549513, -25.51874389},
                            {80, 2.77152401, -26.51911585, 2.77152401, -26.51911585}};
static const row STAINLESS[] = {{20, 0.30319966, -30.71389659, 1.09473767, -29.89137631},
                                {30, 0.37814228, -31.19860278, 1.17120816, -31.44160444},
                                {40, 0.44136500, -31.48813747, 1.20299301, -32.04979152},
                                {60, 0.54747321, -31.83205889, 1.22978410, -32.51113642},
                                {80, 0.63695681, -32.03728781, 1.24256295, -32.67913456}};

static void check_rows(tw_ctx *ctx, const tw_coil_plan *plan, const row *rows, double thickness, double s, double mu) {
    const tw_stack half = plate(INFINITY, s, mu), sheet = plate(thickness, s, mu);
    for (size_t k = 0; k < 5; k++) {
        tw_coil_z z;
        assert_ok(tw_coil_solve(ctx, plan, &half, 0.008, 1e3 * rows[k].khz, &z), ctx);
        assert_close(z.delta_r_ohm, rows[k].r_half, 1e-6, 0.0);
        assert_close(z.delta_l_h, 1e-6 * rows[k].l_half, 1e-6, 0.0);
        assert_ok(tw_coil_solve(ctx, plan, &sheet, 0.008, 1e3 * rows[k].khz, &z), ctx);
        assert_close(z.delta_r_ohm, rows[k].r_plate, 1e-6, 0.0);
        assert_close(z.delta_l_h, 1e-6 * rows[k].l_plate, 1e-6, 0.0);
    }
}

static void three_specified_cases(void **state) {
    tw_ctx *ctx = *state;
    tw_coil_plan *plan = pancake(ctx);
    assert_close(tw_coil_plan_air_inductance(plan), 55.305008e-6, 1e-7, 0.0);
    check_rows(ctx, plan, ALUMINIUM, 3.0e-3, 36e6, 1);
    check_rows(ctx, plan, STEEL, 1.5e-3, 5e6, 100);
    check_rows(ctx, plan, STAINLESS, 0.8e-3, 1.4e6, 1);
    static const double GAP[5] = {2, 4, 8, 12, 20};
    static const double R[5] = {2.586134, 2.276729, 1.781993, 1.408738, 0.901605};
    static const double L[5] = {-32.344909, -29.187116, -23.885937, -19.682771, -13.634947};
    const tw_stack steel = plate(INFINITY, 5e6, 100);
    for (size_t k = 0; k < 5; k++) {
        tw_coil_z z;
        assert_ok(tw_coil_solve(ctx, plan, &steel, 1e-3 * GAP[k], 40e3, &z), ctx);
        assert_close(z.delta_r_ohm, R[k], 1e-6, 0.0);
        assert_close(z.delta_l_h, 1e-6 * L[k], 1e-6, 0.0);
    }
    tw_coil_plan_destroy(plan);
}

/* Coils of TEAM problem 15 over the plate without slot, 12.22 mm, 3.06e7 S/m; computed. */
static void team_15(void **state) {
    tw_ctx *ctx = *state;
    const tw_winding coil[2] = {tw_winding_section(6.15e-3, 12.4e-3, 6.15e-3, 3790),
                                tw_winding_section(9.34e-3, 18.4e-3, 9.0e-3, 408)};
    static const double F[2] = {900, 7000}, GAP[2] = {0.88e-3, 2.03e-3}, R[2] = {120.65051, 5.61319},
                        L[2] = {-47.332325e-3, -1.144258e-3};
    const tw_stack sheet = plate(12.22e-3, 3.06e7, 1);
    for (size_t k = 0; k < 2; k++) {
        const tw_coil_opts o = {.min_gap_m = 0.5e-3, .tolerance = 1e-9};
        tw_coil_plan *plan = NULL;
        assert_ok(tw_coil_plan_create(ctx, &coil[k], NULL, 0.0, &o, &plan), ctx);
        tw_coil_z z;
        assert_ok(tw_coil_solve(ctx, plan, &sheet, GAP[k], F[k], &z), ctx);
        assert_close(z.delta_r_ohm, R[k], 1e-6, 0.0);
        assert_close(z.delta_l_h, L[k], 1e-6, 0.0);
        tw_coil_plan_destroy(plan);
    }
}

static void limits(void **state) {
    tw_ctx *ctx = *state;
    tw_coil_plan *plan = pancake(ctx);
    tw_coil_z z;
    /* perfect conductor: -33.366212 uH (computed; image filaments give -33.3666) and no loss */
    const tw_stack perfect = plate(INFINITY, INFINITY, 1);
    assert_ok(tw_coil_solve(ctx, plan, &perfect, 0.008, 40e3, &z), ctx);
    assert_close(z.delta_l_h, -33.366212e-6, 1e-7, 0.0);
    assert_true(z.delta_r_ohm == 0.0);
    /* the mirror coil, by Maxwell's formula over both sections, with the opposite sign for a perfect flux guide */
    const tw_winding w = tw_winding_section(0.020, 0.090, 0.003, 24);
    double mirror;
    assert_ok(tw_winding_mutual(ctx, &w, &w, 2 * 0.008 + 0.003, &mirror, NULL), ctx);
    assert_close(z.delta_l_h, -mirror, 1e-8, 0.0);
    const tw_stack guide = plate(INFINITY, 0.0, INFINITY);
    assert_ok(tw_coil_solve(ctx, plan, &guide, 0.008, 40e3, &z), ctx);
    assert_close(z.delta_l_h, mirror, 1e-8, 0.0);
    /* infinite frequency: the same as the perfect conductor, R and the missing L fall together as the skin depth */
    const tw_stack aluminium = plate(INFINITY, 36e6, 1);
    double missing[2];
    for (size_t k = 0; k < 2; k++) {
        const double f = k == 0 ? 1e9 : 4e9;
        assert_ok(tw_coil_solve(ctx, plan, &aluminium, 0.008, f, &z), ctx);
        missing[k] = z.delta_l_h + mirror;
        assert_close(z.delta_r_ohm, 2.0 * TW_PI * f * missing[k], 1e-3, 0.0);
    }
    assert_close(missing[0] / missing[1], 2.0, 1e-3, 0.0);
    /* thick layer: the half space; thin layer or weak conductor: nothing; no pan: air */
    tw_coil_z half;
    assert_ok(tw_coil_solve(ctx, plan, &aluminium, 0.008, 40e3, &half), ctx);
    const tw_stack thick = plate(0.05, 36e6, 1), thin = plate(1e-15, 36e6, 1), weak = plate(1e-3, 1e-6, 1);
    assert_ok(tw_coil_solve(ctx, plan, &thick, 0.008, 40e3, &z), ctx);
    assert_close(z.delta_r_ohm, half.delta_r_ohm, 1e-12, 0.0);
    assert_ok(tw_coil_solve(ctx, plan, &thin, 0.008, 40e3, &z), ctx);
    assert_close(z.delta_l_h, 0.0, 0.0, 1e-12 * z.inductance_air_h);
    assert_ok(tw_coil_solve(ctx, plan, &weak, 0.008, 40e3, &z), ctx);
    assert_close(z.delta_l_h, 0.0, 0.0, 1e-12 * z.inductance_air_h);
    assert_ok(tw_coil_solve(ctx, plan, NULL, 0.008, 40e3, &z), ctx);
    assert_true(z.delta_l_h == 0.0 && z.delta_r_ohm == 0.0 && z.coupling == 0.0);
    /* a thin sheet depends on conductivity times thickness only */
    const tw_stack foil = plate(1e-6, 36e6, 1), denser = plate(0.5e-6, 72e6, 1);
    tw_coil_z other;
    assert_ok(tw_coil_solve(ctx, plan, &foil, 0.008, 5e3, &z), ctx);
    assert_ok(tw_coil_solve(ctx, plan, &denser, 0.008, 5e3, &other), ctx);
    assert_close(z.delta_r_ohm, other.delta_r_ohm, 1e-4, 0.0);
    tw_coil_plan_destroy(plan);
}

/* ---- independent quadrature ---- */

typedef struct plate_case {
    double r1, r2, h, n, z1;              /* coil */
    double mu[2], sigma[2], thickness[2]; /* two layers, the second one a half space */
    double frequency;
    bool imaginary;
} plate_case;

/* Reflection of two layers by the boundary conditions solved directly (Cheng, Dodd & Deeds 1971 for n = 2). */
static double _Complex reflection(const plate_case *c, double a) {
    const double w = 2.0 * TW_PI * c->frequency;
    const double _Complex b1 = csqrt(tw_complex(a * a, w * TW_MU0 * c->mu[0] * c->sigma[0]));
    const double _Complex b2 = csqrt(tw_complex(a * a, w * TW_MU0 * c->mu[1] * c->sigma[1]));
    const double _Complex y1 = b1 / c->mu[0], y2 = b2 / c->mu[1], e = cexp(-2.0 * b1 * c->thickness[0]);
    return ((a - y1) * (y1 + y2) + (a + y1) * (y1 - y2) * e) / ((a + y1) * (y1 + y2) + (a - y1) * (y1 - y2) * e);
}

static double plate_integrand(double a, void *user) {
    const plate_case *c = user;
    static const double X[5] = {0.046910077030668, 0.230765344947158, 0.5, 0.769234655052842, 0.953089922969332};
    static const double W[5] = {0.118463442528095, 0.239314335249683, 0.284444444444444, 0.239314335249683,
                                0.118463442528095};
    const size_t parts = 4 + (size_t)(a * (c->r2 - c->r1));
    double mean = 0.0;
    for (size_t p = 0; p < parts; p++) {
        for (size_t k = 0; k < 5; k++) {
            const double r = c->r1 + (c->r2 - c->r1) * ((double)p + X[k]) / (double)parts;
            mean += W[k] * r * j1(a * r) / (double)parts;
        }
    }
    const double u = c->n * mean * exp(-a * c->z1) * -expm1(-a * c->h) / (a * c->h);
    const double _Complex g = reflection(c, a);
    return u * u * (c->imaginary ? cimag(g) : creal(g));
}

static void against_adaptive_quadrature(void **state) {
    tw_ctx *ctx = *state;
    static const plate_case CASES[] = {
        {0.020, 0.090, 0.003, 24, 0.008, {100, 1}, {5e6, 36e6}, {0.2e-3, INFINITY}, 23e3, false},
        {0.020, 0.090, 0.003, 24, 0.005, {1, 200}, {1.4e6, 4e6}, {0.6e-3, INFINITY}, 31e3, false},
        {0.035, 0.110, 0.006, 19, 0.0043, {1, 1}, {36e6, 1.39e6}, {0.05e-3, INFINITY}, 77e3, false},
        {0.006, 0.012, 0.006, 379, 0.0011, {1, 1}, {0.0, 15.5e6}, {0.7e-3, INFINITY}, 3.3e3, false},
        /* the three specified plates, air behind */
        {0.020, 0.090, 0.003, 24, 0.008, {1, 1}, {36e6, 0.0}, {3.0e-3, INFINITY}, 20e3, false},
        {0.020, 0.090, 0.003, 24, 0.008, {100, 1}, {5e6, 0.0}, {1.5e-3, INFINITY}, 40e3, false},
        {0.020, 0.090, 0.003, 24, 0.008, {1, 1}, {1.4e6, 0.0}, {0.8e-3, INFINITY}, 80e3, false},
    };
    for (size_t k = 0; k < sizeof CASES / sizeof *CASES; k++) {
        plate_case c = CASES[k];
        const tw_winding w = tw_winding_section(c.r1, c.r2, c.h, c.n);
        const tw_stack s = {2, {{c.thickness[0], c.sigma[0], c.mu[0], 0}, {c.thickness[1], c.sigma[1], c.mu[1], 0}}};
        tw_coil_plan *plan = NULL;
        assert_ok(tw_coil_plan_create(ctx, &w, NULL, 0.0, NULL, &plan), ctx);
        tw_coil_z z;
        assert_ok(tw_coil_solve(ctx, plan, &s, c.z1, c.frequency, &z), ctx);
        double sum[2];
        for (size_t part = 0; part < 2; part++) {
            c.imaginary = part == 1;
            sum[part] = 0.0;
            const double end = 14.0 / c.z1, step = 4.0 / c.r2;
            for (double low = 0.0; low < end; low += step) {
                double piece;
                assert_ok(tw_integrate(ctx, plate_integrand, &c, low, low + step, 1e-18, 1e-10, &piece, NULL), ctx);
                sum[part] += piece;
            }
        }
        const double scale = TW_PI * TW_MU0;
        assert_close(z.delta_l_h, scale * sum[0], 1e-8, 0.0);
        assert_close(z.delta_r_ohm, -2.0 * TW_PI * c.frequency * scale * sum[1], 1e-8, 0.0);
        tw_coil_plan_destroy(plan);
    }
}

/* The loss formula of the half space, written out in references: dR = 2 pi s w^2 integral |C T|^2/(2 a Re a1). */
typedef struct loss_case {
    plate_case c;
} loss_case;

static double loss_integrand(double a, void *user) {
    plate_case c = ((const loss_case *)user)->c;
    c.imaginary = false;
    const double w = 2.0 * TW_PI * c.frequency, mu = c.mu[1];
    c.mu[0] = mu;
    c.sigma[0] = c.sigma[1];
    c.thickness[0] = 1.0;
    const double _Complex a1 = csqrt(tw_complex(a * a, w * TW_MU0 * mu * c.sigma[1]));
    const double _Complex t = 2.0 * mu * a / (mu * a + a1);
    /* plate_integrand with its reflection divided out is the source squared */
    const double source2 = plate_integrand(a, &c) / creal(reflection(&c, a));
    return 0.25 * TW_MU0 * TW_MU0 * source2 * creal(t * conj(t)) / (2.0 * a * creal(a1));
}

static void loss_in_a_half_space(void **state) {
    tw_ctx *ctx = *state;
    loss_case l = {{0.020, 0.090, 0.003, 24, 0.008, {1, 1}, {36e6, 36e6}, {1.0, INFINITY}, 20e3, false}};
    double sum = 0.0;
    for (double low = 1e-9; low < 14.0 / 0.008; low += 44.0) {
        double piece;
        assert_ok(tw_integrate(ctx, loss_integrand, &l, low, low + 44.0, 1e-30, 1e-10, &piece, NULL), ctx);
        sum += piece;
    }
    const double w = 2.0 * TW_PI * l.c.frequency;
    assert_close(2.0 * TW_PI * 36e6 * w * w * sum, 0.06467469, 1e-6, 0.0);
    tw_coil_plan *plan = pancake(ctx);
    const tw_stack half = plate(INFINITY, 36e6, 1);
    tw_layer_loss loss;
    assert_ok(tw_coil_layer_losses(ctx, plan, &half, 0.008, 20e3, &loss), ctx);
    assert_close(loss.resistance_ohm, 2.0 * TW_PI * 36e6 * w * w * sum, 1e-8, 0.0);
    tw_coil_plan_destroy(plan);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(three_specified_cases, set_up, tear_down),
        cmocka_unit_test_setup_teardown(team_15, set_up, tear_down),
        cmocka_unit_test_setup_teardown(limits, set_up, tear_down),
        cmocka_unit_test_setup_teardown(against_adaptive_quadrature, set_up, tear_down),
        cmocka_unit_test_setup_teardown(loss_in_a_half_space, set_up, tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

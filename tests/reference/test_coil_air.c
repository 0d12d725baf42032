/* Inductance in air against published and independently computed values. Sources stand beside the numbers; "computed"
 * means recomputed outside this project with other methods. */
#include "testing.h"

#include "tankwright/coil.h"
#include "tankwright/numeric.h"

#include <math.h>

static int set_up(void **state) {
    *state = tw_ctx_create();
    return *state == NULL;
}

static int tear_down(void **state) {
    tw_ctx_destroy(*state);
    return 0;
}

static double section(tw_ctx *ctx, double r1, double r2, double h, double n) {
    const tw_winding w = tw_winding_section(r1, r2, h, n);
    double l = NAN, error = NAN;
    assert_ok(tw_winding_inductance(ctx, &w, &l, &error), ctx);
    assert_true(error <= 1e-9 * l);
    return l;
}

/* H. Nagaoka, J. Coll. Sci. Tokyo 27 (1909) art. 6; computed to 30 digits with elliptic integrals. */
static void nagaoka(void **state) {
    (void)state;
    static const double EXACT[][2] = {
        {0.1, 0.95880712}, {0.2, 0.92009267}, {0.25, 0.90164933}, {0.3, 0.88380291}, {0.4, 0.84985343},
        {0.5, 0.81813575}, {0.6, 0.78852463}, {0.7, 0.76088521},  {0.8, 0.73507906}, {0.9, 0.71096903},
        {1.0, 0.68842261}, {1.5, 0.59504588}, {2.0, 0.52551002},  {2.5, 0.47186478}, {3.0, 0.42919862},
        {3.5, 0.39440170}, {4.0, 0.36543190}, {4.5, 0.34089902},  {5.0, 0.31982547}, {5.5, 0.30150398},
        {6.0, 0.28541009}, {6.5, 0.27114645}, {7.0, 0.25840629},  {7.5, 0.24694886}, {8.0, 0.23658244},
        {8.5, 0.22715234}, {9.0, 0.21853232}, {9.5, 0.21061828},  {10.0, 0.20332352}};
    /* As printed; beyond 4 the print's last digits drift. */
    static const double PRINT[][2] = {{0.25, 0.901649}, {0.5, 0.818136}, {1.0, 0.688423}, {1.5, 0.595045},
                                      {2.0, 0.525510},  {2.5, 0.471865}, {3.0, 0.429199}, {3.5, 0.394401},
                                      {5.0, 0.319825},  {6.0, 0.285406}, {7.0, 0.258407}, {8.0, 0.236581},
                                      {9.0, 0.218528},  {10.0, 0.203315}};
    for (size_t k = 0; k < sizeof EXACT / sizeof *EXACT; k++) {
        assert_close(tw_nagaoka(EXACT[k][0]), EXACT[k][1], 1e-6, 0.0);
    }
    for (size_t k = 0; k < sizeof PRINT / sizeof *PRINT; k++) {
        assert_close(tw_nagaoka(PRINT[k][0]), PRINT[k][1], 5e-5, 0.0);
    }
    assert_close(tw_nagaoka(0.0), 1.0, 1e-15, 0.0);
}

static void loops(void **state) {
    (void)state;
    /* Rosa & Grover, NBS Bulletin 8 (1912), worked example 248.787 cm */
    assert_close(tw_mutual_loops(0.25, 0.20, 0.10), 248.7874e-9, 1e-6, 0.0);
    /* Maxwell's formula, computed */
    static const double M[][4] = {{0.25, 0.25, 0.01, 1036.66485e-9}, {0.25, 0.25, 0.10, 337.684719e-9},
                                  {0.25, 0.25, 0.20, 167.085784e-9}, {0.25, 0.25, 0.25, 123.519616e-9},
                                  {0.05, 0.10, 0.05, 34.9366232e-9}, {0.10, 0.25, 0.20, 36.1833329e-9},
                                  {1.00, 0.50, 0.25, 479.664700e-9}};
    for (size_t k = 0; k < sizeof M / sizeof *M; k++) {
        assert_close(tw_mutual_loops(M[k][0], M[k][1], M[k][2]), M[k][3], 1e-7, 0.0);
        assert_close(tw_mutual_loops(M[k][1], M[k][0], -M[k][2]), M[k][3], 1e-7, 0.0);
    }
    /* ring of round wire, standard low-frequency form, computed */
    assert_close(tw_loop_inductance(0.25, 0.5e-3, false), 2055.874e-9, 1e-6, 0.0);
}

static void discs_and_thick_coils(void **state) {
    tw_ctx *ctx = *state;
    /* Spielrein's disc (Grover, Inductance Calculations, 1946; from memory, and computed) */
    assert_close(section(ctx, 0.0, 1.0, 0.0, 1.0), 6.96957e-7, 1e-5, 0.0);
    static const double ANNULUS[][2] = {{0.1, 8.55581e-7},      {0.2, 10.51246e-7}, {0.25, 11.63398e-7},
                                        {1.0 / 3, 13.73416e-7}, {0.5, 18.97401e-7}, {0.7, 28.08799e-7},
                                        {0.9, 45.74240e-7}};
    for (size_t k = 0; k < sizeof ANNULUS / sizeof *ANNULUS; k++) {
        assert_close(section(ctx, 0.13 * ANNULUS[k][0], 0.13, 0.0, 7.0), 49.0 * 0.13 * ANNULUS[k][1], 1e-5, 0.0);
    }
    /* H. B. Brooks, NBS J. Res. 7 (1931): c x c, inner radius c, mean radius 1.5 c; prints 1.6994e-6 N^2 a */
    assert_close(section(ctx, 0.02, 0.04, 0.02, 31.0), 1.69938e-6 * 961.0 * 0.03, 1e-5, 0.0);
    assert_close(section(ctx, 0.02, 0.04, 0.02, 31.0), 1.6994e-6 * 961.0 * 0.03, 5e-5, 0.0);
}

/* H. A. Wheeler, Proc. IRE 16 (1928) 1398 (formulas from memory), against exact values, computed. */
static void quick_formulas(void **state) {
    tw_ctx *ctx = *state;
    const double inch = 0.0254;
    assert_close(tw_wheeler_solenoid(inch, 2 * inch, 100), 344.828e-6, 1e-5, 0.0);
    assert_close(tw_sheet_inductance(inch, 2 * inch, 100), 345.159e-6, 1e-5, 0.0);
    static const double ERROR[][2] = {{0.8, -0.544}, {1.0, -0.122}, {4.0, -0.495}, {10.0, -0.563}};
    for (size_t k = 0; k < 4; k++) {
        const double b = ERROR[k][0] * inch;
        const double percent = 100.0 * (tw_wheeler_solenoid(inch, b, 100) / tw_sheet_inductance(inch, b, 100) - 1.0);
        assert_close(percent, ERROR[k][1], 0.0, 0.005);
    }
    assert_close(tw_wheeler_multilayer(inch, inch, inch, 100), 320.000e-6, 1e-5, 0.0);
    assert_close(section(ctx, 0.5 * inch, 1.5 * inch, inch, 100), 321.692e-6, 1e-5, 0.0);
    static const double SPIRAL[][4] = {{1, 0.5, 29.6296, 29.2273},
                                       {1, 1, 21.0526, 20.9309},
                                       {2.165, 2.756, 39.3587, 39.5843},
                                       {1, 1.6, 15.6250, 16.0110}};
    for (size_t k = 0; k < 4; k++) {
        const double a = SPIRAL[k][0] * inch, c = SPIRAL[k][1] * inch;
        assert_close(tw_wheeler_spiral(a, c, 20), SPIRAL[k][2] * 1e-6, 1e-5, 0.0);
        assert_close(section(ctx, a - 0.5 * c, a + 0.5 * c, 0.0, 20), SPIRAL[k][3] * 1e-6, 1e-5, 0.0);
    }
}

static void measured_coils(void **state) {
    tw_ctx *ctx = *state;
    /* TEAM problem 15: S. K. Burke, J. Nondestr. Eval. 7 (1988) 35. The printed 221.8 and 3.950 mH are measured. */
    const double first = section(ctx, 6.15e-3, 12.4e-3, 6.15e-3, 3790),
                 second = section(ctx, 9.34e-3, 18.4e-3, 9e-3, 408);
    assert_close(first, 225.988e-3, 1e-4, 0.0);
    assert_close(first, 221.8e-3, 0.025, 0.0);
    assert_close(second, 3.98516e-3, 1e-4, 0.0);
    assert_close(second, 3.950e-3, 0.01, 0.0);
    /* nominal coil list of an eddy-current laboratory (file bo.py of a public package archive) */
    assert_close(section(ctx, 1.15e-3, 2.95e-3, 2.48e-3, 387), 375.75e-6, 5e-3, 0.0);
    assert_close(section(ctx, 1.15e-3, 2.95e-3, 2.48e-3, 387), 376.509e-6, 1e-5, 0.0);
    assert_close(section(ctx, 3.00e-3, 4.56e-3, 5.02e-3, 253), 345.85e-6, 5e-3, 0.0);
    assert_close(section(ctx, 3.00e-3, 4.56e-3, 5.02e-3, 253), 346.888e-6, 1e-5, 0.0);
    /* pancake of the plate cases, computed */
    assert_close(section(ctx, 0.02, 0.09, 0.003, 24), 55.305008e-6, 1e-7, 0.0);
}

/* Plate without slot: TEAM 15, 3.06e7 S/m, prints 3.04 and 1.09 mm (from memory; computed). */
static void skin_depth_of_the_plate(void **state) {
    (void)state;
    assert_close(tw_skin_depth(900, 3.06e7, 1), 3.0328e-3, 0.0, 5e-8); /* half a unit of the last digit */
    assert_close(tw_skin_depth(7000, 3.06e7, 1), 1.0875e-3, 0.0, 5e-8);
    assert_close(tw_skin_depth(900, 3.06e7, 1), 3.04e-3, 3e-3, 0.0);
    assert_close(tw_skin_depth(7000, 3.06e7, 1), 1.09e-3, 3e-3, 0.0);
}

/* The Bessel integral of the self-inductance (references in docs/theory-coil.md) by adaptive quadrature: another method
 * than the room's mean of Maxwell's formula. The mean source comes from a Gauss rule over the radius. */
typedef struct bessel_case {
    double r1, r2, h;
} bessel_case;

static double mean_source(double a, double r1, double r2) {
    static const double X[5] = {0.046910077030668, 0.230765344947158, 0.5, 0.769234655052842, 0.953089922969332};
    static const double W[5] = {0.118463442528095, 0.239314335249683, 0.284444444444444, 0.239314335249683,
                                0.118463442528095};
    const size_t parts = 4 + (size_t)(a * (r2 - r1));
    double sum = 0.0;
    for (size_t p = 0; p < parts; p++) {
        for (size_t k = 0; k < 5; k++) {
            const double r = r1 + (r2 - r1) * ((double)p + X[k]) / (double)parts;
            sum += W[k] * r * j1(a * r);
        }
    }
    return sum / (double)parts;
}

static double self_integrand(double a, void *user) {
    const bessel_case *c = user;
    const double m = mean_source(a, c->r1, c->r2), x = a * c->h;
    return m * m * 2.0 * (x + expm1(-x)) / (x * x);
}

static void against_the_bessel_integral(void **state) {
    tw_ctx *ctx = *state;
    static const bessel_case CASES[] = {{0.3, 1.1, 0.7}, {0.9, 1.3, 0.5}, {0.5, 1.0, 1.7}};
    for (size_t k = 0; k < 3; k++) {
        double sum = 0.0;
        bessel_case c = CASES[k];
        /* short panels follow the oscillation; beyond 400 the integrand's mean is 2 (r1 + r2)/(pi w^2 h a^4) */
        for (double low = 0.0; low < 400.0; low += 4.0) {
            double part, error;
            assert_ok(tw_integrate(ctx, self_integrand, &c, low, low + 4.0, 1e-13, 1e-11, &part, &error), ctx);
            sum += part;
        }
        const double w = c.r2 - c.r1;
        sum += 2.0 * (c.r1 + c.r2) / (3.0 * TW_PI * w * w * c.h * 400.0 * 400.0 * 400.0);
        assert_close(section(ctx, c.r1, c.r2, c.h, 1.0), TW_PI * TW_MU0 * sum, 1e-8, 0.0);
    }
}

/* E-7 of the Asian Physics Olympiad 2025, experimental problem 1, Table 5: |V2/I1| over frequency, both ways. Published
 * M12 = 5.67, M21 = 5.90 uH: reciprocal within their spread; lines with intercept give 5.6739 and 5.9043 uH (computed).
 */
static void measured_reciprocity(void **state) {
    tw_ctx *ctx = *state;
    static const double F[2][10] = {{1020, 1990, 3000, 4040, 5010, 6000, 7010, 8060, 9140, 10100},
                                    {1010, 2000, 3000, 4000, 5000, 6060, 7020, 8060, 9010, 10200}};
    static const double Z[2][10] = {
        {0.02713, 0.05970, 0.09312, 0.13046, 0.16147, 0.19295, 0.22425, 0.27229, 0.31703, 0.35375},
        {0.03864, 0.06653, 0.10748, 0.14157, 0.17478, 0.21603, 0.25018, 0.29587, 0.33424, 0.37412}};
    static const double WANT[2] = {5.6739e-6, 5.9043e-6};
    for (size_t k = 0; k < 2; k++) {
        tw_polynomial p;
        assert_ok(tw_polynomial_fit(ctx, 10, F[k], Z[k], NULL, 1, &p, NULL), ctx);
        assert_close(tw_polynomial_slope(&p, 5000.0) / (2.0 * TW_PI), WANT[k], 1e-3, 0.0);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(nagaoka),
        cmocka_unit_test(loops),
        cmocka_unit_test_setup_teardown(discs_and_thick_coils, set_up, tear_down),
        cmocka_unit_test_setup_teardown(quick_formulas, set_up, tear_down),
        cmocka_unit_test_setup_teardown(measured_coils, set_up, tear_down),
        cmocka_unit_test(skin_depth_of_the_plate),
        cmocka_unit_test_setup_teardown(against_the_bessel_integral, set_up, tear_down),
        cmocka_unit_test_setup_teardown(measured_reciprocity, set_up, tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

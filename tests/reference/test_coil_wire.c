/* Strands, litz and metals against published tables. */
#include "testing.h"

#include "tankwright/coil.h"

#include <math.h>

/* Kelvin's solution; prints in NBS Circular 74 (1918) and Terman (1943), from memory; eight figures computed. */
static void round_wire(void **state) {
    (void)state;
    static const double T[][3] = {
        {0.5, 1.0003254, 0.99983729}, {1, 1.0051867, 0.99740753},   {1.5, 1.0258237, 0.98711077},
        {2, 1.0781587, 0.96113512},   {2.5, 1.1753789, 0.91346559}, {3, 1.3180948, 0.84516653},
        {3.5, 1.4920190, 0.76550117}, {4, 1.6778689, 0.68632279},   {4.5, 1.8627521, 0.61562823},
        {5, 2.0427251, 0.55596812},   {6, 2.3935896, 0.46520551},   {7, 2.7431898, 0.40021121},
        {8, 3.0944457, 0.35107197},   {9, 3.4463848, 0.31256654},   {10, 3.7985761, 0.28161929},
        {15, 5.5620790, 0.18821612},  {20, 7.3276724, 0.14127897},  {25, 9.0941258, 0.11306522},
        {50, 17.930320, 0.05655981},  {100, 35.606665, 0.02828320}};
    static const double PRINT[][2] = {{1, 1.00519}, {2, 1.0782},  {3, 1.3181}, {4, 1.6779},
                                      {5, 2.0427},  {10, 3.7986}, {100, 35.61}};
    for (size_t k = 0; k < sizeof T / sizeof *T; k++) {
        double li;
        assert_close(tw_wire_skin_ratio(T[k][0], &li), T[k][1], 1e-6, 0.0);
        assert_close(li, T[k][2], 1e-6, 0.0);
    }
    for (size_t k = 0; k < sizeof PRINT / sizeof *PRINT; k++) {
        assert_close(tw_wire_skin_ratio(PRINT[k][0], NULL), PRINT[k][1], 1e-4, 0.0);
    }
    /* against radius over skin depth 1..8, computed; a mailing-list table of the same is up to 2.5 % low */
    static const double R[8] = {1.020492, 1.264643, 1.768132, 2.273801, 2.768108, 3.265194, 3.763169, 4.261570};
    for (size_t k = 0; k < 8; k++) {
        assert_close(tw_wire_skin_ratio(sqrt(2.0) * (double)(k + 1), NULL), R[k], 1e-6, 0.0);
    }
}

static void conductors(void **state) {
    (void)state;
    /* IEC 28 (1925), NBS Circular 31: 58.0 MS/m, 1.7241 uohm cm, 0.15328 ohm g/m^2 at 8.89 g/cm^3, 0.00393 /K */
    const tw_metal *copper = tw_metal_find("copper"), *aluminium = tw_metal_find("aluminium");
    assert_non_null(copper);
    assert_non_null(aluminium);
    assert_close(1.0 / copper->conductivity_20_s_m, 1.7241e-8, 1e-4, 0.0);
    assert_close(1.0 / copper->conductivity_20_s_m, 0.15328 / 8.89 * 1e-6, 1e-4, 0.0);
    /* commercial aluminium 60 % IACS: 34.80 m/(ohm mm^2), 2.873 uohm cm, 0.00403 /K (same table) */
    assert_close(aluminium->conductivity_20_s_m, 34.80e6, 2e-3, 0.0);
    assert_close(1.0 / aluminium->conductivity_20_s_m, 2.873e-8, 2e-3, 0.0);
    assert_close(aluminium->temperature_coefficient, 0.00403, 1e-12, 0.0);
    /* copper at 60 C from 1.7241 uohm cm: 1.99513, linear law */
    assert_close(1.7241 * copper->conductivity_20_s_m / tw_metal_conductivity(copper, 60.0), 1.99513, 1e-5, 0.0);
    /* skin depth of copper, computed; handbooks give about 8.5 mm at 60 Hz */
    static const double D[][2] = {{50, 9.3459e-3},    {60, 8.5316e-3},     {10e3, 0.66087e-3},
                                  {20e3, 0.46730e-3}, {100e3, 0.20898e-3}, {1e6, 0.066087e-3}};
    for (size_t k = 0; k < sizeof D / sizeof *D; k++) {
        assert_close(tw_skin_depth(D[k][0], copper->conductivity_20_s_m, 1.0), D[k][1], 1e-4, 0.0);
    }
    assert_close(tw_skin_depth(60.0, copper->conductivity_20_s_m, 1.0), 8.5e-3, 5e-3, 0.0);
    /* skin depths of the pan metals at 20, 30, 50 kHz (computed from the resistivities there; 0.60 uohm m at 50 kHz is
     * 1.7435, which that table rounds to 1.744) */
    static const double P[][5] = {{1.0 / 0.02826e-6, 1, 0.5983, 0.4885, 0.3784},
                                  {5e6, 100, 0.1592, 0.1299, 0.1007},
                                  {1.0 / 0.72e-6, 1, 3.020, 2.466, 1.910},
                                  {1.0 / 0.60e-6, 1, 2.757, 2.251, 1.7435},
                                  {1.0 / 1.0e-6, 1, 3.559, 2.906, 2.251}};
    for (size_t k = 0; k < 5; k++) {
        static const double F[3] = {20e3, 30e3, 50e3};
        for (size_t i = 0; i < 3; i++) {
            assert_close(1e3 * tw_skin_depth(F[i], P[k][0], P[k][1]), P[k][2 + i], 0.0, 5.1e-4);
        }
    }
}

/* C. R. Sullivan, R. Y. Zhang, "Simplified Design Method for Litz Wire", IEEE APEC 2014. */
static void litz_design(void **state) {
    (void)state;
    /* Table I: k = sqrt(192 (FR - 1))/(pi d^3) in 1/mm^3, prints rounded, ASTM B258 diameters */
    static const double K[17] = {130,   203,  318,  496,  771,  1.2e3, 1.8e3, 2.8e3, 4.4e3,
                                 6.7e3, 10e3, 16e3, 24e3, 36e3, 54e3,  79e3,  115e3};
    static const double FR[17] = {1.06, 1.07, 1.09, 1.11, 1.13, 1.15, 1.18, 1.22, 1.25,
                                  1.30, 1.35, 1.41, 1.47, 1.54, 1.60, 1.64, 1.68};
    for (size_t i = 0; i < 17; i++) {
        const double d = 0.127e-3 * pow(92.0, (36.0 - (32.0 + (double)i)) / 39.0), delta = 0.21e-3, b = 20e-3;
        /* the same through eq (3): with n N = k delta^2 b the factor is the chosen FR */
        const double strands = K[i] * 1e9 * delta * delta * b;
        assert_close(sqrt((tw_litz_factor(strands, d, 1.0, b, delta) - 1.0) / (FR[i] - 1.0)), 1.0, 0.03, 0.0);
    }
    /* largest frequency for a first twist of n strands, 1.72e-8: 27.23, 5.45, 28.57 kHz (text: 25, 5.5, 29) */
    static const double T[3][4] = {
        {25, 0.16e-3, 27.23e3, 25e3}, {125, 0.16e-3, 5.45e3, 5.5e3}, {61, 0.10e-3, 28.57e3, 29e3}};
    for (size_t i = 0; i < 3; i++) {
        const double delta1 = tw_skin_depth(1.0, 1.0 / 1.72e-8, 1.0); /* at 1 Hz; n1max falls as 1/f */
        const double f = tw_litz_first_twist(T[i][1], delta1) / T[i][0];
        assert_close(f, T[i][2], 1e-3, 0.0);
        assert_close(f, T[i][3], 0.10, 0.0);
    }
    /* effective breadth for 5 and 11 mm: fit 20.77 (20.7680), exact 20.593 */
    assert_close(1e3 * tw_litz_breadth_fit(5.0, 11.0), 20768.0, 1e-4, 0.0);
    assert_close(tw_litz_breadth(5.0, 11.0), 20.593, 1e-4, 0.0);
    /* eq (3) at 100 kHz, 1.72e-8 */
    const double delta = tw_skin_depth(100e3, 1.0 / 1.72e-8, 1.0);
    assert_close(delta, 0.20873e-3, 2e-5, 0.0);
    assert_close(tw_litz_factor(100, 0.1e-3, 20, 25e-3, delta), 1.173317, 1e-5, 0.0);
    assert_close(tw_litz_factor(300, 0.05e-3, 20, 25e-3, delta), 1.024373, 1e-5, 0.0);
    assert_close(tw_litz_factor(600, 0.1e-3, 24, 70e-3, delta), 2.146014, 1e-5, 0.0);
    /* appendix: 650 circular mil per ampere at 2e-8 ohm m: 3.04 A/mm^2, 184 mW/cm^3 */
    const double mil = 25.4e-6, density = 1.0 / (650.0 * 0.25 * TW_PI * mil * mil);
    assert_close(density, 3.0362e6, 1e-3, 0.0);
    assert_close(2e-8 * density * density, 184.4e3, 1e-3, 0.0);
}

/* 2 m of 125 strands AWG 34: measured 14.307, 14.35, 14.46 mohm; straight strands 13.66 (1.72e-8): lay 1.047 to 1.058.
 */
static void litz_resistance(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    assert_non_null(ctx);
    /* a ring with 2 m circumference */
    const tw_turn turn = {1.0 / TW_PI, 0.0};
    const tw_winding ring = {.kind = TW_WINDING_TURNS, .n_turns = 1, .turn = &turn, .wire_radius_m = 2e-3};
    tw_coil_plan *plan = NULL;
    assert_ok(tw_coil_plan_create(ctx, &ring, NULL, 0.0, NULL, &plan), ctx);
    tw_wire wire = tw_wire_copper(125, 0.127e-3 * pow(92.0, 2.0 / 39.0), 1.0, 20.0);
    wire.conductivity_20_s_m = 1.0 / 1.72e-8;
    static const double LAY[3] = {1.0, 1.047, 1.058}, OHM[3] = {13.66e-3, 14.307e-3, 14.46e-3};
    for (size_t k = 0; k < 3; k++) {
        tw_wire_loss loss;
        wire.lay_factor = LAY[k];
        assert_ok(tw_coil_wire_loss(ctx, plan, &wire, NULL, 0.0, 100.0, &loss), ctx);
        assert_close(loss.length_m, 2.0, 1e-12, 0.0);
        assert_close(loss.dc_ohm, OHM[k], 5e-3, 0.0);
        assert_close(loss.ac_ohm, loss.dc_ohm, 1e-6, 0.0);
    }
    tw_coil_plan_destroy(plan);
    tw_ctx_destroy(ctx);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(round_wire),
        cmocka_unit_test(conductors),
        cmocka_unit_test(litz_design),
        cmocka_unit_test(litz_resistance),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

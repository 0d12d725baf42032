/* Power quantities against IEEE Std 1459-2010, annex B example (recomputed without the printed chain's rounding: the
 * print has P = 8632.54 W and S = 10517.55 VA from cos 30 deg taken as 0.866), a variant of it, and a textbook circuit.
 */
#include "testing.h"

#include "tankwright/numeric.h"

#include <complex.h>
#include <math.h>

static int make_context(void **state) {
    *state = tw_ctx_create();
    return *state == NULL;
}

static int drop_context(void **state) {
    tw_ctx_destroy(*state);
    return 0;
}

static double _Complex phasor(double rms, double degrees) {
    return sqrt(2.0) * rms * tw_complex(cos(degrees * TW_PI / 180.0), sin(degrees * TW_PI / 180.0));
}

static void annex_b(tw_ctx *ctx, double fifth, double seventh, tw_power *p) {
    const double _Complex v[7] = {phasor(100, 0), 0, phasor(8, -70), 0, phasor(15, 140), 0, phasor(5, 20)};
    const double _Complex i[7] = {phasor(100, -30), 0, phasor(20, -165), 0, phasor(15, fifth), 0, phasor(10, seventh)};
    assert_ok(tw_power_from_phasors(ctx, 7, v, i, 0.0, 0.0, p), ctx);
}

static void standard_example(void **state) {
    tw_power p;
    annex_b(*state, 233.0, 288.0, &p);
    assert_close(p.voltage_rms_v, 101.557865, 1e-8, 0.0);
    assert_close(p.current_rms_a, 103.561576, 1e-8, 0.0);
    assert_close(p.voltage_harmonic_rms_v, 17.720045, 3e-8, 0.0);
    assert_close(p.current_harmonic_rms_a, 26.925824, 3e-8, 0.0);
    assert_close(p.active_fundamental_w, 8660.2540, 1e-6, 0.0);
    assert_close(p.reactive_fundamental_var, 5000.0, 1e-12, 0.0);
    assert_close(p.active_w, 8632.7886, 1e-6, 0.0);
    assert_close(p.active_harmonic_w, -27.4655, 2e-6, 0.0);
    assert_close(p.apparent_va, 10517.4926, 1e-6, 0.0);
    assert_close(p.apparent_fundamental_va, 10000.0, 1e-12, 0.0);
    assert_close(p.apparent_nonfundamental_va, 3258.4736, 1e-6, 0.0);
    assert_close(p.current_distortion_var, 2692.5824, 1e-6, 0.0);
    assert_close(p.voltage_distortion_var, 1772.0045, 1e-6, 0.0);
    assert_close(p.apparent_harmonic_va, 477.1268, 1e-6, 0.0);
    assert_close(p.harmonic_distortion_var, 476.3356, 1e-6, 0.0);
    assert_close(p.nonactive_var, 6007.7127, 1e-6, 0.0);
    assert_close(p.thd_voltage, 0.1772005, 1e-6, 0.0);
    assert_close(p.thd_current, 0.2692582, 1e-6, 0.0);
    assert_close(p.power_factor, 0.820803, 1e-6, 0.0);
    assert_close(p.power_factor_fundamental, 0.866025, 1e-6, 0.0);
    assert_close(p.pollution, 0.325847, 2e-6, 0.0);
    assert_close(p.reactive_budeanu_var, 4984.6690, 1e-6, 0.0);
    assert_close(p.distortion_budeanu_var, 3353.4589, 1e-6, 0.0);
    /* printed figures, loosely */
    assert_close(p.active_w, 8632.54, 0.0, 0.3);
    assert_close(p.apparent_va, 10517.55, 1e-4, 0.0);
}

/* The wrong phases of a public transcription (234 degrees for both): a second data point. */
static void transcribed_example(void **state) {
    tw_power p;
    annex_b(*state, 234.0, 234.0, &p);
    assert_close(p.active_w, 8589.1620, 1e-6, 0.0);
    assert_close(p.active_harmonic_w, -71.0920, 1e-6, 0.0);
    assert_close(p.harmonic_distortion_var, 471.8007, 1e-6, 0.0);
    assert_close(p.reactive_budeanu_var, 4962.8989, 1e-6, 0.0);
    assert_close(p.apparent_va, 10517.4926, 1e-6, 0.0);
}

/* J. Bird, Electrical Circuit Theory and Technology, problem 36.11: 25 + 100 sin wt + 40 sin(3wt + 30 deg) + 20 sin(5wt
 * + 15 deg) V, w = 1e4 rad/s, on 5 ohm + 0.5 mH. */
static void series_circuit_with_dc(void **state) {
    double _Complex v[5] = {0}, i[5] = {0};
    v[0] = phasor(100 / sqrt(2.0), 0);
    v[2] = phasor(40 / sqrt(2.0), 30);
    v[4] = phasor(20 / sqrt(2.0), 15);
    for (size_t k = 0; k < 5; k++) {
        i[k] = v[k] / tw_complex(5.0, 1e4 * 0.5e-3 * (double)(k + 1));
    }
    tw_power p;
    assert_ok(tw_power_from_phasors(*state, 5, v, i, 25.0, 25.0 / 5.0, &p), *state);
    assert_close(p.current_rms_a, 11.336123, 1e-6, 0.0);
    assert_close(p.active_w, 642.538462, 1e-6, 0.0);
    assert_close(cabs(i[0]), 14.14214, 1e-6, 0.0);
    assert_close(cabs(i[4]), 0.784465, 1e-6, 0.0);
    assert_close(p.active_w, 5.0 * p.current_rms_a * p.current_rms_a, 1e-13, 0.0); /* all of it heats the resistor */
}

static void identities_hold_for_any_record(void **state) {
    tw_random r = {107};
    for (int trial = 0; trial < 5000; trial++) {
        const size_t n = 1 + tw_random_below(&r, 9);
        double _Complex v[9], i[9];
        for (size_t k = 0; k < n; k++) {
            v[k] = phasor(tw_random_log_uniform(&r, 1e-3, 1e3), tw_random_uniform(&r, 0, 360));
            i[k] = phasor(tw_random_log_uniform(&r, 1e-3, 1e3), tw_random_uniform(&r, 0, 360));
        }
        tw_power p;
        assert_ok(tw_power_from_phasors(*state, n, v, i, tw_random_normal(&r), tw_random_normal(&r), &p), *state);
        const double s2 = p.apparent_va * p.apparent_va;
        const double sn2 = p.apparent_nonfundamental_va * p.apparent_nonfundamental_va;
        const double sh2 = p.apparent_harmonic_va * p.apparent_harmonic_va;
        assert_close(p.apparent_fundamental_va * p.apparent_fundamental_va + sn2, s2, 1e-13, 0.0);
        assert_close(p.current_distortion_var * p.current_distortion_var +
                         p.voltage_distortion_var * p.voltage_distortion_var + sh2,
                     sn2, 1e-13, 0.0);
        assert_close(p.active_harmonic_w * p.active_harmonic_w + p.harmonic_distortion_var * p.harmonic_distortion_var,
                     sh2, 1e-13, 0.0);
        assert_close(p.active_w * p.active_w + p.nonactive_var * p.nonactive_var, s2, 1e-13, 0.0);
        assert_close(hypot(p.active_fundamental_w, p.reactive_fundamental_var), p.apparent_fundamental_va, 1e-13, 0.0);
        assert_close(p.active_fundamental_w + p.active_harmonic_w, p.active_w, 1e-13, 1e-13 * p.apparent_va);
    }
}

static void nothing_and_nonsense(void **state) {
    tw_ctx *ctx = *state;
    double _Complex v[1] = {0}, i[1] = {1};
    tw_power p;
    assert_ok(tw_power_from_phasors(ctx, 1, v, i, 0.0, 0.0, &p), ctx);
    assert_true(isnan(p.thd_voltage) && isnan(p.power_factor) && p.thd_current == 0.0);
    assert_int_equal(tw_power_from_phasors(ctx, 0, v, i, 0.0, 0.0, &p), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    v[0] = (double)NAN;
    assert_int_equal(tw_power_from_phasors(ctx, 1, v, i, 0.0, 0.0, &p), TW_BAD_ARGUMENT);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(standard_example, make_context, drop_context),
        cmocka_unit_test_setup_teardown(transcribed_example, make_context, drop_context),
        cmocka_unit_test_setup_teardown(series_circuit_with_dc, make_context, drop_context),
        cmocka_unit_test_setup_teardown(identities_hold_for_any_record, make_context, drop_context),
        cmocka_unit_test_setup_teardown(nothing_and_nonsense, make_context, drop_context),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

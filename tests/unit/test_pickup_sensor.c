/* The current pick-up over frequency, Rogowski coil, parts: against laws written again, limits, refusals. */
#include "tankwright/pickup.h"
#include "testing.h"

#include <complex.h>
#include <math.h>
#include <string.h>

static int make_context(void **state) {
    *state = tw_ctx_create();
    return *state == NULL;
}

static int drop_context(void **state) {
    tw_ctx_destroy(*state);
    return 0;
}

static const tw_transformer USUAL = {.turns = 150,
                                     .burden_ohm = 2.2,
                                     .magnetizing_inductance_h = 22e-3,
                                     .winding_resistance_ohm = 1.4,
                                     .clamp_onset_v = NAN};

static tw_sensor full(void) {
    tw_sensor s = tw_sensor_of(&USUAL);
    s.leakage_inductance_h = 4.3e-6;
    s.winding_capacitance_f = 83e-12;
    s.probe_resistance_ohm = 1e6;
    s.probe_capacitance_f = 115e-12;
    return s;
}

static void a_bare_sensor_is_its_transformer(void **state) {
    const tw_sensor s = tw_sensor_of(&USUAL);
    assert_ok(tw_sensor_check(*state, &s), *state);
    for (double f = 0.3; f < 1e9; f *= 3.7) {
        double re, im, re2, im2, ratio, phase;
        tw_sensor_transfer(&s, f, &re, &im);
        tw_transformer_transfer(&USUAL, 2 * TW_PI * f, &re2, &im2);
        assert_close(re, re2, 1e-12, 0);
        assert_close(im, im2, 1e-9, 1e-15 * re2);
        tw_sensor_errors(&s, f, &ratio, &phase);
        const double x = 2 * TW_PI * f * 22e-3 / 3.6; /* ratio 1/sqrt(1 + 1/x^2), phase atan(1/x) */
        assert_close(ratio, expm1(-0.5 * log1p(1 / (x * x))), 1e-6, 1e-15);
        assert_close(phase, atan(1 / x), 1e-9, 1e-15);
    }
    assert_close(tw_sensor_low_corner(&s), 3.6 / (2 * TW_PI * 22e-3), 1e-13, 0);
    assert_true(isinf(tw_sensor_high_corner(&s)));
}

/* Node by node: the network solved as a chain from the burden back to the source. */
static double complex by_chain(const tw_sensor *s, double f) {
    const double complex p = I * 2 * TW_PI * f;
    const double complex v = 1;
    const double complex i2 = v * (1 / s->base.burden_ohm + 1 / s->probe_resistance_ohm + p * s->probe_capacitance_f);
    const double complex vm = v + i2 * (s->base.winding_resistance_ohm + p * s->leakage_inductance_h);
    const double complex i1 = i2 + vm * (p * s->winding_capacitance_f + 1 / (p * s->base.magnetizing_inductance_h));
    return v / (i1 * s->base.turns);
}

static void the_network_is_solved(void **state) {
    (void)state;
    const tw_sensor s = full();
    for (double f = 3; f < 3e8; f *= 2.3) {
        double re, im;
        tw_sensor_transfer(&s, f, &re, &im);
        const double complex want = by_chain(&s, f);
        assert_close(re, creal(want), 1e-11, 1e-12 * cabs(want));
        assert_close(im, cimag(want), 1e-11, 1e-12 * cabs(want));
    }
}

static void corners_are_three_decibels_off(void **state) {
    (void)state;
    const tw_sensor s = full();
    const double low = tw_sensor_low_corner(&s), high = tw_sensor_high_corner(&s);
    double re, im;
    tw_sensor_transfer(&s, low, &re, &im);
    assert_close(hypot(re, im), 2.2 / 150 / sqrt(2), 1e-3, 0);
    tw_sensor_transfer(&s, high, &re, &im);
    const double size = hypot(re, im) / (2.2 / 150);
    assert_true(fabs(size - sqrt(2)) < 1e-3 || fabs(size - sqrt(0.5)) < 1e-3);
    /* leakage and winding capacitance resonate: the rise by 3 dB stands at sqrt(1 - 1/sqrt 2) of that frequency */
    const double resonance = 1 / (2 * TW_PI * sqrt(4.3e-6 * 83e-12));
    assert_close(high, resonance * sqrt(1 - sqrt(0.5)), 0.02, 0);
    for (double f = 2 * low; f < high; f *= 1.05) { /* and nowhere between */
        tw_sensor_transfer(&s, f, &re, &im);
        const double between = hypot(re, im) / (2.2 / 150);
        assert_true(between > sqrt(0.5) && between < sqrt(2) * (1 + 1e-9));
    }
}

static void electronics_bring_a_corner(void **state) {
    (void)state;
    tw_sensor s = tw_sensor_of(&USUAL);
    s.high_corner_hz = 1.3e6;
    assert_close(tw_sensor_high_corner(&s), 1.3e6, 1e-5, 0);
    double ratio, phase, low_lead;
    tw_sensor_errors(&s, 26e3, &ratio, &phase);
    low_lead = atan(3.6 / (2 * TW_PI * 26e3 * 22e-3));
    assert_close(phase, low_lead - atan(26e3 / 1.3e6), 1e-9, 0);
    assert_true(ratio < 0);
}

static void a_probe_takes_its_share(void **state) {
    (void)state;
    tw_sensor s = tw_sensor_of(&USUAL);
    s.probe_resistance_ohm = 220; /* a hundredth of the burden's current */
    double ratio, phase;
    tw_sensor_errors(&s, 26e3, &ratio, &phase);
    assert_close(ratio, 100.0 / 101 - 1, 1e-4, 0);
    s.source_ohm = 50; /* an integrator's output of 50 ohm into 50 ohm halves the voltage */
    s.probe_resistance_ohm = 50;
    tw_sensor_errors(&s, 26e3, &ratio, &phase);
    assert_close(ratio, -0.5, 1e-4, 0);
    double re, im;
    tw_sensor_insertion(&s, 26e3, &re, &im);
    assert_true(re == 0 && im == 0);
}

static void saturation_is_where_the_flux_density_says(void **state) {
    (void)state;
    const tw_sensor s = full();
    const double area = 51.26e-6;
    /* by hand: flux of a sine over the secondary's branch, B = I |Z_2|/(N^2 w A) for L_m far above it */
    const double w = 2 * TW_PI * 26e3;
    assert_close(tw_sensor_flux_density(&s, area, 26e3, 47, 0), 47 * hypot(3.6, w * 4.3e-6) / (150.0 * 150 * w * area),
                 5e-4, 0);
    assert_close(tw_sensor_flux_density(&s, area, 26e3, 0, -0.4), 22e-3 * 0.4 / (150.0 * 150 * area), 1e-12, 0);
    for (double direct = -0.8; direct < 1; direct += 0.4) {
        const double limit = tw_sensor_saturation_limit(&s, area, 0.38, 300, direct);
        assert_close(tw_sensor_flux_density(&s, area, 300, limit, direct), 0.38, 1e-12, 0);
    }
    assert_close(tw_sensor_saturation_limit(&s, area, 0.38, 300, 30), 0, 0, 0);
    /* half the frequency, half the range, where resistance is all there is */
    const tw_sensor bare = tw_sensor_of(&USUAL);
    assert_close(tw_sensor_saturation_limit(&bare, area, 0.38, 20e3, 0),
                 2 * tw_sensor_saturation_limit(&bare, area, 0.38, 10e3, 0), 1e-5, 0);
}

static void an_integrator_droops_like_a_magnetizing_branch(void **state) {
    enum { N = 900 };
    const tw_rogowski r = {.sensitivity_v_per_a = 9.7e-3, .low_corner_hz = 210};
    double i[N], v[N], back[N];
    double complex in = 0, out = 0;
    for (size_t k = 0; k < N; k++) {
        i[k] = 31 * cos(2 * TW_PI * (double)k / N + 0.7);
    }
    const double period_s = 1 / 26e3;
    assert_ok(tw_rogowski_forward(*state, &r, period_s, i, N, v), *state);
    for (size_t k = 0; k < N; k++) {
        in += i[k] * cexp(-I * 2 * TW_PI * (double)k / N);
        out += v[k] * cexp(-I * 2 * TW_PI * (double)k / N);
    }
    /* S jx/(1 + jx) */
    const double x = 26e3 / 210;
    const double complex want = 9.7e-3 * I * x / (1 + I * x);
    assert_close(cabs(out / in), cabs(want), 1e-5, 0);
    assert_close(carg(out / in), carg(want), 1e-4, 0);
    double re, im;
    tw_rogowski_transfer(&r, 2 * TW_PI * 26e3, &re, &im);
    assert_close(re, creal(want), 1e-12, 0);
    assert_close(im, cimag(want), 1e-12, 0);
    assert_ok(tw_rogowski_inverse(*state, &r, period_s / N, v, N, 0, N, back), *state);
    for (size_t k = 0; k < N; k++) {
        assert_close(back[k], i[k], 0, 31e-9);
    }
    /* no leak: the integral itself */
    const tw_rogowski ideal = {9.7e-3, 0};
    assert_ok(tw_rogowski_forward(*state, &ideal, period_s, i, N, v), *state);
    for (size_t k = 0; k < N; k++) {
        assert_close(v[k], 9.7e-3 * i[k], 0, 1e-13);
    }
}

static void what_cannot_be_is_refused_by_name(void **state) {
    tw_ctx *ctx = *state;
    static const struct {
        size_t offset;
        double value;
        const char *key;
    } BAD[] = {{offsetof(tw_sensor, leakage_inductance_h), -1e-9, "leakage_inductance"},
               {offsetof(tw_sensor, winding_capacitance_f), NAN, "winding_capacitance"},
               {offsetof(tw_sensor, probe_resistance_ohm), 0, "probe_resistance"},
               {offsetof(tw_sensor, probe_capacitance_f), INFINITY, "probe_capacitance"},
               {offsetof(tw_sensor, source_ohm), -50, "source"},
               {offsetof(tw_sensor, high_corner_hz), NAN, "high_corner"},
               {offsetof(tw_sensor, base.turns), 0, "turns"}};
    for (size_t k = 0; k < sizeof BAD / sizeof BAD[0]; k++) {
        tw_sensor s = full();
        memcpy((char *)&s + BAD[k].offset, &BAD[k].value, sizeof(double));
        assert_int_equal(tw_sensor_check(ctx, &s), TW_BAD_ARGUMENT);
        assert_string_equal(tw_ctx_error(ctx)->key, BAD[k].key);
        tw_ctx_clear_error(ctx);
    }
    static const tw_rogowski COILS[] = {{0, 5}, {NAN, 5}, {INFINITY, 5}, {1e-2, -1}, {1e-2, NAN}, {5e-324, 1e300}};
    for (size_t k = 0; k < sizeof COILS / sizeof COILS[0]; k++) {
        tw_transformer t = USUAL;
        assert_int_equal(tw_rogowski_as_transformer(ctx, &COILS[k], &t), TW_BAD_ARGUMENT);
        assert_close(t.turns, 150, 0, 0);
        tw_ctx_clear_error(ctx);
    }
    static const double RINGS[][3] = {{0, 1, 1}, {2, 2, 1}, {2, 0, 1}, {2, 1, 0}, {2, 1, NAN}, {NAN, 1, 1}};
    for (size_t k = 0; k < sizeof RINGS / sizeof RINGS[0]; k++) {
        const tw_core core = tw_core_ring(RINGS[k][0], RINGS[k][1], RINGS[k][2]);
        assert_true(isnan(core.area_m2) && isnan(core.length_m));
    }
}

static void a_thin_ring_is_a_bar_bent_round(void **state) {
    (void)state;
    const tw_core core = tw_core_ring(100.002e-3, 100e-3, 7e-3);
    assert_close(core.area_m2, 7e-3 * 1e-6, 1e-8, 0); /* a section of 7 mm by 1 um, all of it at one radius */
    assert_close(core.length_m, TW_PI * 100.001e-3, 1e-8, 0);
    assert_close(tw_core_ring_turn(25e-3, 15e-3, 10e-3, 0.3e-3), 30e-3 + TW_PI * 0.3e-3, 1e-14, 0);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(a_bare_sensor_is_its_transformer, make_context, drop_context),
        cmocka_unit_test(the_network_is_solved),
        cmocka_unit_test(corners_are_three_decibels_off),
        cmocka_unit_test(electronics_bring_a_corner),
        cmocka_unit_test(a_probe_takes_its_share),
        cmocka_unit_test(saturation_is_where_the_flux_density_says),
        cmocka_unit_test_setup_teardown(an_integrator_droops_like_a_magnetizing_branch, make_context, drop_context),
        cmocka_unit_test_setup_teardown(what_cannot_be_is_refused_by_name, make_context, drop_context),
        cmocka_unit_test(a_thin_ring_is_a_bar_bent_round),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

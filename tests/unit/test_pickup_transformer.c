/* Current transformer: scale, transfer, steady state with and without clamp, inverse, gaps, refused arguments. */
#include "pickup_private.h"
#include "testing.h"

#include <math.h>
#include <string.h>

#define N 500

static const tw_transformer USUAL = {.turns = 150,
                                     .burden_ohm = 2.2,
                                     .magnetizing_inductance_h = 22e-3,
                                     .winding_resistance_ohm = 1.4,
                                     .clamp_onset_v = NAN};

static int make_context(void **state) {
    *state = tw_ctx_create();
    return *state == NULL;
}

static int drop_context(void **state) {
    tw_ctx_destroy(*state);
    return 0;
}

/* A coil current as a bridge drives it, invented: half-wave symmetric, a rise with a piece of a sine, then a corner. */
static void fill_current(double *i_a, size_t n, double peak_a) {
    for (size_t k = 0; k < n; k++) {
        const double half = fmod(2.0 * (double)k / (double)n, 1.0);
        const double sign = 2 * k < n ? 1 : -1;
        const double wave = sin(2.5 * half) - 0.62 + 0.02 * half;
        i_a[k] = sign * peak_a * (half < 0.93 ? wave : wave - 9 * (half - 0.93));
    }
}

static void phi_functions_agree_with_their_series(void **state) {
    (void)state;
    for (double a = 0; a < 40; a = a * 1.07 + 1e-6) {
        /* phi1 = sum (-a)^j/(j+1)!, phi2 = sum (-a)^j/(j+2)! in long double, good to a few units below a = 5 */
        long double term = 1, one = 0, two = 0;
        for (int j = 0; j < 200; j++) {
            one += term / (j + 1);
            two += term / (long double)((j + 1) * (j + 2));
            term *= -(long double)a / (j + 1);
        }
        if (a < 5) {
            assert_close(tw_pickup__phi1(a), (double)one, 4e-16, 0);
            assert_close(tw_pickup__phi2(a), (double)two, 2e-15, 0);
        }
        assert_close(a * tw_pickup__phi2(a), 1 - tw_pickup__phi1(a), 1e-15, 3e-16);
    }
}

static void steps_of_a_linear_network_are_exact(void **state) {
    /* A square-edged triangle: every sample must agree with the closed form of the periodic RL response. */
    tw_transformer ct = USUAL;
    ct.magnetizing_inductance_h = 3.1e-5; /* short time constant: a third of the period */
    const double period_s = 25.6e-6, tau_s = ct.magnetizing_inductance_h / 3.6;
    double i[N], v[N];
    for (size_t k = 0; k < N; k++) { /* triangle from -13 A to 13 A and back */
        i[k] = 13 * (k <= N / 2 ? 4.0 * (double)k / N - 1 : 3 - 4.0 * (double)k / N);
    }
    assert_ok(tw_transformer_forward(*state, &ct, period_s, i, N, v), *state);
    /* i_s' = u' - i_s/tau with u' = +-m: i_s = m tau (1 - c exp(-t/tau)), half-wave symmetry gives c. */
    const double m = 4 * 13 / (150.0 * period_s), c = 2 / (1 + exp(-period_s / 2 / tau_s));
    for (size_t k = 0; k < N / 2; k++) {
        const double t = period_s * (double)k / N;
        const double want = 2.2 * m * tau_s * (1 - c * exp(-t / tau_s));
        assert_close(v[k], want, 0, 2e-14);
        assert_close(v[k + N / 2], -want, 0, 2e-14);
    }
}

static void direct_current_does_not_pass(void **state) {
    double i[N], j[N], v[N], w[N];
    fill_current(i, N, 37);
    for (size_t k = 0; k < N; k++) {
        j[k] = i[k] + 5.5;
    }
    for (int ideal = 0; ideal < 2; ideal++) {
        tw_transformer ct = USUAL;
        ct.magnetizing_inductance_h = ideal ? INFINITY : 22e-3;
        ct.clamp_onset_v = 0.3;
        assert_ok(tw_transformer_forward(*state, &ct, 38.46e-6, i, N, v), *state);
        assert_ok(tw_transformer_forward(*state, &ct, 38.46e-6, j, N, w), *state);
        for (size_t k = 0; k < N; k++) {
            assert_close(w[k], v[k], 0, 1e-12);
        }
    }
}

static void an_ideal_transformer_is_the_limit(void **state) {
    double i[N], v[N], w[N];
    fill_current(i, N, 37);
    for (int clamped = 0; clamped < 2; clamped++) {
        tw_transformer ct = USUAL;
        ct.clamp_onset_v = clamped ? 0.25 : NAN;
        ct.magnetizing_inductance_h = 1e6;
        assert_ok(tw_transformer_forward(*state, &ct, 38.46e-6, i, N, v), *state);
        ct.magnetizing_inductance_h = INFINITY;
        assert_ok(tw_transformer_forward(*state, &ct, 38.46e-6, i, N, w), *state);
        for (size_t k = 0; k < N; k++) {
            assert_close(v[k], w[k], 0, 1e-9);
        }
    }
}

/* The law of docs/theory.md, written again: secondary current at burden voltage v, and its inverse by bisection. */
static double law(double v, double onset_v, double burden_ohm) {
    return v / burden_ohm + 1e-4 * onset_v / burden_ohm * sinh(10 * v / onset_v) / sinh(10);
}

static double law_voltage(double i_s, double onset_v, double burden_ohm) {
    double low = -burden_ohm * fabs(i_s), high = -low;
    for (int k = 0; k < 70; k++) {
        const double mid = low + (high - low) / 2;
        *(law(mid, onset_v, burden_ohm) < i_s ? &low : &high) = mid;
    }
    return low + (high - low) / 2;
}

static double flux_rate(const tw_transformer *ct, double u, double y) {
    return ct->winding_resistance_ohm * (u - y) + law_voltage(u - y, ct->clamp_onset_v, ct->burden_ohm);
}

static void clamped_steady_state_obeys_the_equation(void **state) {
    enum { COARSE = 100, FINE = 100 };
    static const double INDUCTANCES_H[] = {22e-3, 2e-4, 3e-5};
    double i[COARSE], v[COARSE];
    fill_current(i, COARSE, 120);
    i[7] += 30; /* no symmetry left */
    double mean = 0, peak_v = 0;
    for (size_t l = 0; l < 3; l++) {
        tw_transformer ct = USUAL;
        ct.magnetizing_inductance_h = INDUCTANCES_H[l];
        ct.clamp_onset_v = 0.4; /* the peak lies at a multiple of the linear limit */
        assert_ok(tw_transformer_forward(*state, &ct, 40e-6, i, COARSE, v), *state);
        mean = 0;
        peak_v = 0;
        for (size_t k = 0; k < COARSE; k++) {
            mean += i[k] / COARSE;
            peak_v = fmax(peak_v, fabs(v[k]));
        }
        assert_true(peak_v > 0.5);
        const double y_start = (i[0] - mean) / 150 - law(v[0], 0.4, 2.2), h = 40e-6 / (COARSE * FINE);
        double y = y_start;
        for (size_t k = 0; k < COARSE; k++) {
            const double ua = (i[k] - mean) / 150, ub = (i[(k + 1) % COARSE] - mean) / 150;
            assert_close(v[k], law_voltage(ua - y, 0.4, 2.2), 0, 1e-9 * peak_v);
            for (int s = 0; s < FINE; s++) {
                const double u0 = ua + (ub - ua) * s / FINE, um = u0 + (ub - ua) / (2 * FINE),
                             u1 = u0 + (ub - ua) / FINE, q = h / ct.magnetizing_inductance_h;
                const double k1 = q * flux_rate(&ct, u0, y), k2 = q * flux_rate(&ct, um, y + k1 / 2);
                const double k3 = q * flux_rate(&ct, um, y + k2 / 2), k4 = q * flux_rate(&ct, u1, y + k3);
                y += (k1 + 2 * (k2 + k3) + k4) / 6;
            }
        }
        assert_close(y, y_start, 0, 1e-9 * peak_v / 2.2);
    }
}

static void clamp_bends_above_its_onset_only(void **state) {
    double i[N], straight[N], bent[N];
    tw_transformer ct = USUAL;
    ct.magnetizing_inductance_h = INFINITY;
    for (size_t k = 0; k < N; k++) {
        i[k] = sin(2 * TW_PI * ((double)k + 0.3) / N);
    }
    static const double PEAKS[] = {0.9, 1.0, 1.5, 2, 4, 30}; /* in units of the linear limit */
    double last = 0;
    for (size_t p = 0; p < sizeof PEAKS / sizeof PEAKS[0]; p++) {
        double j[N], top = 0;
        ct.clamp_onset_v = 1.4;
        for (size_t k = 0; k < N; k++) {
            j[k] = PEAKS[p] * tw_transformer_linear_limit(&ct) * i[k];
        }
        assert_ok(tw_transformer_forward(*state, &ct, 38.46e-6, j, N, bent), *state);
        ct.clamp_onset_v = NAN;
        assert_ok(tw_transformer_forward(*state, &ct, 38.46e-6, j, N, straight), *state);
        for (size_t k = 0; k < N; k++) {
            const double shunted_a = (straight[k] - bent[k]) / 2.2;
            if (PEAKS[p] <= 1) {
                assert_true(fabs(shunted_a) <= 1e-4 * fabs(straight[k]) / 2.2 + 1e-15);
            }
            assert_true(fabs(bent[k]) <= fabs(straight[k]) + 1e-15);
            top = fmax(top, bent[k]);
        }
        assert_true(top > last);                                  /* it never folds back */
        assert_true(PEAKS[p] < 2 || top < 0.95 * 1.4 * PEAKS[p]); /* and bends visibly above */
        last = top;
    }
    assert_true(last < 2.5 * 1.4); /* thirty times the limit: a diode string still holds it */
}

static void inverse_crosses_gaps(void **state) {
    enum { PERIODS = 4, ALL = PERIODS * N };
    double i[N], v[N], record[ALL], back[ALL];
    fill_current(i, N, 41);
    double mean = 0;
    for (size_t k = 0; k < N; k++) {
        mean += i[k] / N;
    }
    assert_ok(tw_transformer_forward(*state, &USUAL, 38.46e-6, i, N, v), *state);
    for (size_t k = 0; k < ALL; k++) {
        record[k] = v[k % N];
    }
    static const size_t GAPS[][2] = {{0, 3}, {600, 1}, {700, 25}, {ALL - 2, 2}};
    for (size_t g = 0; g < 4; g++) {
        for (size_t k = 0; k < GAPS[g][1]; k++) {
            record[GAPS[g][0] + k] = (k & 1) != 0 ? INFINITY : NAN;
        }
    }
    assert_ok(tw_transformer_inverse(*state, &USUAL, 38.46e-6 / N, record, ALL, N, 3 * N, back), *state);
    for (size_t k = 0; k < ALL; k++) {
        assert_int_equal(isfinite(back[k]), isfinite(record[k]));
        if (isfinite(back[k])) {
            assert_close(back[k], i[k % N] - mean, 0, 1e-3 * 41); /* 25 samples on the chord cost this much */
        }
    }
    double same[ALL];
    memcpy(same, record, sizeof same);
    assert_ok(tw_transformer_inverse(*state, &USUAL, 38.46e-6 / N, same, ALL, N, 3 * N, same), *state);
    assert_memory_equal(same, back, sizeof same); /* in place */
}

static void long_gaps_are_refused(void **state) {
    double v[4000], i[4000];
    for (size_t k = 0; k < 4000; k++) {
        v[k] = k >= 100 && k < 2000 ? NAN : 0.1;
    }
    i[0] = 42;
    /* tau = 6.11 ms, 2 % of it 122 us; the gap lasts 190 us */
    assert_int_equal(tw_transformer_inverse(*state, &USUAL, 1e-7, v, 4000, 0, 4000, i), TW_BAD_DATA);
    assert_non_null(strstr(tw_ctx_error(*state)->message, "1900 samples from sample 100 on"));
    assert_true(i[0] == 42);
    tw_ctx_clear_error(*state);
    assert_ok(tw_transformer_inverse(*state, &USUAL, 5e-8, v, 4000, 0, 4000, i), *state);
    assert_int_equal(tw_transformer_inverse(*state, &USUAL, 5e-8, v, 4000, 150, 1990, i), TW_BAD_DATA);
    assert_non_null(strstr(tw_ctx_error(*state)->message, "no sample from 150 to 1990 is a number"));
    tw_ctx_clear_error(*state);
}

static void bad_values_are_named(void **state) {
    static const struct {
        tw_transformer ct;
        const char *key;
    } CASES[] = {
        {{0, 2.2, 22e-3, 1.4, NAN}, "turns"},
        {{INFINITY, 2.2, 22e-3, 1.4, NAN}, "turns"},
        {{150, -2.2, 22e-3, 1.4, NAN}, "burden"},
        {{150, NAN, 22e-3, 1.4, NAN}, "burden"},
        {{150, 2.2, 0, 1.4, NAN}, "magnetizing_inductance"},
        {{150, 2.2, NAN, 1.4, NAN}, "magnetizing_inductance"},
        {{150, 2.2, 22e-3, -1e-9, NAN}, "winding_resistance"},
        {{150, 2.2, 22e-3, INFINITY, NAN}, "winding_resistance"},
        {{150, 2.2, 22e-3, 1.4, 0}, "clamp_onset"},
        {{150, 2.2, 22e-3, 1.4, INFINITY}, "clamp_onset"},
    };
    const double in[4] = {1, 2, -1, -2};
    double out[4] = {7, 7, 7, 7};
    for (size_t c = 0; c < sizeof CASES / sizeof CASES[0]; c++) {
        assert_int_equal(tw_transformer_forward(*state, &CASES[c].ct, 1e-5, in, 4, out), TW_BAD_ARGUMENT);
        assert_string_equal(tw_ctx_error(*state)->key, CASES[c].key);
        assert_string_equal(tw_ctx_error(*state)->room, "pickup");
        tw_ctx_clear_error(*state);
        assert_int_equal(tw_transformer_inverse(*state, &CASES[c].ct, 1e-5, in, 4, 0, 4, out), TW_BAD_ARGUMENT);
        assert_string_equal(tw_ctx_error(*state)->key, CASES[c].key);
        tw_ctx_clear_error(*state);
    }
    assert_true(out[0] == 7 && out[3] == 7);
}

static void expect(tw_ctx *ctx, tw_status got, tw_status want, const char *words) {
    assert_int_equal(got, want);
    if (strstr(tw_ctx_error(ctx)->message, words) == NULL) {
        fail_msg("\"%s\" does not say \"%s\"", tw_ctx_error(ctx)->message, words);
    }
    tw_ctx_clear_error(ctx);
}

static void bad_calls_are_named(void **state) {
    tw_ctx *ctx = *state;
    tw_transformer clamped = USUAL;
    clamped.clamp_onset_v = 1e-3;
    const double in[4] = {1, 2, -1, -2}, holed[4] = {1, NAN, -1, -2}, huge[4] = {1e300, 1, -1, -1};
    double v[4] = {7, 7, 7, 7};
    expect(ctx, tw_transformer_forward(ctx, NULL, 1e-5, in, 4, v), TW_BAD_ARGUMENT, "missing");
    expect(ctx, tw_transformer_forward(ctx, &USUAL, 1e-5, NULL, 4, v), TW_BAD_ARGUMENT, "missing");
    expect(ctx, tw_transformer_forward(ctx, &USUAL, -1e-5, in, 4, v), TW_BAD_ARGUMENT, "period_s");
    expect(ctx, tw_transformer_forward(ctx, &USUAL, NAN, in, 4, v), TW_BAD_ARGUMENT, "period_s");
    expect(ctx, tw_transformer_forward(ctx, &USUAL, 1e-5, in, 1, v), TW_BAD_ARGUMENT, "n: found 1");
    expect(ctx, tw_transformer_forward(ctx, &USUAL, 1e-5, holed, 4, v), TW_BAD_DATA, "sample 1");
    expect(ctx, tw_transformer_forward(ctx, &clamped, 1e-5, huge, 4, v), TW_OUT_OF_RANGE, "linear limit");
    expect(ctx, tw_transformer_forward(ctx, &USUAL, 1e300, huge, 4, v), TW_OUT_OF_RANGE, "exceed");
    expect(ctx, tw_transformer_forward(ctx, &clamped, 1e6, in, 4, v), TW_TOO_LARGE, "steps");
    expect(ctx, tw_transformer_inverse(ctx, &USUAL, 1e-7, NULL, 4, 0, 4, v), TW_BAD_ARGUMENT, "missing");
    expect(ctx, tw_transformer_inverse(ctx, &USUAL, 0, in, 4, 0, 4, v), TW_BAD_ARGUMENT, "interval_s");
    expect(ctx, tw_transformer_inverse(ctx, &USUAL, 1e-7, in, 4, 0, 5, v), TW_BAD_ARGUMENT, "mean_from");
    expect(ctx, tw_transformer_inverse(ctx, &USUAL, 1e-7, in, 4, 2, 2, v), TW_BAD_ARGUMENT, "mean_from");
    const double most[2] = {1.7e308, -1.7e308};
    expect(ctx, tw_transformer_inverse(ctx, &USUAL, 1e-7, most, 2, 0, 2, v), TW_OUT_OF_RANGE, "exceeds");
    assert_true(v[0] == 7 && v[3] == 7);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(phi_functions_agree_with_their_series),
        cmocka_unit_test_setup_teardown(steps_of_a_linear_network_are_exact, make_context, drop_context),
        cmocka_unit_test_setup_teardown(direct_current_does_not_pass, make_context, drop_context),
        cmocka_unit_test_setup_teardown(an_ideal_transformer_is_the_limit, make_context, drop_context),
        cmocka_unit_test_setup_teardown(clamped_steady_state_obeys_the_equation, make_context, drop_context),
        cmocka_unit_test_setup_teardown(clamp_bends_above_its_onset_only, make_context, drop_context),
        cmocka_unit_test_setup_teardown(inverse_crosses_gaps, make_context, drop_context),
        cmocka_unit_test_setup_teardown(long_gaps_are_refused, make_context, drop_context),
        cmocka_unit_test_setup_teardown(bad_values_are_named, make_context, drop_context),
        cmocka_unit_test_setup_teardown(bad_calls_are_named, make_context, drop_context),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

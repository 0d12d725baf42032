/* JCGM 100:2008 (GUM), annex H.2: resistance, reactance and impedance from five simultaneous observations of voltage,
 * current and phase. Observations and printed results from the guide; more digits from an independent recomputation
 * without the guide's intermediate rounding (its u(X) = 0.295 ohm is 0.29558 unrounded, hence 0.001 ohm against the
 * print). */
#include "testing.h"

#include "tankwright/uncert.h"

#include <math.h>

static int make_context(void **state) {
    *state = tw_ctx_create();
    return *state == NULL;
}

static int drop_context(void **state) {
    tw_ctx_destroy(*state);
    return 0;
}

/* volt, ampere, radian */
static const double OBS[15] = {5.007,  19.663e-3, 1.0456,    4.994,  19.639e-3, 1.0438,    5.005, 19.640e-3,
                               1.0468, 4.990,     19.685e-3, 1.0428, 4.999,     19.678e-3, 1.0433};

static tw_status impedance(const double *x, double *y, void *user) {
    (void)user;
    y[2] = x[0] / x[1];
    y[0] = y[2] * cos(x[2]);
    y[1] = y[2] * sin(x[2]);
    return TW_OK;
}

static const tw_uncert_model MODEL = {.n_inputs = 3, .n_outputs = 3, .eval = impedance};

static void input_statistics(void **state) {
    double mean[3], c[9], r[9], sd[3];
    assert_ok(tw_uncert_type_a(*state, 5, 3, OBS, mean, c, sd), *state);
    assert_close(mean[0], 4.9990, 1e-12, 0.0);
    assert_close(mean[1], 19.6610e-3, 1e-12, 0.0);
    assert_close(mean[2], 1.04446, 1e-12, 0.0);
    assert_close(sqrt(c[0]), 3.20936e-3, 1e-5, 0.0);
    assert_close(sqrt(c[4]), 9.47101e-6, 1e-5, 0.0);
    assert_close(sqrt(c[8]), 7.52064e-4, 1e-5, 0.0);
    assert_close(sd[0], 3.20936e-3 * sqrt(5.0), 1e-5, 0.0);
    tw_uncert_correlation(3, c, r);
    assert_close(r[1], -0.3553, 0.0, 1e-4);
    assert_close(r[2], 0.8576, 0.0, 1e-4);
    assert_close(r[5], -0.6451, 0.0, 1e-4);
}

static void approach_1(void **state) {
    double mean[3], c[9];
    assert_ok(tw_uncert_type_a(*state, 5, 3, OBS, mean, c, NULL), *state);
    tw_uncert_budget b;
    assert_ok(tw_uncert_propagate(*state, &MODEL, mean, c, &b), *state);
    static const double Y[3] = {127.732170, 219.846512, 254.259702}, U[3] = {0.0710714, 0.2955817, 0.2363361};
    static const double PRINTED_Y[3] = {127.732, 219.847, 254.260}, PRINTED_U[3] = {0.071, 0.295, 0.236};
    for (size_t i = 0; i < 3; i++) {
        assert_close(b.y[i], Y[i], 1e-8, 0.0);
        assert_close(b.u[i], U[i], 1e-6, 0.0);
        assert_close(b.y[i], PRINTED_Y[i], 0.0, 0.001);
        assert_close(b.u[i], PRINTED_U[i], 0.0, 0.001);
        double share = 0.0;
        for (size_t j = 0; j < 3; j++) {
            share += b.share[i * 3 + j];
        }
        assert_close(share, 1.0, 1e-12, 0.0);
    }
    assert_close(b.correlation[1], -0.588430, 0.0, 1e-5);
    assert_close(b.correlation[2], -0.485259, 0.0, 1e-5);
    assert_close(b.correlation[5], 0.992512, 0.0, 1e-5);
    assert_close(b.sensitivity[6], 1.0 / mean[1], 1e-8, 0.0); /* dZ/dV */
    assert_close(b.sensitivity[8], 0.0, 0.0, 1e-9);           /* dZ/dphi */
    assert_close(b.contribution[6], sqrt(c[0]) / mean[1], 1e-8, 0.0);
    tw_uncert_budget_dispose(&b);
}

/* Each observation gives its own R, X, Z; their means and scatter follow. */
static void approach_2(void **state) {
    double each[15], mean[3], c[9], r[9];
    for (size_t k = 0; k < 5; k++) {
        assert_int_equal(impedance(OBS + 3 * k, each + 3 * k, NULL), TW_OK);
    }
    assert_ok(tw_uncert_type_a(*state, 5, 3, each, mean, c, NULL), *state);
    static const double Y[3] = {127.731630, 219.846895, 254.260050}, U[3] = {0.0712735, 0.2954891, 0.2362475};
    for (size_t i = 0; i < 3; i++) {
        assert_close(mean[i], Y[i], 1e-8, 0.0);
        assert_close(sqrt(c[i * 4]), U[i], 1e-6, 0.0);
    }
    tw_uncert_correlation(3, c, r);
    assert_close(r[1], -0.588277, 0.0, 1e-5);
    assert_close(r[2], -0.485065, 0.0, 1e-5);
    assert_close(r[5], 0.992508, 0.0, 1e-5);
}

/* Guard: what comes out when the correlation is ignored is something else. */
static void ignoring_the_correlation_shows(void **state) {
    double mean[3], c[9];
    assert_ok(tw_uncert_type_a(*state, 5, 3, OBS, mean, c, NULL), *state);
    c[1] = c[2] = c[3] = c[5] = c[6] = c[7] = 0.0;
    tw_uncert_budget b;
    assert_ok(tw_uncert_propagate(*state, &MODEL, mean, c, &b), *state);
    static const double WRONG[3] = {0.194544, 0.200909, 0.204076};
    for (size_t i = 0; i < 3; i++) {
        assert_close(b.u[i], WRONG[i], 1e-5, 0.0);
    }
    tw_uncert_budget_dispose(&b);
}

static void monte_carlo_agrees(void **state) {
    double mean[3], c[9], r[9];
    assert_ok(tw_uncert_type_a(*state, 5, 3, OBS, mean, c, NULL), *state);
    tw_uncert_correlation(3, c, r);
    tw_uncert_input in[3];
    for (size_t i = 0; i < 3; i++) {
        in[i] = (tw_uncert_input){mean[i], sqrt(c[i * 4]), TW_DISTRIBUTION_NORMAL};
    }
    tw_uncert_trials t;
    assert_ok(tw_uncert_simulate(*state, &MODEL, in, r, NULL, &t), *state);
    static const double Y[3] = {127.732170, 219.846512, 254.259702}, U[3] = {0.0710714, 0.2955817, 0.2363361};
    for (size_t i = 0; i < 3; i++) {
        assert_close(t.mean[i], Y[i], 0.0, 4.0 * U[i] / sqrt(20000.0));
        assert_close(t.u[i], U[i], 4.0 / sqrt(2.0 * 20000.0), 0.0);
        assert_close(t.high[i] - t.low[i], 2.0 * 1.959964 * U[i], 0.05, 0.0);
    }
    assert_close(t.covariance[1] / (t.u[0] * t.u[1]), -0.588430, 0.0, 0.02);
    tw_uncert_trials_dispose(&t);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(input_statistics, make_context, drop_context),
        cmocka_unit_test_setup_teardown(approach_1, make_context, drop_context),
        cmocka_unit_test_setup_teardown(approach_2, make_context, drop_context),
        cmocka_unit_test_setup_teardown(ignoring_the_correlation_shows, make_context, drop_context),
        cmocka_unit_test_setup_teardown(monte_carlo_agrees, make_context, drop_context),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

/* Fourier transforms and sine fits of records. */
#include "testing.h"

#include "tankwright/numeric.h"

#include <complex.h>
#include <float.h>
#include <math.h>
#include <pthread.h>
#include <stdlib.h>

static int make_context(void **state) {
    *state = tw_ctx_create();
    return *state == NULL;
}

static int drop_context(void **state) {
    tw_ctx_destroy(*state);
    return 0;
}

static void transform_is_the_sum(void **state) {
    tw_random r = {91};
    for (size_t n = 1; n <= 37; n++) {
        double x[37], back[37];
        double _Complex z[19];
        for (size_t i = 0; i < n; i++) {
            x[i] = tw_random_normal(&r);
        }
        assert_ok(tw_fft_forward(*state, n, x, z), *state);
        for (size_t k = 0; k <= n / 2; k++) {
            double _Complex sum = 0.0;
            for (size_t i = 0; i < n; i++) {
                const double angle = -2.0 * TW_PI * (double)((i * k) % n) / (double)n;
                sum += x[i] * tw_complex(cos(angle), sin(angle));
            }
            assert_close(cabs(z[k] - sum), 0.0, 0.0, 1e-14 * (double)n);
        }
        const double _Complex keep = z[n / 2];
        assert_ok(tw_fft_inverse(*state, n, z, back), *state);
        assert_true(z[n / 2] == keep);
        for (size_t i = 0; i < n; i++) {
            assert_close(back[i], x[i], 0.0, 1e-14);
        }
    }
}

static void transform_errors(void **state) {
    tw_ctx *ctx = *state;
    double x[2] = {1.0, (double)NAN};
    double _Complex z[2] = {1.0, tw_complex(0.0, (double)INFINITY)};
    assert_int_equal(tw_fft_forward(ctx, 0, x, z), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_fft_forward(ctx, 2, x, z), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_fft_inverse(ctx, 2, z, x), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_fft_inverse(ctx, (size_t)1 << 40, z, x), TW_TOO_LARGE);
}

static void *transform_often(void *failed) {
    tw_ctx *ctx = tw_ctx_create();
    double x[64], back[64];
    double _Complex z[33];
    for (int round = 0; round < 400; round++) {
        const size_t n = 2 + (size_t)round % 60;
        for (size_t i = 0; i < n; i++) {
            x[i] = sin((double)(i * i));
        }
        bool good = tw_fft_forward(ctx, n, x, z) == TW_OK && tw_fft_inverse(ctx, n, z, back) == TW_OK;
        for (size_t i = 0; good && i < n; i++) {
            good = fabs(x[i] - back[i]) < 1e-14;
        }
        *(int *)failed += !good;
    }
    tw_ctx_destroy(ctx);
    return NULL;
}

static void threads_do_not_disturb_each_other(void **state) {
    (void)state;
    pthread_t thread[4];
    int failed[4] = {0};
    for (int i = 0; i < 4; i++) {
        assert_int_equal(pthread_create(&thread[i], NULL, transform_often, &failed[i]), 0);
    }
    for (int i = 0; i < 4; i++) {
        assert_int_equal(pthread_join(thread[i], NULL), 0);
        assert_int_equal(failed[i], 0);
    }
}

static void the_strongest_line_is_found(void **state) {
    tw_ctx *ctx = *state;
    tw_random r = {97};
    static double y[3000];
    for (int trial = 0; trial < 200; trial++) {
        const size_t n = 100 + tw_random_below(&r, 2900);
        const double interval = 1e-7, cycles = tw_random_uniform(&r, 3.0, (double)n / 5.0);
        const double f = cycles / ((double)n * interval), phase = tw_random_uniform(&r, 0.0, 6.0);
        for (size_t i = 0; i < n; i++) {
            y[i] = 40.0 + 2.0 * cos(2.0 * TW_PI * f * interval * (double)i + phase) + 0.01 * tw_random_normal(&r);
        }
        double found = 0.0;
        assert_ok(tw_spectrum_peak(ctx, n, y, interval, &found), ctx);
        assert_close(found, f, 0.0, 0.05 / ((double)n * interval));
    }
    double found = -1.0;
    for (size_t i = 0; i < 100; i++) {
        y[i] = 0.1;
    }
    assert_int_equal(tw_spectrum_peak(ctx, 100, y, 1e-6, &found), TW_BAD_DATA);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_spectrum_peak(ctx, 7, y, 1e-6, &found), TW_BAD_DATA);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_spectrum_peak(ctx, 100, y, 0.0, &found), TW_BAD_ARGUMENT);
    assert_true(found == -1.0);
}

/* A million samples, 5200 cycles, five harmonics: exact data come back to rounding, at the first sample. */
static void long_records_lose_nothing(void **state) {
    enum { N = 1000000, K = 5 };
    double *y = malloc(N * sizeof *y);
    assert_non_null(y);
    const double interval = 2e-7, f = 26013.7, turns = f * interval;
    static const double AMP[K] = {30.0, 0.7, 4.1, 0.02, 1.3}, PHASE[K] = {-0.8, 2.0, 0.3, -2.9, 1.1};
    for (size_t i = 0; i < N; i++) {
        const double whole = turns * (double)i;
        const double part = (whole - rint(whole)) + fma(turns, (double)i, -whole);
        y[i] = -3.0;
        for (int k = 0; k < K; k++) {
            y[i] += AMP[k] * cos(2.0 * TW_PI * (k + 1) * part + PHASE[k]);
        }
    }
    tw_harmonics h;
    assert_ok(tw_harmonics_fit(*state, N, y, interval, f + 2.0, K, &h), *state);
    assert_close(h.frequency_hz, f, 1e-14, 0.0);
    assert_close(h.offset, -3.0, 1e-13, 0.0);
    for (int k = 0; k < K; k++) {
        assert_close(cabs(h.phasor[k]), AMP[k], 0.0, 1e-12);
        assert_close(carg(h.phasor[k]), PHASE[k], 0.0, 1e-9 * (30.0 / AMP[k]) * 1e-3);
    }
    assert_true(h.residual_rms < 1e-12 && h.iterations < 15);
    assert_close(tw_harmonics_value(&h, 777777 * interval), y[777777], 0.0, 1e-9);
    tw_harmonics_dispose(&h);
    free(y);
}

/* Noise on a million samples: one unit in the last place of the frequency turns the ends of the record by more than the
 * sought phase, and the sum of squares is flat to rounding long before. Many frequencies, since it takes luck to go
 * wrong. */
static void long_noisy_records_settle(void **state) {
    enum { N = 1000000 };
    double *noise = malloc(2 * N * sizeof *noise), *y = noise + N;
    assert_non_null(noise);
    tw_random r = {103};
    for (size_t i = 0; i < N; i++) {
        noise[i] = tw_random_uniform(&r, 0.0, 1.0);
    }
    for (int trial = 0; trial < 24; trial++) {
        const double omega = tw_random_log_uniform(&r, 0.003, 3.0);
        for (size_t i = 0; i < N; i++) {
            y[i] = cos(omega * (double)i) + noise[i];
        }
        tw_harmonics h;
        assert_ok(tw_harmonics_fit(*state, N, y, 1.0, (omega + 1e-6) / (2.0 * TW_PI), 1, &h), *state);
        assert_close(h.frequency_hz, omega / (2.0 * TW_PI), 0.0, 4.0 * sqrt(h.covariance[0]));
        assert_true(h.iterations < 20);
        tw_harmonics_dispose(&h);
    }
    free(noise);
}

/* Stated covariance against the scatter of many noisy records. */
static void covariance_is_the_scatter(void **state) {
    enum { N = 400, RUNS = 800, P = 6 };
    tw_random r = {101};
    double y[N], sum[P] = {0}, square[P] = {0}, stated[P] = {0}, cross = 0.0, stated_cross = 0.0;
    const double interval = 1e-3, f = 17.3;
    for (int run = 0; run < RUNS; run++) {
        for (size_t i = 0; i < N; i++) {
            const double angle = 2.0 * TW_PI * f * interval * (double)i;
            y[i] =
                0.4 + 1.3 * cos(angle) - 0.6 * sin(angle) + 0.5 * cos(2.0 * angle + 1.0) + 0.3 * tw_random_normal(&r);
        }
        tw_harmonics h;
        assert_ok(tw_harmonics_fit(*state, N, y, interval, 17.0, 2, &h), *state);
        assert_int_equal(h.n_params, P);
        const double truth[P] = {f, 0.4, 1.3, -0.6, 0.5 * cos(1.0), -0.5 * sin(1.0)};
        const double got[P] = {h.frequency_hz,      h.offset,           creal(h.phasor[0]),
                               -cimag(h.phasor[0]), creal(h.phasor[1]), -cimag(h.phasor[1])};
        for (size_t j = 0; j < P; j++) {
            sum[j] += got[j] - truth[j];
            square[j] += (got[j] - truth[j]) * (got[j] - truth[j]);
            stated[j] += h.covariance[j * P + j] / RUNS;
        }
        cross += (got[0] - truth[0]) * (got[3] - truth[3]) / RUNS;
        stated_cross += h.covariance[3] / RUNS;
        tw_harmonics_dispose(&h);
    }
    for (size_t j = 0; j < P; j++) {
        assert_close(square[j] / RUNS, stated[j], 0.2, 0.0); /* scatter of a variance: sqrt(2/800) = 0.05 */
        assert_close(sum[j] / RUNS, 0.0, 0.0, 4.0 * sqrt(stated[j] / RUNS));
    }
    assert_close(cross, stated_cross, 0.25, 0.0);
}

/* A ripple on a value a thousand million times larger: rounding of the samples is all the fit can reach. */
static void a_large_offset_does_not_stop_the_fit(void **state) {
    double y[300];
    for (size_t i = 0; i < 300; i++) {
        y[i] = 1e9 + cos(0.31 * (double)i);
    }
    tw_harmonics h;
    assert_ok(tw_harmonics_fit(*state, 300, y, 1.0, 0.0495, 1, &h), *state);
    assert_close(h.frequency_hz, 0.31 / (2.0 * TW_PI), 1e-9, 0.0);
    assert_close(creal(h.phasor[0]), 1.0, 1e-7, 0.0);
    assert_true(h.iterations < 15);
    tw_harmonics_dispose(&h);
}

static void held_frequency_has_no_uncertainty(void **state) {
    double y[50];
    for (size_t i = 0; i < 50; i++) {
        y[i] = sin(0.7 * (double)i) + 0.1 * cos(13.1 * (double)(i * i));
    }
    tw_harmonics h;
    assert_ok(tw_harmonics_fit_held(*state, 50, y, 1.0, 0.7 / (2.0 * TW_PI), 2, &h), *state);
    for (size_t j = 0; j < 6; j++) {
        assert_true(h.covariance[j] == 0.0 && h.covariance[6 * j] == 0.0);
        assert_true(j == 0 || h.covariance[7 * j] > 0.0);
    }
    tw_harmonics_dispose(&h);
}

static void fit_errors(void **state) {
    tw_ctx *ctx = *state;
    double y[64];
    tw_harmonics h = {.n_samples = 99};
    for (size_t i = 0; i < 64; i++) {
        y[i] = sin(0.9 * (double)i);
    }
    static const struct {
        size_t n, harmonics;
        double interval, f;
        tw_status want;
    } CASES[] = {{64, 1, 0.0, 0.1, TW_BAD_ARGUMENT}, {64, 1, 1.0, -0.1, TW_BAD_ARGUMENT},
                 {64, 0, 1.0, 0.1, TW_BAD_ARGUMENT}, {4, 1, 1.0, 0.1, TW_BAD_DATA},
                 {64, 5, 1.0, 0.1, TW_SINGULAR},     {64, 3, 1.0, 1e-7, TW_SINGULAR}};
    for (size_t i = 0; i < sizeof CASES / sizeof CASES[0]; i++) {
        assert_int_equal(tw_harmonics_fit(ctx, CASES[i].n, y, CASES[i].interval, CASES[i].f, CASES[i].harmonics, &h),
                         CASES[i].want);
        tw_ctx_clear_error(ctx);
    }
    y[5] = (double)NAN;
    assert_int_equal(tw_harmonics_fit_held(ctx, 64, y, 1.0, 0.1, 1, &h), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    for (size_t i = 0; i < 64; i++) {
        y[i] = 0.0; /* nothing to hold the frequency */
    }
    assert_int_equal(tw_harmonics_fit(ctx, 64, y, 1.0, 0.1, 1, &h), TW_SINGULAR);
    assert_int_equal(h.n_samples, 99);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(transform_is_the_sum, make_context, drop_context),
        cmocka_unit_test_setup_teardown(transform_errors, make_context, drop_context),
        cmocka_unit_test_setup_teardown(threads_do_not_disturb_each_other, make_context, drop_context),
        cmocka_unit_test_setup_teardown(the_strongest_line_is_found, make_context, drop_context),
        cmocka_unit_test_setup_teardown(long_records_lose_nothing, make_context, drop_context),
        cmocka_unit_test_setup_teardown(long_noisy_records_settle, make_context, drop_context),
        cmocka_unit_test_setup_teardown(covariance_is_the_scatter, make_context, drop_context),
        cmocka_unit_test_setup_teardown(a_large_offset_does_not_stop_the_fit, make_context, drop_context),
        cmocka_unit_test_setup_teardown(held_frequency_has_no_uncertainty, make_context, drop_context),
        cmocka_unit_test_setup_teardown(fit_errors, make_context, drop_context),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

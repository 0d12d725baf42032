/* Properties of the current transformer over random parts and currents. */
#include "tankwright/pickup.h"
#include "testing.h"

#include <math.h>
#include <string.h>

#define MOST 20000
#define PI2 (2 * TW_PI)

static int make_context(void **state) {
    *state = tw_ctx_create();
    return *state == NULL;
}

static int drop_context(void **state) {
    tw_ctx_destroy(*state);
    return 0;
}

static tw_transformer random_transformer(tw_random *r, double period_s, double low_ratio, double high_ratio) {
    tw_transformer ct = {.turns = tw_random_log_uniform(r, 20, 2500),
                         .burden_ohm = tw_random_log_uniform(r, 0.3, 150),
                         .winding_resistance_ohm = tw_random_below(r, 4) == 0 ? 0 : tw_random_log_uniform(r, 0.05, 40),
                         .clamp_onset_v = NAN};
    /* period over time constant */
    const double ratio = tw_random_log_uniform(r, low_ratio, high_ratio);
    ct.magnetizing_inductance_h = period_s * (ct.burden_ohm + ct.winding_resistance_ohm) / ratio;
    return ct;
}

/* A bridge's coil current: pieces of a damped sine with a slope jump at each of two edges and a second, smaller one at
 * the end of each swing. Half-wave symmetric. t in periods. */
typedef struct wave {
    double peak_a, turn, decay, edge, swing, jump;
} wave;

static double wave_at(const wave *w, double t) {
    t -= floor(t);
    const double sign = t < 0.5 ? 1 : -1;
    const double x = fmod(2 * t + w->edge, 1.0);
    const double side = 2 * t + w->edge - x >= 1 && t < 0.5 ? -sign : 2 * t + w->edge - x >= 2 ? -sign : sign;
    /* f(1) = -f(0), so that the current is continuous from one half cycle to the next */
    const double first = exp(-w->decay * x) * sin(w->turn * x) - w->jump * fmax(0, x - (1 - w->swing));
    const double end = exp(-w->decay) * sin(w->turn) - w->jump * w->swing;
    return side * w->peak_a * (first - end / 2);
}

static wave random_wave(tw_random *r) {
    return (wave){.peak_a = tw_random_log_uniform(r, 1, 200),
                  .turn = tw_random_uniform(r, 1.2, 2.7),
                  .decay = tw_random_uniform(r, 0, 0.6),
                  .edge = tw_random_uniform(r, 0, 1),
                  .swing = tw_random_uniform(r, 0.03, 0.08),
                  .jump = tw_random_uniform(r, 1, 8)};
}

static double peak_of(const double *x, size_t n) {
    double peak = 0;
    for (size_t k = 0; k < n; k++) {
        peak = fmax(peak, fabs(x[k]));
    }
    return peak;
}

static void a_test_wave_is_continuous(void **state) {
    (void)state;
    tw_random r = {3};
    for (int trial = 0; trial < 50; trial++) {
        const wave w = random_wave(&r);
        for (int k = 0; k < 5000; k++) {
            const double step = wave_at(&w, (k + 1) / 5000.0) - wave_at(&w, k / 5000.0);
            assert_true(fabs(step) < w.peak_a * 30 / 5000);
        }
        assert_close(wave_at(&w, 0.31), -wave_at(&w, 0.81), 0, 1e-12 * w.peak_a);
    }
}

static void inverse_undoes_forward_for_sampled_lines(void **state) {
    static double i[MOST], v[MOST], back[MOST];
    tw_random r = {21};
    for (int trial = 0; trial < 300; trial++) {
        const double period_s = tw_random_log_uniform(&r, 5e-6, 1e-3);
        const tw_transformer ct = random_transformer(&r, period_s, 1e-6, 8);
        const size_t n = 2 + tw_random_below(&r, 1500);
        double mean = 0;
        for (size_t k = 0; k < n; k++) {
            i[k] = tw_random_uniform(&r, -50, 70); /* no smoothness needed */
            mean += i[k] / (double)n;
        }
        assert_ok(tw_transformer_forward(*state, &ct, period_s, i, n, v), *state);
        assert_ok(tw_transformer_inverse(*state, &ct, period_s / (double)n, v, n, 0, n, back), *state);
        for (size_t k = 0; k < n; k++) {
            assert_close(back[k], i[k] - mean, 0, 1e-11 * 70);
        }
    }
}

/* The current between the samples is not a line: forward on a grid up to twenty times finer, inverse on the coarse one.
 */
static void round_trip_of_bridge_currents(void **state) {
    enum { FINER = 20 };
    static double fine[MOST], fine_v[MOST], v[MOST], back[MOST];
    tw_random r = {22};
    for (int trial = 0; trial < 60; trial++) {
        const double period_s = tw_random_uniform(&r, 1 / 80e3, 1 / 20e3);
        const tw_transformer ct = random_transformer(&r, period_s, 1e-4, 0.02);
        const wave w = random_wave(&r);
        /* 25 samples a swing, the corners' distance. An even number: the constant comes from the mean of the samples,
         * which is the current's mean only where the two halves are sampled alike (else to second order, as bounded in
         * the next test). */
        const size_t n = 2 * (size_t)(25 / w.swing + 1);
        assert_true(n * FINER <= MOST * 2);
        const size_t finer = n * FINER <= MOST ? FINER : MOST / n;
        for (size_t k = 0; k < n * finer; k++) {
            fine[k] = wave_at(&w, (double)k / (double)(n * finer));
        }
        assert_ok(tw_transformer_forward(*state, &ct, period_s, fine, n * finer, fine_v), *state);
        for (size_t k = 0; k < n; k++) {
            v[k] = fine_v[k * finer];
        }
        assert_ok(tw_transformer_inverse(*state, &ct, period_s / (double)n, v, n, 0, n, back), *state);
        const double peak = peak_of(fine, n * finer);
        for (size_t k = 0; k < n; k++) {
            assert_close(back[k], fine[k * finer], 0, 1e-6 * peak);
        }
    }
}

static void error_falls_with_the_square_of_the_interval(void **state) {
    static double fine[MOST], fine_v[MOST], v[MOST], back[MOST];
    const size_t all = 19200;
    tw_random r = {23};
    for (int trial = 0; trial < 20; trial++) {
        const double period_s = 33e-6;
        const tw_transformer ct = random_transformer(&r, period_s, 0.05, 1);
        const wave w = random_wave(&r);
        for (size_t k = 0; k < all; k++) {
            fine[k] = wave_at(&w, (double)k / (double)all);
        }
        assert_ok(tw_transformer_forward(*state, &ct, period_s, fine, all, fine_v), *state);
        double slope = 0, jumps = 0; /* of the current, per second; all bends together are the jumps' sum */
        for (size_t k = 0; k < all; k++) {
            const double a = fine[(k + all - 1) % all], b = fine[k], c = fine[(k + 1) % all];
            jumps += fabs(a - 2 * b + c) * (double)all / period_s;
            slope = fmax(slope, fabs(c - b) * (double)all / period_s);
        }
        for (size_t n = 60; n <= 960; n *= 2) {
            for (size_t k = 0; k < n; k++) {
                v[k] = fine_v[k * (all / n)];
            }
            assert_ok(tw_transformer_inverse(*state, &ct, period_s / (double)n, v, n, 0, n, back), *state);
            const double h = period_s / (double)n;
            const double tau = ct.magnetizing_inductance_h / (ct.burden_ohm + ct.winding_resistance_ohm);
            /* the stated bound, once for the curve and once for the mean that fixes the constant */
            const double mean_bound = h * h * jumps / (8 * period_s);
            const double bound = 2 * (h * h / tau) * (jumps / 8 + slope / 6) + mean_bound;
            for (size_t k = 0; k < n; k++) {
                assert_close(back[k], fine[k * (all / n)], 0, bound + 1e-12 * w.peak_a);
            }
        }
    }
}

static void clamped_forward_is_odd_and_turns_with_the_record(void **state) {
    enum { N = 600 };
    static double i[N], j[N], v[N], w[N];
    tw_random r = {24};
    for (int trial = 0; trial < 40; trial++) {
        const double period_s = 40e-6;
        tw_transformer ct = random_transformer(&r, period_s, 1e-4, 2);
        const wave shape = random_wave(&r);
        const double dent = tw_random_uniform(&r, -0.4, 0.4) * shape.peak_a;
        for (size_t k = 0; k < N; k++) {
            i[k] = wave_at(&shape, (double)k / N) + (k < 50 ? dent : 0);
        }
        ct.clamp_onset_v = peak_of(i, N) * tw_transformer_scale(&ct) / tw_random_uniform(&r, 0.5, 5);
        assert_ok(tw_transformer_forward(*state, &ct, period_s, i, N, v), *state);
        const double peak_v = peak_of(v, N);
        const size_t turn = 1 + tw_random_below(&r, N - 1);
        for (size_t k = 0; k < N; k++) {
            j[k] = -i[(k + turn) % N];
        }
        assert_ok(tw_transformer_forward(*state, &ct, period_s, j, N, w), *state);
        for (size_t k = 0; k < N; k++) {
            assert_close(w[k], -v[(k + turn) % N], 0, 1e-11 * peak_v);
        }
        /* Twice the current through a clamp of twice the onset: twice the voltage. */
        for (size_t k = 0; k < N; k++) {
            j[k] = 2 * i[k];
        }
        ct.clamp_onset_v *= 2;
        assert_ok(tw_transformer_forward(*state, &ct, period_s, j, N, j), *state); /* in place */
        for (size_t k = 0; k < N; k++) {
            assert_close(j[k], 2 * v[k], 0, 1e-11 * peak_v);
        }
    }
}

static void forward_agrees_with_transfer(void **state) {
    enum { N = 4096 };
    static double i[N], v[N];
    tw_random r = {25};
    for (int trial = 0; trial < 60; trial++) {
        const double period_s = tw_random_log_uniform(&r, 1e-6, 1e-2);
        const tw_transformer ct = random_transformer(&r, period_s, 1e-4, 30);
        double re, im, c = 0, s = 0;
        for (size_t k = 0; k < N; k++) {
            i[k] = cos(PI2 * (double)k / N);
        }
        assert_ok(tw_transformer_forward(*state, &ct, period_s, i, N, v), *state);
        for (size_t k = 0; k < N; k++) {
            c += v[k] * cos(PI2 * (double)k / N) * 2 / N;
            s += v[k] * sin(PI2 * (double)k / N) * 2 / N;
        }
        tw_transformer_transfer(&ct, PI2 / period_s, &re, &im);
        const double scale = tw_transformer_scale(&ct); /* the lines between samples: (2 pi/N)^2/12 = 2e-7 */
        assert_close(c, re, 0, 3e-7 * scale);
        assert_close(-s, im, 0, 3e-7 * scale);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_test_wave_is_continuous),
        cmocka_unit_test_setup_teardown(inverse_undoes_forward_for_sampled_lines, make_context, drop_context),
        cmocka_unit_test_setup_teardown(round_trip_of_bridge_currents, make_context, drop_context),
        cmocka_unit_test_setup_teardown(error_falls_with_the_square_of_the_interval, make_context, drop_context),
        cmocka_unit_test_setup_teardown(clamped_forward_is_odd_and_turns_with_the_record, make_context, drop_context),
        cmocka_unit_test_setup_teardown(forward_agrees_with_transfer, make_context, drop_context),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

/* Propagation against the matrix exponential, integrals against quadrature, the event search on waves whose zeros are
 * known (grazing and double zeros included), the search against a fine grid on random waves. */
#include "testing.h"

#include <math.h>
#include <string.h>

#include "circuit_flow.h"
#include "circuit_half_bridge.h"
#include "tankwright/numeric.h"

static int make_context(void **state) {
    *state = tw_ctx_create();
    return *state == NULL;
}

static int drop_context(void **state) {
    tw_ctx_destroy(*state);
    return 0;
}

/* ---- propagation -------------------------------------------------------------------------------- */

/* One draw per statement: the order of draws inside an initializer would be the compiler's choice. */
static tw_half_bridge random_stage(tw_random *r) {
    tw_half_bridge s = {.rail_v = 311.0, .frequency_hz = 27e3, .dead_time_s = 1e-6};
    s.snubber_capacitance_f = tw_random_log_uniform(r, 1e-10, 3e-8);
    s.transistor.threshold_v = tw_random_uniform(r, 0.0, 2.0);
    s.transistor.slope_ohm = tw_random_uniform(r, 0.0, 0.1);
    s.diode.threshold_v = tw_random_uniform(r, 0.0, 2.0);
    s.diode.slope_ohm = tw_random_uniform(r, 0.0, 0.1);
    s.capacitance_f = tw_random_log_uniform(r, 1e-7, 3e-6);
    s.esr_ohm = tw_random_uniform(r, 0.0, 0.05);
    const double l = tw_random_log_uniform(r, 2e-5, 3e-4), resistance = tw_random_uniform(r, 0.0, 0.4);
    const double coupling = tw_random_uniform(r, 0.1, 0.98), pan = tw_random_log_uniform(r, 0.1, 100.0);
    s.load = tw_load_coupled(l, resistance, coupling, pan);
    return s;
}

/* x(t) by exp([A b; 0 0] t) of the whole mode. */
static void by_exponential(tw_ctx *ctx, const tw_network *net, const tw_mode *mode, double t, const double *x,
                           double *out) {
    const size_t n = net->n, m = n + 1;
    double a[(TW_N + 1) * (TW_N + 1)] = {0.0}, phi[(TW_N + 1) * (TW_N + 1)];
    for (size_t i = 0; i < n; i++) {
        memcpy(a + i * m, mode->a[i], n * sizeof *a);
        a[i * m + n] = mode->b[i];
    }
    assert_ok(tw_matrix_exp(ctx, m, a, t, phi), ctx);
    for (size_t i = 0; i < n; i++) {
        out[i] = phi[i * m + n];
        for (size_t j = 0; j < n; j++) {
            out[i] += phi[i * m + j] * x[j];
        }
    }
    tw_mode_enslave(mode, n, out);
}

static void check_flow(tw_ctx *ctx, tw_half_bridge_model *model, tw_random *r) {
    const tw_network *net = &model->net;
    for (size_t m = 0; m < net->n_modes; m++) {
        tw_counts counts = {0};
        tw_flow flow;
        double x[TW_N] = {0.0}, want[TW_N], got[TW_N], s[TW_N][TW_N] = {{0.0}};
        x[0] = tw_random_uniform(r, -60.0, 60.0);
        for (size_t j = 1; j < model->v_c; j++) {
            x[j] = tw_random_uniform(r, -60.0, 60.0);
        }
        x[model->v_c] = tw_random_uniform(r, -400.0, 600.0);
        x[model->v_m] = tw_random_uniform(r, 0.0, 311.0);
        tw_mode_enslave(&net->modes[m], net->n, x);
        const double t = tw_random_log_uniform(r, 1e-9, 4e-5);
        tw_flow_start(&flow, net, &net->modes[m], x, &counts);
        tw_flow_state(&flow, t, got);
        /* Both routes err by some eps of the fastest mode's angle on top of eps itself. */
        double fastest = 0.0;
        for (size_t i = 0; i < net->n; i++) {
            for (size_t j = 0; j < net->n; j++) {
                fastest = fmax(fastest, fabs(net->modes[m].a[i][j]) * net->scale[i] / net->scale[j]);
            }
        }
        const double tolerance = 2e-14 * (50.0 + fastest * t);
        by_exponential(ctx, net, &net->modes[m], t, x, want);
        /* Unit of error: the whole state's energy norm in this state's own unit. */
        double size = 0.0;
        for (size_t j = 0; j < net->n; j++) {
            size += pow(net->scale[j] * x[j], 2.0);
        }
        size = sqrt(size) + 311.0 * net->scale[model->v_c];
        for (size_t j = 0; j < net->n; j++) {
            assert_close(got[j], want[j], 0.0, tolerance * size / net->scale[j]);
        }
        /* Derivative: column 0 against the difference of two exponentials, exact since the motion is affine. */
        for (size_t j = 0; j < net->n; j++) {
            s[j][j] = 1.0;
        }
        tw_flow_carry(&flow, t, net->n, s);
        double moved[TW_N], shifted[TW_N];
        memcpy(shifted, x, sizeof shifted);
        shifted[0] += 64.0;
        by_exponential(ctx, net, &net->modes[m], t, shifted, moved);
        const double unit = 2.0 * tolerance * (size + 64.0 * net->scale[0]) / 64.0;
        for (size_t j = 0; j < net->n; j++) {
            assert_close(s[j][0], (moved[j] - want[j]) / 64.0, 0.0, unit / net->scale[j]);
        }
    }
}

static void states_follow_the_matrix_exponential(void **state) {
    tw_ctx *ctx = *state;
    tw_random r = {99};
    tw_half_bridge_model *model = tw_alloc(ctx, 1, sizeof *model);
    assert_non_null(model);
    for (int k = 0; k < 200; k++) {
        const tw_half_bridge s = random_stage(&r);
        assert_ok(tw_half_bridge_build(ctx, &s, model), ctx);
        check_flow(ctx, model, &r);
    }
    tw_free(model);
}

/* Critical damping, R = 2 sqrt(L/C), has no basis of eigenvectors: the matrix route must take over. */
static void critical_damping_uses_the_other_route(void **state) {
    tw_ctx *ctx = *state;
    tw_random r = {7};
    tw_half_bridge_model *model = tw_alloc(ctx, 1, sizeof *model);
    assert_non_null(model);
    tw_half_bridge s = {.rail_v = 311.0, .frequency_hz = 27e3, .snubber_capacitance_f = 1e-9, .capacitance_f = 1e-6};
    s.load = (tw_load){.resistance_ohm = 20.0, .inductance_h = 1e-4}; /* 2 sqrt(1e-4/1e-6) */
    assert_ok(tw_half_bridge_build(ctx, &s, model), ctx);
    assert_false(model->net.decompositions[model->net.modes[TW_HIGH_TRANSISTOR + 1].decomposition].modal);
    check_flow(ctx, model, &r);
    /* i(t) = (V/L) t exp(-t/tau), tau = 2L/R = 10 us, from rest on V. */
    tw_counts counts = {0};
    tw_flow flow;
    tw_wave wave;
    const double x[TW_N] = {0.0, 0.0, 311.0};
    const tw_functional i = {.c[0] = 1.0};
    tw_flow_start(&flow, &model->net, &model->net.modes[TW_HIGH_TRANSISTOR + 1], x, &counts);
    tw_wave_make(&wave, &flow, &i);
    for (double t = 1e-6; t < 9e-5; t *= 1.7) {
        assert_close(tw_wave_value(&wave, t), 311.0 / 1e-4 * t * exp(-t / 1e-5), 1e-11, 1e-12);
    }
    double t;
    tw_functional rate;
    tw_functional_rate(&model->net, flow.mode, &i, &rate);
    tw_wave_make(&wave, &flow, &rate);
    assert_true(tw_wave_next_change(&wave, 1, 0.0, 1e-4, &t)); /* the peak at tau */
    assert_close(t, 1e-5, 1e-10, 0.0);
    tw_free(model);
}

static void integrals_match_quadrature(void **state) {
    tw_ctx *ctx = *state;
    tw_random r = {1234};
    tw_half_bridge_model *model = tw_alloc(ctx, 1, sizeof *model);
    tw_gram *gram = tw_alloc(ctx, 1, sizeof *gram);
    assert_non_null(model);
    assert_non_null(gram);
    for (int k = 0; k < 60; k++) {
        const tw_half_bridge s = random_stage(&r);
        assert_ok(tw_half_bridge_build(ctx, &s, model), ctx);
        const tw_network *net = &model->net;
        const size_t m = tw_random_below(&r, net->n_modes);
        tw_counts counts = {0};
        tw_flow flow;
        tw_wave f, g;
        double x[TW_N] = {0.0};
        for (size_t j = 0; j < net->n; j++) {
            x[j] = tw_random_uniform(&r, -100.0, 300.0);
        }
        tw_functional fc = {.d = tw_random_uniform(&r, -9.0, 9.0)}, gc = {.d = -2.0};
        for (size_t j = 0; j < net->n; j++) {
            fc.c[j] = tw_random_uniform(&r, -1.0, 1.0);
            gc.c[j] = tw_random_uniform(&r, -1.0, 1.0);
        }
        double h = tw_random_log_uniform(&r, 1e-8, 2e-6);
        const double w = tw_random_log_uniform(&r, 1e4, 1e6);
        tw_flow_start(&flow, net, &net->modes[m], x, &counts);
        for (size_t j = 0; j < flow.dec->n; j++) {
            h = fmin(h, 20.0 / flow.dec->size[j]); /* what Simpson's rule can follow */
        }
        tw_wave_make(&f, &flow, &fc);
        tw_wave_make(&g, &flow, &gc);
        tw_gram_make(gram, &flow, h);
        double re, im, sum[4] = {0.0}, scale = 0.0;
        tw_gram_fourier(gram, &f, w, &re, &im);
        enum { N = 20000 }; /* Simpson's rule, error below 1e-11 of the amplitudes at these lengths */
        for (int q = 0; q <= N; q++) {
            const double t = h * q / N, weight = (q == 0 || q == N ? 1.0 : q % 2 ? 4.0 : 2.0) * h / (3.0 * N);
            const double a = tw_wave_value(&f, t), b = tw_wave_value(&g, t);
            sum[0] += weight * a;
            sum[1] += weight * a * b;
            sum[2] += weight * a * cos(w * t);
            sum[3] -= weight * a * sin(w * t);
            scale = fmax(scale, fmax(fabs(a), fabs(b)));
        }
        assert_close(tw_gram_mean(gram, &f), sum[0], 0.0, 1e-10 * h * scale);
        assert_close(tw_gram_product(gram, &f, &g), sum[1], 0.0, 1e-10 * h * scale * scale);
        assert_close(re, sum[2], 0.0, 1e-10 * h * scale);
        assert_close(im, sum[3], 0.0, 1e-10 * h * scale);
    }
    tw_free(gram);
    tw_free(model);
}

/* ---- event search ------------------------------------------------------------------------------- */

/* A network of one mode and the room it needs; `net` stands first, so that freeing it frees all. */
typedef struct rotation {
    tw_network net;
    tw_mode mode;
    tw_decomposition decomposition;
} rotation;

/* A lossless pair of states rotating at w: the state is (cos wt, -sin wt); with a slow decaying third one. */
static void make_rotation(tw_ctx *ctx, tw_network *net, double w, double decay) {
    rotation *r = (rotation *)net;
    memset(r, 0, sizeof *r);
    net->modes = &r->mode;
    net->decompositions = &r->decomposition;
    net->n = 3;
    net->n_modes = 1;
    for (size_t j = 0; j < 3; j++) {
        net->scale[j] = 1.0;
    }
    net->modes[0].a[0][1] = w;
    net->modes[0].a[1][0] = -w;
    net->modes[0].a[2][2] = -decay;
    assert_ok(tw_network_prepare(ctx, net), ctx);
}

static void make_wave(const tw_network *net, const double *x, const tw_functional *f, tw_counts *counts, tw_flow *flow,
                      tw_wave *wave) {
    tw_flow_start(flow, net, &net->modes[0], x, counts);
    tw_wave_make(wave, flow, f);
}

static void zeros_of_a_cosine_are_found_in_turn(void **state) {
    tw_ctx *ctx = *state;
    tw_network *net = tw_alloc(ctx, 1, sizeof(rotation));
    assert_non_null(net);
    make_rotation(ctx, net, 7.0, 1.0);
    tw_counts counts = {0};
    tw_flow flow;
    tw_wave wave;
    const double x[TW_N] = {1.0, 0.0, 0.0};
    const tw_functional f = {.c = {1.0, 0.0, 0.0}};
    make_wave(net, x, &f, &counts, &flow, &wave);
    double t = 0.0;
    int sign = 1;
    for (int k = 0; k < 200; k++) {
        assert_true(tw_wave_next_change(&wave, sign, t, 1e3, &t));
        assert_close(t, (k + 0.5) * TW_PI / 7.0, 1e-13, 1e-14);
        sign = -sign;
    }
    assert_true(counts.root_steps < 200 * 25); /* quadratic convergence, no crawling */
    assert_false(tw_wave_next_change(&wave, -1, 0.0, 0.0, &t));
    tw_free(net);
}

/* cos(w t) - 1 + d: crosses twice close to each other for d > 0, touches for d = 0, misses for d < 0. */
static void grazing_is_decided_by_the_value_at_the_top(void **state) {
    tw_ctx *ctx = *state;
    tw_network *net = tw_alloc(ctx, 1, sizeof(rotation));
    assert_non_null(net);
    make_rotation(ctx, net, 3.0, 1.0);
    tw_counts counts = {0};
    tw_flow flow;
    tw_wave wave;
    const double start = -1.0; /* the top lies at t = 1 */
    const double x[TW_N] = {cos(3.0 * start), -sin(3.0 * start), 0.0};
    const double gaps[] = {1e-3, 1e-6, 1e-9, 1e-11};
    for (size_t k = 0; k < 4; k++) {
        const double half = 2.0 * asin(sqrt(gaps[k] / 2.0)) / 3.0; /* cos(3 u) = 1 - d */
        tw_functional f = {.c = {1.0, 0.0, 0.0}, .d = -1.0 + gaps[k]};
        double t;
        make_wave(net, x, &f, &counts, &flow, &wave);
        assert_true(tw_wave_first_rise(&wave, false, 2.0, &t));
        assert_close(t, 1.0 - half, 1e-15 / half, 0.0);
        assert_true(tw_wave_next_change(&wave, 1, t, 2.0, &t));
        assert_close(t, 1.0 + half, 1e-15 / half, 0.0);
        f.d = -1.0 - gaps[k];
        make_wave(net, x, &f, &counts, &flow, &wave);
        assert_false(tw_wave_first_rise(&wave, false, 2.0, &t));
        f.d = -1.0; /* touching to rounding: no change of sign */
        make_wave(net, x, &f, &counts, &flow, &wave);
        assert_false(tw_wave_first_rise(&wave, false, 2.0, &t));
    }
    assert_true(counts.root_steps < 3000);
    tw_free(net);
}

static void start_on_a_zero_is_decided_by_slope_and_curvature(void **state) {
    tw_ctx *ctx = *state;
    tw_network *net = tw_alloc(ctx, 1, sizeof(rotation));
    assert_non_null(net);
    make_rotation(ctx, net, 2.0, 1.0);
    tw_counts counts = {0};
    tw_flow flow;
    tw_wave wave;
    double t = -1.0;
    const double x[TW_N] = {1.0, 0.0, 0.0};
    tw_functional f = {.c = {0.0, -1.0, 0.0}}; /* sin 2t: rises at once */
    make_wave(net, x, &f, &counts, &flow, &wave);
    assert_int_equal(tw_wave_start_sign(&wave), 1);
    assert_true(tw_wave_first_rise(&wave, false, 5.0, &t));
    assert_close(t, 0.0, 0.0, 0.0);
    assert_true(tw_wave_next_change(&wave, 1, 0.0, 5.0, &t));
    assert_close(t, 0.5 * TW_PI, 1e-14, 0.0);
    f.c[1] = 1.0; /* -sin 2t */
    make_wave(net, x, &f, &counts, &flow, &wave);
    assert_true(tw_wave_first_rise(&wave, false, 5.0, &t));
    assert_close(t, 0.5 * TW_PI, 1e-14, 0.0);
    f = (tw_functional){.c = {-1.0, 0.0, 0.0}, .d = 1.0}; /* 1 - cos 2t: rises from a flat zero */
    make_wave(net, x, &f, &counts, &flow, &wave);
    assert_int_equal(tw_wave_start_sign(&wave), 1);
    f = (tw_functional){.c = {1.0, 0.0, 0.0}, .d = -1.0}; /* cos 2t - 1: falls, touches again at pi, never above */
    make_wave(net, x, &f, &counts, &flow, &wave);
    assert_int_equal(tw_wave_start_sign(&wave), -1);
    assert_false(tw_wave_first_rise(&wave, true, 40.0, &t));
    f = (tw_functional){.d = 0.0}; /* nothing at all */
    make_wave(net, x, &f, &counts, &flow, &wave);
    assert_int_equal(tw_wave_start_sign(&wave), 0);
    assert_false(tw_wave_first_rise(&wave, false, 40.0, &t));
    tw_free(net);
}

/* Random waves of a rotation and a decay: a grid of 40 000 points may not know a change of sign that the search missed,
 * and the search's answer must be one. */
static void random_waves_hold_no_missed_zero(void **state) {
    tw_ctx *ctx = *state;
    tw_random r = {5150};
    tw_network *net = tw_alloc(ctx, 1, sizeof(rotation));
    assert_non_null(net);
    size_t found = 0, none = 0;
    for (int k = 0; k < 300; k++) {
        const double w = tw_random_log_uniform(&r, 0.5, 60.0), decay = tw_random_log_uniform(&r, 0.01, 30.0);
        make_rotation(ctx, net, w, decay);
        tw_counts counts = {0};
        tw_flow flow;
        tw_wave wave;
        const double x[TW_N] = {1.0, 0.3, tw_random_uniform(&r, -3.0, 3.0)};
        tw_functional f = {.c = {0.0, 0.0, 1.0}};
        f.c[0] = tw_random_uniform(&r, -1.0, 1.0);
        f.c[1] = tw_random_uniform(&r, -1.0, 1.0);
        f.d = tw_random_uniform(&r, -2.0, 1.0);
        make_wave(net, x, &f, &counts, &flow, &wave);
        double t = NAN, grid = NAN;
        const bool hit = tw_wave_first_rise(&wave, false, 3.0, &t);
        bool below = tw_wave_value(&wave, 0.0) < 0.0;
        enum { N = 40000 };
        for (int q = 1; q <= N && isnan(grid); q++) {
            const double g = tw_wave_value(&wave, 3.0 * q / N);
            if (below && g > 0.0) {
                grid = 3.0 * q / N;
            }
            below = g < 0.0;
        }
        if (!isnan(grid)) {
            assert_true(hit);
            assert_true(t <= grid && t >= 0.0);
        }
        if (hit) {
            assert_close(tw_wave_value(&wave, t), 0.0, 0.0, 1e-12 * wave.amplitude);
            assert_true(tw_wave_value(&wave, t + 1e-9) > 0.0);
            found++;
        } else {
            none++;
        }
    }
    assert_true(found > 60 && none > 60);
    tw_free(net);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(states_follow_the_matrix_exponential, make_context, drop_context),
        cmocka_unit_test_setup_teardown(critical_damping_uses_the_other_route, make_context, drop_context),
        cmocka_unit_test_setup_teardown(integrals_match_quadrature, make_context, drop_context),
        cmocka_unit_test_setup_teardown(zeros_of_a_cosine_are_found_in_turn, make_context, drop_context),
        cmocka_unit_test_setup_teardown(grazing_is_decided_by_the_value_at_the_top, make_context, drop_context),
        cmocka_unit_test_setup_teardown(start_on_a_zero_is_decided_by_slope_and_curvature, make_context, drop_context),
        cmocka_unit_test_setup_teardown(random_waves_hold_no_missed_zero, make_context, drop_context),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

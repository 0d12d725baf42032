/* The room under failing memory, cancelling, and hostile numbers: an error with a record, or finite results. */
#include "tankwright/pickup.h"
#include "testing.h"

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

static const tw_transformer CLAMPED = {.turns = 150,
                                       .burden_ohm = 2.2,
                                       .magnetizing_inductance_h = 22e-3,
                                       .winding_resistance_ohm = 1.4,
                                       .clamp_onset_v = 0.3};

static void nothing_here_needs_memory(void **state) {
    tw_ctx *ctx = *state;
    double i[64], v[64];
    for (size_t k = 0; k < 64; k++) {
        i[k] = k < 32 ? 40 : -40;
    }
    const tw_recorder_channel channel = {8, -1, 1, 0.01};
    tw_ctx_fail_allocation(ctx, 1);
    assert_ok(tw_transformer_forward(ctx, &CLAMPED, 4e-5, i, 64, v), ctx);
    assert_ok(tw_recorder_store(ctx, &channel, 4, v, 64, v, NULL, NULL), ctx);
    assert_ok(tw_transformer_inverse(ctx, &CLAMPED, 4e-5 / 64, v, 64, 0, 64, v), ctx);
    assert_null(tw_alloc(ctx, 1, 1)); /* the failure was still pending */
    tw_ctx_clear_error(ctx);
}

typedef struct stopper {
    int calls, stop_at;
} stopper;

static bool stop(double fraction, const char *what, void *user) {
    stopper *s = user;
    assert_true(fraction >= 0 && fraction <= 1);
    assert_non_null(what);
    return ++s->calls == s->stop_at;
}

static void a_cancelled_forward_leaves_its_output(void **state) {
    tw_ctx *ctx = *state;
    double i[64], v[64], before[64];
    for (size_t k = 0; k < 64; k++) {
        i[k] = k < 20 ? 40 : -3;
        before[k] = v[k] = 7 + (double)k;
    }
    int rounds = 0;
    for (int stop_at = 1;; stop_at++) {
        stopper s = {0, stop_at};
        tw_ctx_set_progress(ctx, stop, &s);
        if (tw_transformer_forward(ctx, &CLAMPED, 4e-5, i, 64, v) == TW_OK) {
            break;
        }
        assert_int_equal(tw_ctx_error(ctx)->status, TW_CANCELLED);
        assert_memory_equal(v, before, sizeof v);
        tw_ctx_clear_error(ctx);
        rounds++;
        assert_true(rounds < 100);
    }
    assert_true(rounds >= 2); /* Newton took more than one period, and each could be stopped */
    tw_ctx_set_progress(ctx, NULL, NULL);
}

static double hostile(tw_random *r) {
    static const double ODD[] = {0, -0.0, 1, -1, 1e-308, 5e-324, 1.7e308, -1.7e308};
    switch (tw_random_below(r, 8)) {
    case 0:
        return NAN;
    case 1:
        return tw_random_below(r, 2) != 0 ? INFINITY : -INFINITY;
    case 2:
        return ODD[tw_random_below(r, sizeof ODD / sizeof ODD[0])];
    case 3:
        return -tw_random_log_uniform(r, 1e-300, 1e300);
    case 4:
        return tw_random_log_uniform(r, 1e-300, 1e300);
    default:
        return tw_random_log_uniform(r, 1e-3, 1e3);
    }
}

static double mostly(tw_random *r, double usual) {
    return tw_random_below(r, 5) == 0 ? hostile(r) : usual * tw_random_log_uniform(r, 0.01, 100);
}

static void hostile_numbers_end_in_an_error_or_in_numbers(void **state) {
    tw_ctx *ctx = *state;
    tw_random r = {77};
    size_t passed = 0, refused = 0;
    for (int trial = 0; trial < 4000; trial++) {
        const tw_transformer ct = {mostly(&r, 150), mostly(&r, 2.2), mostly(&r, 22e-3), mostly(&r, 1.4),
                                   tw_random_below(&r, 2) != 0 ? NAN : mostly(&r, 1)};
        double in[8], out[8], copy[8];
        const size_t n = 1 + tw_random_below(&r, 8);
        for (size_t k = 0; k < 8; k++) {
            in[k] = (tw_random_below(&r, 2) != 0 ? 1 : -1) * (tw_random_below(&r, 50) == 0 ? hostile(&r) : 30);
            copy[k] = out[k] = 3 + (double)k;
        }
        const bool forward = tw_random_below(&r, 2) != 0;
        const double time_s = mostly(&r, 1e-5);
        const tw_status status = forward ? tw_transformer_forward(ctx, &ct, time_s, in, n, out)
                                         : tw_transformer_inverse(ctx, &ct, time_s, in, n, 0, n, out);
        assert_int_equal(tw_ctx_error(ctx)->status, status);
        if (status == TW_OK) {
            passed++;
            for (size_t k = 0; k < n; k++) {
                if (isfinite(in[k]) != isfinite(out[k])) {
                    fail_msg("trial %d, sample %zu of %zu: %g became %g (N %g, Rb %g, Lm %g, Rw %g, clamp %g, %g s)",
                             trial, k, n, in[k], out[k], ct.turns, ct.burden_ohm, ct.magnetizing_inductance_h,
                             ct.winding_resistance_ohm, ct.clamp_onset_v, time_s);
                }
            }
        } else {
            refused++;
            assert_true(tw_ctx_error(ctx)->message[0] != '\0');
            assert_memory_equal(out, copy, sizeof out);
            tw_ctx_clear_error(ctx);
        }
    }
    assert_true(passed > 1000 && refused > 1000);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(nothing_here_needs_memory, make_context, drop_context),
        cmocka_unit_test_setup_teardown(a_cancelled_forward_leaves_its_output, make_context, drop_context),
        cmocka_unit_test_setup_teardown(hostile_numbers_end_in_an_error_or_in_numbers, make_context, drop_context),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

/* The room under failing memory, cancelling and hostile numbers: an error with a record, nothing leaked (the address
 * sanitizer's leak check), the output untouched; or finite results. */
#include "reveal_records.h"

#include <math.h>
#include <string.h>

static tw_test_rig short_rig(void) {
    tw_test_rig rig = tw_test_rig_default();
    rig.interval_s = 60e-9;
    rig.cycles = 5.3;
    return rig;
}

static void every_allocation_may_fail(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    const tw_test_rig rig = short_rig();
    tw_test_record record;
    tw_test_record_make(ctx, &rig, &record);
    const tw_prior prior = tw_test_prior(&rig);
    tw_revealed out, before;
    memset(&out, 0x3c, sizeof out);
    memset(&before, 0x3c, sizeof before);
    size_t n = 1;
    for (;; n++) {
        assert_true(n < 5000);
        tw_ctx_fail_allocation(ctx, n);
        const tw_status status = tw_reveal(ctx, &record.record, &prior, &out);
        tw_ctx_fail_allocation(ctx, 0);
        if (status == TW_OK) {
            break;
        }
        assert_int_equal(status, TW_NO_MEMORY);
        assert_int_equal(tw_ctx_error(ctx)->status, TW_NO_MEMORY);
        assert_memory_equal(&out, &before, sizeof out);
        tw_ctx_clear_error(ctx);
    }
    assert_true(n > 30);
    assert_int_equal(tw_ctx_error(ctx)->status, TW_OK);
    tw_revealed_dispose(&out);
    tw_test_record_dispose(&record);
    tw_ctx_destroy(ctx);
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

static void the_work_can_be_cancelled(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    const tw_test_rig rig = short_rig();
    tw_test_record record;
    tw_test_record_make(ctx, &rig, &record);
    const tw_prior prior = tw_test_prior(&rig);
    int rounds = 0;
    for (int stop_at = 1;; stop_at += 1 + stop_at / 3) {
        stopper s = {0, stop_at};
        tw_revealed out;
        tw_ctx_set_progress(ctx, stop, &s);
        if (tw_reveal(ctx, &record.record, &prior, &out) == TW_OK) {
            tw_revealed_dispose(&out);
            break;
        }
        assert_int_equal(tw_ctx_error(ctx)->status, TW_CANCELLED);
        tw_ctx_clear_error(ctx);
        rounds++;
        assert_true(rounds < 50);
    }
    assert_true(rounds >= 3);
    tw_test_record_dispose(&record);
    tw_ctx_destroy(ctx);
}

static double hostile(tw_random *r, double usual) {
    static const double ODD[] = {0, -0.0, 1, -1, 1e-308, 5e-324, 1.7e308, -1.7e308};
    switch (tw_random_below(r, 16)) {
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
        return usual * tw_random_log_uniform(r, 0.5, 2);
    }
}

/* Random waves of all kinds: sines, squares, noise, steps, glued and scaled without regard. */
static double odd_wave(tw_random *r, int kind, double phase) {
    switch (kind) {
    case 0:
        return sin(2 * TW_PI * phase);
    case 1:
        return sin(2 * TW_PI * phase) > 0 ? 1 : -1;
    case 2:
        return tw_random_normal(r);
    case 3:
        return tw_random_below(r, 40) == 0 ? hostile(r, 1) : cos(2 * TW_PI * phase);
    case 4:
        return phase - floor(phase);
    default:
        return tw_random_below(r, 2) != 0 ? 1 : 0;
    }
}

static void check_finite(const tw_revealed *r) {
    assert_true(isfinite(r->switching_frequency_hz.value) && isfinite(r->switching_frequency_hz.u));
    assert_true(isfinite(r->real_power_w.value) && isfinite(r->real_power_w.u));
    assert_true(isfinite(r->rail_v.value) && isfinite(r->loop_gain.value));
    for (size_t k = 0; k < r->n_fold; k++) {
        assert_true(isfinite(r->fold_midpoint_v[k]) && isfinite(r->fold_current_a[k]));
    }
}

static void hostile_numbers_end_in_an_error_or_in_numbers(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    tw_random r = {20240711};
    size_t refused = 0;
    enum { MOST = 3000 };
    static double current[MOST], voltage[MOST];
    for (int trial = 0; trial < 1500; trial++) {
        const size_t n = 20 + tw_random_below(&r, MOST - 20);
        const int kind_i = (int)tw_random_below(&r, 6), kind_v = (int)tw_random_below(&r, 6);
        const double cycles = tw_random_log_uniform(&r, 0.3, 2000), shift = tw_random_uniform(&r, 0, 1);
        const double scale = tw_random_below(&r, 8) == 0 ? tw_random_log_uniform(&r, 1e-250, 1e250) : 1;
        for (size_t k = 0; k < n; k++) {
            const double phase = cycles * (double)k / (double)n;
            current[k] = scale * odd_wave(&r, kind_i, phase);
            voltage[k] = scale * (odd_wave(&r, kind_v, phase + shift) + 0.3 * odd_wave(&r, kind_i, phase));
        }
        const tw_record record = {.samples = n,
                                  .interval_s = tw_random_below(&r, 9) == 0 ? hostile(&r, 1e-8) : 1e-8,
                                  .start_s = tw_random_below(&r, 9) == 0 ? hostile(&r, 1) : 0,
                                  .voltage_offset_s = tw_random_below(&r, 9) == 0 ? hostile(&r, 1e-7) : 0,
                                  .current_v = current,
                                  .voltage_v = voltage};
        const tw_test_rig rig = tw_test_rig_default();
        tw_prior prior = tw_test_prior(&rig);
        prior.rail_v.value = hostile(&r, 300);
        prior.turns.value = hostile(&r, 150);
        prior.loop_gain = tw_random_below(&r, 2) != 0 ? tw_unknown() : (tw_value){hostile(&r, 0.01), hostile(&r, 1e-4)};
        prior.capacitance_f = tw_random_below(&r, 2) != 0 ? tw_unknown() : (tw_value){hostile(&r, 1e-6), 1e-8};
        tw_revealed out;
        const tw_status status = tw_reveal(ctx, &record, &prior, &out);
        assert_int_equal(tw_ctx_error(ctx)->status, status);
        if (status == TW_OK) {
            check_finite(&out);
            tw_revealed_dispose(&out);
        } else {
            refused++;
            assert_true(tw_ctx_error(ctx)->message[0] != '\0');
            assert_true(status != TW_INTERNAL);
            tw_ctx_clear_error(ctx);
        }
    }
    assert_true(refused > 1000);
    tw_ctx_destroy(ctx);
}

/* A good record with spikes, gaps, jumps of the zero line, dropped scale: read with finite results, or refused. */
static void damage(tw_random *r, double *y, size_t n) {
    for (size_t hits = tw_random_below(r, 6); hits > 0; hits--) {
        const size_t from = tw_random_below(r, n), length = 1 + tw_random_below(r, n / 8), to = from + length;
        const double factor = tw_random_uniform(r, -1, 2), add = tw_random_uniform(r, -0.2, 0.2);
        const size_t kind = tw_random_below(r, 4);
        for (size_t k = from; k < to && k < n; k++) {
            y[k] = kind == 0 ? NAN : kind == 1 ? factor * y[k] : kind == 2 ? y[k] + add : k == from ? 1e6 : y[k];
        }
    }
}

static void damaged_records_give_numbers_or_errors(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    tw_random r = {77};
    const tw_test_rig rig = short_rig();
    const tw_prior prior = tw_test_prior(&rig);
    size_t refused = 0, read = 0;
    for (int trial = 0; trial < 150; trial++) {
        tw_test_record record;
        tw_test_record_make(ctx, &rig, &record);
        damage(&r, record.current_v, record.record.samples);
        damage(&r, record.voltage_v, record.record.samples);
        tw_revealed out;
        if (tw_reveal(ctx, &record.record, &prior, &out) == TW_OK) {
            read++;
            check_finite(&out);
            tw_revealed_dispose(&out);
        } else {
            refused++;
            assert_true(tw_ctx_error(ctx)->message[0] != '\0');
            tw_ctx_clear_error(ctx);
        }
        tw_test_record_dispose(&record);
    }
    print_message("%zu read, %zu refused\n", read, refused);
    assert_true(read > 15 && refused > 15);
    tw_ctx_destroy(ctx);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_allocation_may_fail),
        cmocka_unit_test(the_work_can_be_cancelled),
        cmocka_unit_test(hostile_numbers_end_in_an_error_or_in_numbers),
        cmocka_unit_test(damaged_records_give_numbers_or_errors),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

/* The warning of a saturating current transformer: a core with a piecewise-linear magnetizing curve must raise it,
 * sound cores on random rigs must not. */
#include "reveal_records.h"

#include <math.h>
#include <string.h>

enum { GRID = 8000 };

/* Magnetizing current for a flux linkage: L_m up to the knee, a thousandth of it beyond. */
static double magnetizing_current(double flux_vs, double l_m, double knee_vs) {
    const double inner = fmin(fabs(flux_vs), knee_vs), outer = fmax(fabs(flux_vs) - knee_vs, 0.0);
    return (flux_vs < 0 ? -1 : 1) * (inner / l_m + outer / (l_m / 1000));
}

/* Secondary current over one period from the primary's, in place; the flux at the start is found by half-wave symmetry.
 * Returns the largest flux. */
static double saturate(const tw_transformer *ct, double period_s, double knee_vs, double *i) {
    const double h = period_s / GRID, r = ct->burden_ohm + ct->winding_resistance_ohm;
    static double out[GRID];
    double start = 0, largest = 0;
    for (int round = 0; round < 60; round++) {
        double flux = start, half = 0;
        largest = 0;
        for (size_t k = 0; k < GRID; k++) {
            out[k] = i[k] / ct->turns - magnetizing_current(flux, ct->magnetizing_inductance_h, knee_vs);
            /* midpoint rule, the primary's straight line taken */
            const double next = i[(k + 1) % GRID] / ct->turns, middle = 0.5 * (i[k] / ct->turns + next);
            const double guess = flux + 0.5 * h * r * out[k];
            flux += h * r * (middle - magnetizing_current(guess, ct->magnetizing_inductance_h, knee_vs));
            largest = fmax(largest, fabs(flux));
            half = k + 1 == GRID / 2 ? flux : half;
        }
        start = 0.5 * (start - half);
    }
    memcpy(i, out, sizeof out);
    return largest;
}

/* A record whose current channel went through a core with its knee at `share` of the flux that would flow without. */
static bool warned(double share, uint64_t seed, double *power) {
    tw_ctx *ctx = tw_ctx_create();
    tw_test_rig rig = tw_test_rig_default();
    rig.interval_s = 21e-9;
    rig.seed = seed;
    tw_test_record record;
    tw_test_record_make(ctx, &rig, &record);
    static double t[GRID], i[GRID];
    const double period = 1 / rig.stage.frequency_hz;
    for (size_t k = 0; k < GRID; k++) {
        t[k] = (double)k / GRID * period;
    }
    tw_steady_sample(record.steady, TW_SIGNAL_COIL_CURRENT, t, GRID, i);
    static double copy[GRID];
    memcpy(copy, i, sizeof copy);
    const double sound = saturate(&rig.transformer, period, INFINITY, copy);
    (void)saturate(&rig.transformer, period, share * sound, i);
    double peak = 0;
    for (size_t k = 0; k < GRID; k++) {
        i[k] *= rig.transformer.burden_ohm;
        peak = fmax(peak, fabs(i[k]));
    }
    for (size_t k = 0; k < record.record.samples; k++) {
        const double at = fmod(rig.start_phase + (double)k * rig.interval_s / period, 1.0) * GRID;
        const size_t a = (size_t)at % GRID;
        record.current_v[k] = i[a] + (at - floor(at)) * (i[(a + 1) % GRID] - i[a]);
    }
    const double half = 1.1 * peak;
    const tw_recorder_channel recorder = {8, -half, half, rig.noise * 2 * half};
    assert_ok(
        tw_recorder_store(ctx, &recorder, seed, record.current_v, record.record.samples, record.current_v, NULL, NULL),
        ctx);
    const tw_prior prior = tw_test_prior(&rig);
    tw_revealed r;
    bool found;
    if (tw_reveal(ctx, &record.record, &prior, &r) == TW_OK) {
        found = tw_warnings_has(&r.warnings, "transformer_saturating");
        *power = r.real_power_w.value / tw_steady_point(record.steady)->real_power_w;
        tw_revealed_dispose(&r);
    } else {
        assert_int_equal(tw_ctx_error(ctx)->status, TW_BAD_DATA);
        found = strstr(tw_ctx_error(ctx)->message, "transformer saturates") != NULL;
        *power = NAN;
    }
    tw_test_record_dispose(&record);
    tw_ctx_destroy(ctx);
    return found;
}

static void a_saturating_core_is_told(void **state) {
    (void)state;
    for (double share = 0.35; share < 1.2; share += 0.1) {
        double power;
        const bool found = warned(share, 17, &power);
        print_message("knee at %.2f of the flux: %s, power read %.4f\n", share, found ? "told" : "not told", power);
        if (share < 0.7) {
            assert_true(found);
        }
        if (share > 0.99) {
            assert_false(found);
        }
    }
}

static void sound_cores_are_left_alone(void **state) {
    static const tw_commutation KINDS[4] = {TW_COMMUTATION_FULL_ZVS, TW_COMMUTATION_PARTIAL_ZVS, TW_COMMUTATION_REBOUND,
                                            TW_COMMUTATION_HARD};
    tw_ctx *ctx = tw_ctx_create();
    tw_random random = {*(const uint64_t *)*state};
    for (size_t k = 0; k < 40; k++) {
        const tw_test_rig rig = tw_test_rig_draw(ctx, &random, KINDS[k % 4]);
        tw_test_record record;
        tw_test_record_make(ctx, &rig, &record);
        const tw_prior prior = tw_test_prior(&rig);
        tw_revealed r;
        assert_ok(tw_reveal(ctx, &record.record, &prior, &r), ctx);
        for (size_t j = 0; j < r.warnings.count; j++) {
            print_message("rig %zu: %s: %s\n", k, r.warnings.items[j].code, r.warnings.items[j].message);
        }
        assert_false(tw_warnings_has(&r.warnings, "transformer_saturating"));
        tw_revealed_dispose(&r);
        tw_test_record_dispose(&record);
    }
    tw_ctx_destroy(ctx);
}

/* An argument is another seed: for soak runs. */
int main(int argc, char **argv) {
    static uint64_t seed = 5;
    double given;
    if (argc > 1 && tw_parse_number(argv[1], strlen(argv[1]), &given) > 0) {
        seed = (uint64_t)given;
    }
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_saturating_core_is_told),
        cmocka_unit_test_prestate(sound_cores_are_left_alone, &seed),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

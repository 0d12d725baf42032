/* Records of 100 random rigs, 8 bits, loop gain and capacitance unknown, rail known, skew unknown: the reading against
 * the exact operating point. The limits are the project's own goals. */
#include "reveal_records.h"

#include <math.h>
#include <string.h>

typedef struct worst {
    double power, resistance, inductance, capacitance, margin_s, skew_s, midpoint, resonance;
} worst;

static void keep(double *largest, double value) {
    *largest = fmax(*largest, fabs(value));
}

static double relative(tw_value got, double want) {
    return fabs(got.value / want - 1.0);
}

static void print_case(size_t k, const tw_test_rig *rig, const tw_operating_point *p, const tw_revealed *r) {
    print_message("rig %zu: f %.0f Hz, rail %.0f V, dead time %.3g us, %.3g nF, interval %.3g ns, lag %.1f deg\n"
                  "  %s/%s read as %s/%s; power %+.2f %%, R %+.2f %%, L %+.2f %%, C %+.2f %%, margins %.3g/%.3g read "
                  "%.3g/%.3g us\n"
                  "  forced %.3g V, turn-off %.3g A of %.3g A, skew %+.2f ns (u %.2f), C u %.2f %%\n",
                  k, rig->stage.frequency_hz, rig->stage.rail_v, 1e6 * rig->stage.dead_time_s,
                  1e9 * rig->stage.snubber_capacitance_f, 1e9 * rig->interval_s, p->coil_phase_lag_rad * 180.0 / TW_PI,
                  tw_commutation_word(p->falling.verdict), tw_commutation_word(p->rising.verdict),
                  tw_commutation_word(r->falling.verdict), tw_commutation_word(r->rising.verdict),
                  100 * (r->real_power_w.value / p->real_power_w - 1),
                  100 * (r->equivalent_resistance_ohm.value / p->equivalent_resistance_ohm - 1),
                  100 * (r->equivalent_inductance_h.value / p->equivalent_inductance_h - 1),
                  100 * (r->tank_capacitance_f.value / rig->stage.capacitance_f - 1),
                  1e6 * p->falling.zero_crossing_margin_s, 1e6 * p->rising.zero_crossing_margin_s,
                  1e6 * r->falling.zero_crossing_margin_s.value, 1e6 * r->rising.zero_crossing_margin_s.value,
                  p->falling.forced_voltage_v, p->falling.turn_off_current_a, p->coil_current_peak_a,
                  1e9 * (r->channel_skew_s.value - rig->skew_s), 1e9 * r->channel_skew_s.u,
                  100 * r->tank_capacitance_f.u / rig->stage.capacitance_f);
}

/* Returns the number of limits that were broken. */
static int compare(const tw_test_rig *rig, const tw_operating_point *p, const tw_revealed *r, worst *w) {
    const double power = relative(r->real_power_w, p->real_power_w);
    const double resistance = relative(r->equivalent_resistance_ohm, p->equivalent_resistance_ohm);
    const double inductance = relative(r->equivalent_inductance_h, p->equivalent_inductance_h);
    const double capacitance = relative(r->tank_capacitance_f, rig->stage.capacitance_f);
    const double falling = r->falling.zero_crossing_margin_s.value - p->falling.zero_crossing_margin_s;
    const double rising = r->rising.zero_crossing_margin_s.value - p->rising.zero_crossing_margin_s;
    keep(&w->power, power);
    keep(&w->resistance, resistance);
    keep(&w->inductance, inductance);
    keep(&w->capacitance, capacitance);
    keep(&w->margin_s, falling);
    keep(&w->margin_s, rising);
    keep(&w->skew_s, r->channel_skew_s.value - rig->skew_s);
    keep(&w->resonance, relative(r->resonant_frequency_hz, p->resonant_frequency_hz));
    int broken = 0;
    broken += !(power < 0.01) + !(resistance < 0.01) + !(inductance < 0.005) + !(capacitance < 0.005);
    broken += !(fabs(falling) < 50e-9) + !(fabs(rising) < 50e-9);
    broken += r->falling.verdict != p->falling.verdict || r->rising.verdict != p->rising.verdict;
    return broken;
}

static void a_hundred_random_rigs_are_read_right(void **state) {
    static const tw_commutation KINDS[4] = {TW_COMMUTATION_FULL_ZVS, TW_COMMUTATION_PARTIAL_ZVS, TW_COMMUTATION_REBOUND,
                                            TW_COMMUTATION_HARD};
    tw_ctx *ctx = tw_ctx_create();
    tw_random random = {*(const uint64_t *)*state};
    worst w = {0};
    int broken = 0;
    for (size_t k = 0; k < 100; k++) {
        const tw_test_rig rig = tw_test_rig_draw(ctx, &random, KINDS[k % 4]);
        tw_test_record record;
        tw_test_record_make(ctx, &rig, &record);
        const tw_prior prior = tw_test_prior(&rig);
        tw_revealed r;
        assert_ok(tw_reveal(ctx, &record.record, &prior, &r), ctx);
        const tw_operating_point *p = tw_steady_point(record.steady);
        const int misses = compare(&rig, p, &r, &w);
        if (misses > 0) {
            print_case(k, &rig, p, &r);
        }
        broken += misses;
        tw_revealed_dispose(&r);
        tw_test_record_dispose(&record);
    }
    print_message(
        "worst: power %.2f %%, R %.2f %%, L %.2f %%, C %.2f %%, margin %.0f ns, skew %.1f ns, resonance %.2f %%\n",
        100 * w.power, 100 * w.resistance, 100 * w.inductance, 100 * w.capacitance, 1e9 * w.margin_s, 1e9 * w.skew_s,
        100 * w.resonance);
    assert_int_equal(broken, 0);
    tw_ctx_destroy(ctx);
}

/* An argument is another seed: for soak runs. */
int main(int argc, char **argv) {
    static uint64_t seed = 20240611;
    double given;
    if (argc > 1 && tw_parse_number(argv[1], strlen(argv[1]), &given) > 0) {
        seed = (uint64_t)given;
    }
    const struct CMUnitTest tests[] = {cmocka_unit_test_prestate(a_hundred_random_rigs_are_read_right, &seed)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}

/* Stated uncertainties against the truth: many records of one rig that differ in noise, trigger instant and in what the
 * bench person believes about rail, burden and ESR (drawn from the stated uncertainties). |error| < 1.96 u must hold in
 * about 95 % of them: fewer is a false promise, and errors that are all tiny beside u make the statement useless. */
#include "reveal_records.h"

#include <math.h>
#include <string.h>

enum { MOST_RECORDS = 1000 };

typedef struct quantity {
    const char *name;
    size_t inside, seen;
    double error2, u2; /* sums of squares */
} quantity;

enum {
    Q_FREQUENCY,
    Q_POWER,
    Q_REACTIVE,
    Q_RESISTANCE,
    Q_INDUCTANCE,
    Q_CAPACITANCE,
    Q_GAIN,
    Q_RESONANCE,
    Q_SKEW,
    Q_CURRENT_RMS,
    Q_CURRENT_PEAK,
    Q_VOLTAGE_RMS,
    Q_CAPACITOR_PEAK,
    Q_BRIDGE_LAG,
    Q_COIL_LAG,
    Q_DUTY,
    Q_MIDPOINT_CAPACITANCE,
    Q_TURN_OFF_CURRENT,
    Q_SWING_TIME,
    Q_ZERO_CROSSING,
    Q_MARGIN,
    Q_FORCED_VOLTAGE,
    Q_COUNT
};

static void note(quantity *q, tw_value got, double want) {
    if (!tw_is_known(got) || isnan(want)) {
        return;
    }
    const double error = got.value - want;
    q->seen++;
    q->inside += fabs(error) < 1.96 * got.u ? 1 : 0;
    q->error2 += error * error;
    q->u2 += got.u * got.u;
}

/* Share of the period that the exact midpoint spends above half rail, between the crossings of a fine grid. */
static double true_duty(const tw_steady *steady, double rail_v) {
    enum { GRID = 20000 };
    double t[GRID], v[GRID], high = 0;
    for (size_t k = 0; k < GRID; k++) {
        t[k] = (double)k / GRID * tw_steady_point(steady)->period_s;
    }
    tw_steady_sample(steady, TW_SIGNAL_MIDPOINT_VOLTAGE, t, GRID, v);
    for (size_t k = 0; k < GRID; k++) {
        const double a = v[k] / rail_v - 0.5, b = v[(k + 1) % GRID] / rail_v - 0.5;
        high += a > 0 && b > 0 ? 1.0 : a > 0 ? a / (a - b) : b > 0 ? b / (b - a) : 0.0;
    }
    return high / GRID;
}

static void note_edge(quantity *q, const tw_revealed_edge *got, const tw_edge *want) {
    note(&q[Q_TURN_OFF_CURRENT], got->turn_off_current_a, want->turn_off_current_a);
    note(&q[Q_SWING_TIME], got->swing_time_s, want->swing_time_s);
    note(&q[Q_MARGIN], got->zero_crossing_margin_s, want->zero_crossing_margin_s);
    note(&q[Q_ZERO_CROSSING],
         (tw_value){got->zero_crossing_s.value - got->turn_off_s.value,
                    hypot(got->zero_crossing_s.u, got->turn_off_s.u)},
         want->zero_crossing_s - want->turn_off_s);
    if (want->forced_voltage_v > 0) {
        note(&q[Q_FORCED_VOLTAGE], got->forced_voltage_v, want->forced_voltage_v);
    }
}

static void note_all(quantity *q, const tw_test_rig *rig, const tw_operating_point *p, double duty,
                     const tw_revealed *r) {
    note(&q[Q_FREQUENCY], r->switching_frequency_hz, rig->stage.frequency_hz);
    note(&q[Q_POWER], r->real_power_w, p->real_power_w);
    note(&q[Q_REACTIVE], r->reactive_power_var, p->reactive_power_var);
    note(&q[Q_RESISTANCE], r->equivalent_resistance_ohm, p->equivalent_resistance_ohm);
    note(&q[Q_INDUCTANCE], r->equivalent_inductance_h, p->equivalent_inductance_h);
    note(&q[Q_CAPACITANCE], r->tank_capacitance_f, rig->stage.capacitance_f);
    note(&q[Q_GAIN], r->loop_gain, rig->loop_gain);
    note(&q[Q_RESONANCE], r->resonant_frequency_hz, p->resonant_frequency_hz);
    note(&q[Q_SKEW], r->channel_skew_s, rig->skew_s);
    note(&q[Q_CURRENT_RMS], r->coil_current_rms_a, p->coil_current_rms_a);
    note(&q[Q_CURRENT_PEAK], r->coil_current_peak_a, p->coil_current_peak_a);
    note(&q[Q_VOLTAGE_RMS], r->coil_voltage_rms_v, p->coil_voltage_rms_v);
    note(&q[Q_CAPACITOR_PEAK], r->capacitor_voltage_peak_v, p->capacitor_voltage_peak_v);
    note(&q[Q_BRIDGE_LAG], r->bridge_phase_lag_rad, p->bridge_phase_lag_rad);
    note(&q[Q_COIL_LAG], r->coil_phase_lag_rad, p->coil_phase_lag_rad);
    note(&q[Q_DUTY], r->duty, duty);
    note(&q[Q_MIDPOINT_CAPACITANCE], r->midpoint_capacitance_f, p->midpoint_capacitance_f);
    note_edge(q, &r->falling, &p->falling);
    note_edge(q, &r->rising, &p->rising);
}

/* Beliefs drawn around the truth with the stated standard uncertainties. */
static tw_prior believe(const tw_test_rig *rig, tw_random *random, double rail_u, double burden_u) {
    tw_prior prior = tw_test_prior(rig);
    prior.rail_v.u = rail_u * rig->stage.rail_v;
    prior.rail_v.value += prior.rail_v.u * tw_random_normal(random);
    prior.burden_ohm.u = burden_u * rig->transformer.burden_ohm;
    prior.burden_ohm.value += prior.burden_ohm.u * tw_random_normal(random);
    prior.esr_ohm.u = 0.4e-3;
    prior.esr_ohm.value += prior.esr_ohm.u * tw_random_normal(random);
    return prior;
}

static void clear(quantity q[Q_COUNT]) {
    static const quantity EMPTY[Q_COUNT] = {
        [Q_FREQUENCY] = {.name = "frequency"},
        [Q_POWER] = {.name = "power"},
        [Q_REACTIVE] = {.name = "reactive power"},
        [Q_RESISTANCE] = {.name = "R"},
        [Q_INDUCTANCE] = {.name = "L"},
        [Q_CAPACITANCE] = {.name = "C"},
        [Q_GAIN] = {.name = "loop gain"},
        [Q_RESONANCE] = {.name = "resonance"},
        [Q_SKEW] = {.name = "skew"},
        [Q_CURRENT_RMS] = {.name = "current rms"},
        [Q_CURRENT_PEAK] = {.name = "current peak"},
        [Q_VOLTAGE_RMS] = {.name = "coil volts rms"},
        [Q_CAPACITOR_PEAK] = {.name = "capacitor peak"},
        [Q_BRIDGE_LAG] = {.name = "bridge lag"},
        [Q_COIL_LAG] = {.name = "coil lag"},
        [Q_DUTY] = {.name = "duty"},
        [Q_MIDPOINT_CAPACITANCE] = {.name = "C_m"},
        [Q_TURN_OFF_CURRENT] = {.name = "turn-off current"},
        [Q_SWING_TIME] = {.name = "swing time"},
        [Q_ZERO_CROSSING] = {.name = "zero crossing"},
        [Q_MARGIN] = {.name = "margin"},
        [Q_FORCED_VOLTAGE] = {.name = "forced volts"},
    };
    memcpy(q, EMPTY, sizeof EMPTY);
}

static int report(const char *title, const quantity q[Q_COUNT]) {
    int bad = 0;
    print_message("%s\n", title);
    for (int k = 0; k < Q_COUNT; k++) {
        if (q[k].seen == 0) {
            continue;
        }
        const double share = (double)q[k].inside / (double)q[k].seen, n = (double)q[k].seen;
        const bool wrong = share < 0.85;
        bad += wrong ? 1 : 0;
        print_message("  %-18s covered %5.1f %% of %4zu, rms error %.3g, rms u %.3g, ratio %.2f%s\n", q[k].name,
                      100 * share, q[k].seen, sqrt(q[k].error2 / n), sqrt(q[k].u2 / n), sqrt(q[k].error2 / q[k].u2),
                      wrong ? "  <-- too small" : "");
    }
    return bad;
}

static int cover(const char *title, tw_test_rig rig, double rail_u, double burden_u, size_t records, uint64_t seed) {
    tw_ctx *ctx = tw_ctx_create();
    tw_random random = {seed};
    quantity q[Q_COUNT];
    clear(q);
    for (size_t k = 0; k < records; k++) {
        rig.seed = 1000 + k + seed;
        rig.start_phase = tw_random_uniform(&random, 0, 1);
        const tw_prior prior = believe(&rig, &random, rail_u, burden_u);
        tw_test_record record;
        tw_test_record_make(ctx, &rig, &record);
        tw_revealed r;
        assert_ok(tw_reveal(ctx, &record.record, &prior, &r), ctx);
        note_all(q, &rig, tw_steady_point(record.steady), true_duty(record.steady, rig.stage.rail_v), &r);
        tw_revealed_dispose(&r);
        tw_test_record_dispose(&record);
    }
    tw_ctx_destroy(ctx);
    return report(title, q);
}

static tw_test_rig rig_soft(void) {
    tw_test_rig rig = tw_test_rig_default();
    rig.interval_s = 11.7e-9;
    rig.skew_s = 13e-9;
    return rig;
}

static tw_test_rig rig_fine(void) {
    tw_test_rig rig = tw_test_rig_default();
    rig.bits = 12;
    rig.noise = 0.0007;
    rig.stage.frequency_hz = 31.3e3;
    rig.stage.split = false;
    return rig;
}

static tw_test_rig rig_hard(void) {
    tw_test_rig rig = tw_test_rig_default();
    rig.stage.frequency_hz = 24.1e3;
    rig.stage.capacitance_f = 560e-9;
    rig.interval_s = 17.3e-9;
    return rig;
}

static size_t records_wanted;

static void a_soft_8_bit_record(void **state) {
    (void)state;
    assert_int_equal(cover("8 bits, soft, rail exact", rig_soft(), 0, 0, records_wanted, 11), 0);
}

static void a_soft_record_with_doubtful_rail_and_burden(void **state) {
    (void)state;
    assert_int_equal(cover("8 bits, rail 1 %, burden 0.6 %", rig_soft(), 0.01, 0.006, records_wanted, 12), 0);
}

static void a_fine_12_bit_record(void **state) {
    (void)state;
    assert_int_equal(cover("12 bits, little noise, rail exact", rig_fine(), 0, 0, records_wanted, 13), 0);
}

static void a_record_below_resonance(void **state) {
    (void)state;
    assert_int_equal(cover("8 bits, below resonance", rig_hard(), 0, 0, records_wanted, 14), 0);
}

/* An argument is another number of records. */
int main(int argc, char **argv) {
    double given = 60;
    if (argc > 1) {
        (void)tw_parse_number(argv[1], strlen(argv[1]), &given);
    }
    records_wanted = (size_t)fmin(fmax(given, 1.0), MOST_RECORDS);
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_soft_8_bit_record),
        cmocka_unit_test(a_soft_record_with_doubtful_rail_and_burden),
        cmocka_unit_test(a_fine_12_bit_record),
        cmocka_unit_test(a_record_below_resonance),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

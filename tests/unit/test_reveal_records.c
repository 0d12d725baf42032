/* Records with faults, odd shapes and contradicting beliefs that can still be read: warning and result. */
#include "reveal_records.h"

#include <math.h>
#include <string.h>

typedef struct fixture {
    tw_ctx *ctx;
    tw_test_rig rig;
} fixture;

static int make(void **state) {
    static fixture f;
    f.ctx = tw_ctx_create();
    f.rig = tw_test_rig_default();
    f.rig.interval_s = 21e-9;
    *state = &f;
    return 0;
}

static int drop(void **state) {
    tw_ctx_destroy(((fixture *)*state)->ctx);
    return 0;
}

static void print_warnings(const tw_revealed *r) {
    for (size_t k = 0; k < r->warnings.count; k++) {
        print_message("  warning %s: %s\n", r->warnings.items[k].code, r->warnings.items[k].message);
    }
}

static bool has(const tw_revealed *r, const char *code) {
    const bool found = tw_warnings_has(&r->warnings, code);
    if (!found) {
        print_message("no warning %s; there are %zu:\n", code, r->warnings.count);
        print_warnings(r);
    }
    return found;
}

static void quiet(const tw_revealed *r) {
    print_warnings(r);
    assert_int_equal(r->warnings.count, 0);
}

static const char *message_of(const tw_revealed *r, const char *code) {
    for (size_t k = 0; k < r->warnings.count; k++) {
        if (strcmp(r->warnings.items[k].code, code) == 0) {
            return r->warnings.items[k].message;
        }
    }
    return "";
}

/* The reading within `rel` of the truth in power, R, L, and C, and the verdicts right. */
static void check_reading(const tw_revealed *r, const tw_test_rig *rig, const tw_operating_point *p, double rel) {
    assert_close(r->switching_frequency_hz.value, rig->stage.frequency_hz, 0.04 * rel, 0);
    assert_close(r->real_power_w.value, p->real_power_w, rel, 0);
    assert_close(r->equivalent_resistance_ohm.value, p->equivalent_resistance_ohm, rel, 0);
    assert_close(r->equivalent_inductance_h.value, p->equivalent_inductance_h, rel, 0);
    assert_close(r->tank_capacitance_f.value, rig->stage.capacitance_f, rel, 0);
    assert_int_equal(r->falling.verdict, p->falling.verdict);
    assert_int_equal(r->rising.verdict, p->rising.verdict);
}

/* Makes the record, lets `change` spoil it, reads it. */
typedef void spoil(tw_test_record *record);
static void read_record(fixture *f, spoil *change, const tw_prior *prior, double rel, tw_revealed *r) {
    tw_test_record record;
    tw_test_record_make(f->ctx, &f->rig, &record);
    if (change != NULL) {
        change(&record);
    }
    const tw_prior usual = tw_test_prior(&f->rig);
    assert_ok(tw_reveal(f->ctx, &record.record, prior != NULL ? prior : &usual, r), f->ctx);
    if (rel > 0) {
        check_reading(r, &f->rig, tw_steady_point(record.steady), rel);
    }
    tw_test_record_dispose(&record);
}

/* ---- gaps and range ---- */

static void nan_bursts(tw_test_record *record) {
    for (size_t k = 500; k < record->record.samples; k += 3001) {
        for (size_t j = k; j < k + 20 && j < record->record.samples; j++) {
            record->current_v[j] = NAN;
            record->voltage_v[j + (j + 7 < record->record.samples ? 7 : 0)] = NAN;
        }
    }
}

static void gaps_are_bridged(void **state) {
    tw_revealed r;
    read_record(*state, nan_bursts, NULL, 0.01, &r);
    assert_true(has(&r, "gaps"));
    assert_int_equal(r.warnings.count, 1);
    size_t holes = 0;
    for (size_t k = 0; k < r.samples; k++) {
        assert_true(isnan(r.midpoint_v[k]) == isnan(r.coil_current_a[k]));
        holes += isnan(r.midpoint_v[k]) ? 1 : 0;
    }
    assert_in_range(holes, 100, 200);
    tw_revealed_dispose(&r);
}

/* The current's peaks beyond 90 % as markers. */
static void mark_over_range(tw_test_record *record) {
    double peak = 0;
    for (size_t k = 0; k < record->record.samples; k++) {
        peak = fmax(peak, fabs(record->current_v[k]));
    }
    for (size_t k = 0; k < record->record.samples; k++) {
        if (fabs(record->current_v[k]) > 0.97 * peak) {
            record->current_v[k] = record->current_v[k] > 0 ? INFINITY : -INFINITY;
        }
    }
}

static void over_range_is_clipping(void **state) {
    tw_revealed r;
    read_record(*state, mark_over_range, NULL, 0.03, &r);
    assert_true(has(&r, "clipped_current"));
    tw_revealed_dispose(&r);
}

static void clipped_channels_are_told(void **state) {
    fixture *f = *state;
    f->rig.span = 0.93;
    tw_revealed r;
    read_record(f, NULL, NULL, 0, &r);
    assert_true(has(&r, "clipped_current"));
    assert_true(has(&r, "clipped_voltage"));
    assert_int_equal(r.warnings.count, 2);
    tw_revealed_dispose(&r);
    f->rig.span = 0.975; /* little is cut, and noise breaks the runs */
    f->rig.noise = 0.004;
    read_record(f, NULL, NULL, 0, &r);
    assert_true(has(&r, "clipped_current"));
    assert_true(has(&r, "clipped_voltage"));
    tw_revealed_dispose(&r);
    f->rig.span = 1.02; /* used to the brim is not clipped */
    f->rig.noise = 0.001;
    read_record(f, NULL, NULL, 0.01, &r);
    quiet(&r);
    tw_revealed_dispose(&r);
}

/* ---- lengths ---- */

static void few_cycles(void **state) {
    fixture *f = *state;
    tw_revealed r;
    f->rig.cycles = 3.0;
    read_record(f, NULL, NULL, 0.02, &r);
    quiet(&r);
    tw_revealed_dispose(&r);
    f->rig.cycles = 2.2;
    read_record(f, NULL, NULL, 0.02, &r);
    quiet(&r);
    tw_revealed_dispose(&r);
    for (double phase = 0.0; phase < 1.0; phase += 0.243) {
        f->rig.start_phase = phase;
        f->rig.cycles = 1.3;
        read_record(f, NULL, NULL, 0.05, &r);
        assert_true(has(&r, "few_cycles"));
        assert_int_equal(r.whole_cycles, 1);
        tw_revealed_dispose(&r);
    }
}

static void few_samples_per_swing(void **state) {
    fixture *f = *state;
    f->rig.interval_s = 217e-9;
    f->rig.cycles = 40.7;
    tw_revealed r;
    read_record(f, NULL, NULL, 0.02, &r);
    assert_true(has(&r, "few_samples_per_swing"));
    assert_true(r.samples_per_swing < 5);
    tw_revealed_dispose(&r);
}

static void frequency_beside_the_sampling(void **state) {
    fixture *f = *state;
    const double odd[] = {1.0 / (26e3 * 1000), 1.0 / (26e3 * 1777.777), 1.0 / (26e3 * 3333.3)};
    for (size_t k = 0; k < 3; k++) {
        f->rig.interval_s = odd[k];
        tw_revealed r;
        read_record(f, NULL, NULL, 0.012, &r);
        quiet(&r);
        tw_revealed_dispose(&r);
    }
}

static void recorders_of_more_bits(void **state) {
    fixture *f = *state;
    const double noise[] = {1e-3, 3e-5};
    for (int k = 0; k < 2; k++) {
        f->rig.bits = k == 0 ? 12 : 16;
        f->rig.noise = noise[k];
        f->rig.stage.split = k == 0;
        tw_revealed r;
        read_record(f, NULL, NULL, 0.003, &r);
        quiet(&r);
        tw_revealed_dispose(&r);
    }
}

/* ---- polarity, offsets, time ---- */

static void turn_current(tw_test_record *record) {
    for (size_t k = 0; k < record->record.samples; k++) {
        record->current_v[k] = -record->current_v[k];
    }
}

static void a_reversed_pick_up_is_turned(void **state) {
    fixture *f = *state;
    tw_revealed r;
    read_record(f, turn_current, NULL, 0, &r);
    assert_true(has(&r, "reversed_polarity"));
    assert_true(r.real_power_w.value > 0);
    tw_revealed_dispose(&r);
    f->rig.loop_gain = -f->rig.loop_gain;
    read_record(f, NULL, NULL, 0.01, &r);
    assert_true(has(&r, "reversed_polarity"));
    assert_true(r.voltage_reversed);
    tw_revealed_dispose(&r);
    read_record(f, turn_current, NULL, 0.01, &r); /* both: the whole stage seen upside down */
    assert_false(r.voltage_reversed);
    tw_revealed_dispose(&r);
}

static void add_offsets(tw_test_record *record) {
    for (size_t k = 0; k < record->record.samples; k++) {
        record->current_v[k] += 0.23;
        record->voltage_v[k] -= 1.7;
    }
}

static void offsets_do_not_matter(void **state) {
    tw_revealed r;
    read_record(*state, add_offsets, NULL, 0.01, &r);
    quiet(&r);
    tw_revealed_dispose(&r);
}

/* The recorder read the voltage channel 340 ns later and says so: a record with that much (negative) skew. */
static void state_offset(tw_test_record *record) {
    record->record.voltage_offset_s = 340e-9;
}

static void separate_time_columns(void **state) {
    fixture *f = *state;
    f->rig.skew_s = -340e-9 + 17e-9;
    tw_revealed r;
    read_record(f, state_offset, NULL, 0.01, &r);
    assert_close(r.channel_skew_s.value, 17e-9, 0, 3 * r.channel_skew_s.u);
    assert_true(r.channel_skew_s.u < 6e-9);
    tw_revealed_dispose(&r);
}

static void known_and_unknown_skew(void **state) {
    fixture *f = *state;
    f->rig.skew_s = 310e-9;
    tw_revealed free_skew, known_skew;
    tw_prior prior = tw_test_prior(&f->rig);
    read_record(f, NULL, NULL, 0.012, &free_skew);
    prior.skew_s = (tw_value){310e-9, 0.4e-9};
    read_record(f, NULL, &prior, 0.006, &known_skew);
    assert_close(free_skew.channel_skew_s.value, 310e-9, 0, 3 * free_skew.channel_skew_s.u);
    assert_true(known_skew.channel_skew_s.u < 0.45e-9);
    assert_true(known_skew.channel_skew_s.u < free_skew.channel_skew_s.u);
    assert_true(known_skew.real_power_w.u <= free_skew.real_power_w.u * 1.001);
    tw_revealed_dispose(&free_skew);
    tw_revealed_dispose(&known_skew);
}

static void slow_envelope(tw_test_record *record) {
    for (size_t k = 0; k < record->record.samples; k++) {
        const double envelope = fabs(sin(2 * TW_PI * 50 * (double)k * record->record.interval_s + 0.02));
        record->current_v[k] *= envelope;
        record->voltage_v[k] *= envelope;
    }
}

static void the_top_of_a_mains_envelope_is_read(void **state) {
    fixture *f = *state;
    f->rig.interval_s = 50e-9;
    f->rig.cycles = 255;
    tw_revealed r;
    read_record(f, slow_envelope, NULL, 0.03, &r);
    assert_true(has(&r, "envelope"));
    assert_true(r.whole_cycles > 10 && r.whole_cycles < 80);
    tw_revealed_dispose(&r);
}

/* ---- beliefs ---- */

static void any_one_known_value_calibrates(void **state) {
    fixture *f = *state;
    for (int which = 0; which < 3; which++) {
        tw_prior prior = tw_test_prior(&f->rig);
        prior.rail_v = which == 0 ? tw_exactly(f->rig.stage.rail_v) : tw_unknown();
        prior.capacitance_f = which == 1 ? tw_exactly(f->rig.stage.capacitance_f) : tw_unknown();
        prior.loop_gain = which == 2 ? tw_exactly(f->rig.loop_gain) : tw_unknown();
        tw_revealed r;
        read_record(f, NULL, &prior, 0.01, &r);
        assert_close(r.rail_v.value, f->rig.stage.rail_v, 0, 3 * r.rail_v.u + 1e-6);
        assert_close(r.loop_gain.value, f->rig.loop_gain, 0, 3 * r.loop_gain.u + 1e-9);
        assert_close(r.tank_capacitance_f.value, f->rig.stage.capacitance_f, 0, 3 * r.tank_capacitance_f.u + 1e-15);
        quiet(&r);
        tw_revealed_dispose(&r);
    }
}

static void a_loose_capacitor_gives_way_to_the_rail(void **state) {
    fixture *f = *state;
    tw_prior prior = tw_test_prior(&f->rig);
    prior.rail_v.u = 0.5;
    prior.capacitance_f = (tw_value){f->rig.stage.capacitance_f * 1.03, f->rig.stage.capacitance_f * 0.05 / sqrt(3)};
    tw_revealed r;
    read_record(f, NULL, &prior, 0.01, &r);
    assert_true(r.tank_capacitance_f.u < 0.005 * f->rig.stage.capacitance_f);
    quiet(&r);
    tw_revealed_dispose(&r);
}

/* A probe set to x10 where the rig says x1: which channel, with which two values known. */
static double spoil_current = 1, spoil_voltage = 1;
static void wrong_probe(tw_test_record *record) {
    for (size_t k = 0; k < record->record.samples; k++) {
        record->current_v[k] *= spoil_current;
        record->voltage_v[k] *= spoil_voltage;
    }
}

static void a_wrong_probe_factor_is_named(void **state) {
    fixture *f = *state;
    static const struct {
        bool rail, c, gain;
        double current, voltage;
        const char *code;
        const char *part;
    } CASES[] = {
        {true, true, false, 0.1, 1, "inconsistent_current_scale", "current channel's probe factor"},
        {true, true, false, 10, 1, "inconsistent_current_scale", "current channel's probe factor"},
        {true, false, true, 1, 0.1, "inconsistent_voltage_scale", "voltage channel's probe factor"},
        {true, false, true, 1, 10, "inconsistent_voltage_scale", "voltage channel's probe factor"},
        {true, true, true, 0.1, 1, "inconsistent_current_scale", "current channel's probe factor"},
        {true, true, true, 1, 10, "inconsistent_voltage_scale", "voltage channel's probe factor"},
        {false, true, true, 10, 1, "inconsistent_priors", "probe factors"},
        {false, true, true, 1, 10, "inconsistent_priors", "probe factors"},
    };
    for (size_t k = 0; k < sizeof CASES / sizeof CASES[0]; k++) {
        tw_prior prior = tw_test_prior(&f->rig);
        const double c = f->rig.stage.capacitance_f, g = f->rig.loop_gain;
        prior.rail_v = CASES[k].rail ? (tw_value){318, 3} : tw_unknown();
        prior.capacitance_f = CASES[k].c ? (tw_value){c, 0.03 * c} : tw_unknown();
        prior.loop_gain = CASES[k].gain ? (tw_value){g, 0.02 * g} : tw_unknown();
        spoil_current = CASES[k].current;
        spoil_voltage = CASES[k].voltage;
        tw_revealed r;
        read_record(f, wrong_probe, &prior, 0, &r);
        assert_true(has(&r, CASES[k].code));
        const char *text = message_of(&r, CASES[k].code);
        if (strstr(text, "by 10") == NULL || strstr(text, CASES[k].part) == NULL) {
            fail_msg("case %zu: %s", k, text);
        }
        /* which way: a channel that shows ten times too much is not said to show a tenth */
        double factor = 0;
        const char *number = strstr(text, "the record says ");
        if (number != NULL && CASES[k].current != 1) {
            assert_int_equal(sscanf(number, "the record says %lf times the current", &factor), 1);
            assert_close(factor, CASES[k].current, 0.05, 0);
        }
        /* the innocent channel is not accused */
        assert_false(CASES[k].current == 1 && tw_warnings_has(&r.warnings, "inconsistent_current_scale"));
        assert_false(CASES[k].voltage == 1 && tw_warnings_has(&r.warnings, "inconsistent_voltage_scale"));
        tw_revealed_dispose(&r);
    }
}

static void a_conducting_clamp_is_told(void **state) {
    fixture *f = *state;
    f->rig.transformer.clamp_onset_v = 0.5;
    tw_revealed r;
    read_record(f, NULL, NULL, 0, &r);
    assert_true(has(&r, "clamp_conducting"));
    tw_revealed_dispose(&r);
    /* cut so deep that nothing can be calibrated: the clamp is named, no other cause */
    f->rig.transformer.clamp_onset_v = 0.3;
    tw_test_record record;
    const tw_prior prior = tw_test_prior(&f->rig);
    tw_test_record_make(f->ctx, &f->rig, &record);
    assert_int_equal(tw_reveal(f->ctx, &record.record, &prior, &r), TW_BAD_DATA);
    assert_non_null(strstr(tw_ctx_error(f->ctx)->message, "beyond the 0.3 V where its clamp conducts"));
    tw_ctx_clear_error(f->ctx);
    tw_test_record_dispose(&record);
    f->rig.transformer.clamp_onset_v = 5.0;
    read_record(f, NULL, NULL, 0.01, &r);
    quiet(&r);
    tw_revealed_dispose(&r);
}

/* No pan, far above resonance: the coil voltage is nearly the midpoint's, the current a triangle. */
static void take_the_pan_off(tw_test_rig *rig, double capacitance_f) {
    rig->stage.load = tw_load_coupled(90e-6, 0.12, 0, 5);
    rig->stage.frequency_hz = 120e3;
    rig->stage.capacitance_f = capacitance_f;
    rig->stage.dead_time_s = 0.9e-6;
    rig->interval_s = 5e-9;
}

static void no_pan_far_above_resonance(void **state) {
    fixture *f = *state;
    take_the_pan_off(&f->rig, 3.3e-6);
    tw_revealed r;
    read_record(f, NULL, NULL, 0, &r);
    quiet(&r);
    assert_close(r.tank_capacitance_f.value, 3.3e-6, 0, 3 * r.tank_capacitance_f.u);
    assert_in_range((long)(r.tank_capacitance_f.u * 1e9), 50, 600); /* it says itself that it is weak */
    assert_close(r.equivalent_inductance_h.value, 90e-6, 2e-3, 0);
    assert_close(r.equivalent_resistance_ohm.value, 0.12, 0, 3 * r.equivalent_resistance_ohm.u);
    assert_close(r.coil_phase_lag_rad.value, TW_PI / 2, 0, 0.01);
    assert_close(r.channel_skew_s.value, 0, 0, 3 * r.channel_skew_s.u);
    assert_true(r.channel_skew_s.u < 3e-9);
    tw_revealed_dispose(&r);
}

static void a_lost_capacitor_voltage_leaves_the_rest(void **state) {
    fixture *f = *state;
    take_the_pan_off(&f->rig, 33e-6);
    for (int known = 0; known < 3; known++) {
        tw_prior prior = tw_test_prior(&f->rig);
        if (known == 1) {
            prior.rail_v = tw_unknown();
            prior.loop_gain = tw_exactly(f->rig.loop_gain);
        } else if (known == 2) {
            prior.capacitance_f = (tw_value){33e-6, 1e-6};
        }
        tw_revealed r;
        read_record(f, NULL, &prior, 0, &r);
        assert_true(has(&r, "capacitor_voltage_lost"));
        assert_int_equal(r.warnings.count, 1);
        assert_true(tw_is_known(r.tank_capacitance_f) == (known == 2));
        assert_true(tw_is_known(r.resonant_frequency_hz) == (known == 2));
        assert_close(r.rail_v.value, 318, 0, 3 * r.rail_v.u + 0.01);
        assert_close(r.equivalent_inductance_h.value, 90e-6, 3e-3, 0);
        assert_close(r.equivalent_resistance_ohm.value, 0.12, 0, 3 * r.equivalent_resistance_ohm.u);
        assert_int_equal(r.commutation, TW_COMMUTATION_PARTIAL_ZVS);
        tw_revealed_dispose(&r);
    }
    tw_prior prior = tw_test_prior(&f->rig);
    prior.rail_v = tw_unknown();
    prior.capacitance_f = (tw_value){33e-6, 1e-6};
    tw_test_record record;
    tw_test_record_make(f->ctx, &f->rig, &record);
    tw_revealed r;
    assert_int_equal(tw_reveal(f->ctx, &record.record, &prior, &r), TW_NEEDS_OPTION);
    assert_non_null(strstr(tw_ctx_error(f->ctx)->message, "lost in the noise"));
    tw_test_record_dispose(&record);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(gaps_are_bridged, make, drop),
        cmocka_unit_test_setup_teardown(over_range_is_clipping, make, drop),
        cmocka_unit_test_setup_teardown(clipped_channels_are_told, make, drop),
        cmocka_unit_test_setup_teardown(few_cycles, make, drop),
        cmocka_unit_test_setup_teardown(few_samples_per_swing, make, drop),
        cmocka_unit_test_setup_teardown(frequency_beside_the_sampling, make, drop),
        cmocka_unit_test_setup_teardown(recorders_of_more_bits, make, drop),
        cmocka_unit_test_setup_teardown(a_reversed_pick_up_is_turned, make, drop),
        cmocka_unit_test_setup_teardown(offsets_do_not_matter, make, drop),
        cmocka_unit_test_setup_teardown(separate_time_columns, make, drop),
        cmocka_unit_test_setup_teardown(known_and_unknown_skew, make, drop),
        cmocka_unit_test_setup_teardown(the_top_of_a_mains_envelope_is_read, make, drop),
        cmocka_unit_test_setup_teardown(any_one_known_value_calibrates, make, drop),
        cmocka_unit_test_setup_teardown(a_loose_capacitor_gives_way_to_the_rail, make, drop),
        cmocka_unit_test_setup_teardown(a_wrong_probe_factor_is_named, make, drop),
        cmocka_unit_test_setup_teardown(a_conducting_clamp_is_told, make, drop),
        cmocka_unit_test_setup_teardown(no_pan_far_above_resonance, make, drop),
        cmocka_unit_test_setup_teardown(a_lost_capacitor_voltage_leaves_the_rest, make, drop),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

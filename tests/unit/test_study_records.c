/* Rehearsed records, and their way back through capture and analyse. */
#include "testing.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "study_internal.h"

static int make_context(void **state) {
    *state = tw_ctx_create();
    return *state == NULL;
}

static int drop_context(void **state) {
    tw_ctx_destroy(*state);
    return 0;
}

static const char PLATE[] =
    "supply: {kind: mains, voltage: 231 V}\n"
    "bridge: {frequency: 26.3 kHz, dead_time: 1.7 us, snubber_capacitance: 9.1 nF}\n"
    "tank: {capacitance: 664 nF ± 5 %}\n"
    "coil: {inductance: 91 uH, resistance: 118 mohm}\n"
    "pan: {kind: coupled, coupling: 0.66, resistance: 5.2 ohm}\n"
    "pickups:\n"
    "  current: {kind: transformer, turns: 147, burden: 2.2 ohm ± 1 %, magnetizing_inductance: 21 mH,\n"
    "    winding_resistance: 1.3 ohm}\n"
    "  voltage: {kind: loop, gain: unknown}\n"
    "recorder: {bits: 8, rail_voltage: 317 V ± 2 %}\n";

static tw_rig rig_with(tw_ctx *ctx, const char *const *overrides, size_t n) {
    tw_rig rig;
    assert_ok(tw_rig_parse(ctx, "plate.yaml", PLATE, strlen(PLATE), overrides, n, &rig), ctx);
    return rig;
}

static tw_rehearsal rehearse(tw_ctx *ctx, const char *override, const tw_rehearse_opts *opts) {
    const tw_rig rig = rig_with(ctx, &override, override != NULL);
    tw_rehearsal out;
    assert_ok(tw_study_rehearse(ctx, &rig, opts, &out), ctx);
    return out;
}

static void equal_seeds_give_equal_records(void **state) {
    tw_rehearse_opts opts = tw_rehearse_opts_default();
    tw_rehearsal a = rehearse(*state, NULL, &opts), b = rehearse(*state, NULL, &opts);
    opts.seed = 2;
    tw_rehearsal c = rehearse(*state, NULL, &opts);
    assert_int_equal(a.samples, b.samples);
    assert_memory_equal(a.current_v, b.current_v, a.samples * sizeof(double));
    assert_memory_equal(a.voltage_v, b.voltage_v, a.samples * sizeof(double));
    assert_true(memcmp(a.current_v, c.current_v, a.samples * sizeof(double)) != 0);
    tw_rehearsal_dispose(&a);
    tw_rehearsal_dispose(&b);
    tw_rehearsal_dispose(&c);
}

/* What stands in the voltage channel at t + skew happened at t. */
static void skew_delays_the_voltage_only(void **state) {
    tw_rehearse_opts opts = tw_rehearse_opts_default();
    opts.interval_s = 25e-9;
    opts.samples = 4001;
    tw_rehearsal plain = rehearse(*state, "recorder.noise=0", &opts);
    opts.skew_s = 11 * 25e-9;
    tw_rehearsal late = rehearse(*state, "recorder.noise=0", &opts);
    assert_memory_equal(plain.current_v, late.current_v, plain.samples * sizeof(double));
    size_t equal = 0;
    for (size_t k = 11; k < plain.samples; k++) {
        equal += fabs(late.voltage_v[k] - plain.voltage_v[k - 11]) < 1e-9;
    }
    /* rounding moves an instant across a code's edge now and then */
    assert_true(equal > plain.samples - 11 - 8);
    assert_close(plain.interval_s, 25e-9, 1e-15, 0.0);
    tw_rehearsal_dispose(&plain);
    tw_rehearsal_dispose(&late);
}

static void probe_factor_and_polarity_reach_the_record(void **state) {
    static const char *const changed[] = {"recorder.noise=0", "recorder.channels.current.probe_factor=10",
                                          "pickups.voltage.reversed=true", "recorder.bits=14"};
    static const char *const plain[] = {"recorder.noise=0", "recorder.bits=14"};
    tw_rig rig = rig_with(*state, plain, 2);
    tw_rehearsal a, b;
    assert_ok(tw_study_rehearse(*state, &rig, NULL, &a), *state);
    rig = rig_with(*state, changed, 4);
    assert_ok(tw_study_rehearse(*state, &rig, NULL, &b), *state);
    const double step = 1.0001 / 16383.0; /* of the full range: two roundings of half a code */
    assert_close(b.current_peak_v, a.current_peak_v / 10.0, 1e-12, 0.0);
    assert_close(b.voltage_peak_v, a.voltage_peak_v, 1e-12, 0.0);
    for (size_t k = 0; k < a.samples; k += 7) {
        assert_close(b.current_v[k] * 10.0, a.current_v[k], 0.0, step * (a.current_range_v + 10.0 * b.current_range_v));
        assert_close(b.voltage_v[k], -a.voltage_v[k], 0.0, step * a.voltage_range_v);
    }
    tw_rehearsal_dispose(&a);
    tw_rehearsal_dispose(&b);
}

/* Burden over turns is the transformer's scale in mid band (common practice, no source); the droop takes 0.1 % here. */
static void peaks_and_ranges_fit_the_forecast(void **state) {
    const tw_rig rig = rig_with(*state, NULL, 0);
    tw_reading forecast;
    tw_rehearsal r;
    assert_ok(tw_study_forecast(*state, &rig, &forecast), *state);
    assert_ok(tw_study_rehearse(*state, &rig, NULL, &r), *state);
    const double peak_a = tw_reading_field(&forecast, "coil_current_peak")->value.value;
    const double swing_s = tw_reading_field(&forecast, "swing_time")->value.value;
    assert_close(r.current_peak_v, peak_a * 2.2 / 147.0, 5e-3, 0.0);
    assert_true(r.current_range_v >= 2.2 * r.current_peak_v && r.current_range_v <= 5.5 * r.current_peak_v);
    assert_true(swing_s / r.interval_s >= 25.0 && swing_s / r.interval_s < 63.0);
    assert_close(r.interval_s * (double)r.samples, 12.0 / 26.3e3, 1e-3, 0.0);
    assert_close(r.sweep_s, 500e-6, 1e-12, 0.0);
    assert_int_equal(r.current_clipped + r.voltage_clipped, 0);
    assert_true(tw_warnings_has(&r.warnings, "assumed_loop_gain"));
    tw_rehearsal_dispose(&r);
    tw_reading_dispose(&forecast);
}

static void options_that_contradict_are_refused(void **state) {
    const tw_rig rig = rig_with(*state, NULL, 0);
    tw_rehearse_opts opts = tw_rehearse_opts_default();
    tw_rehearsal out = {.samples = 77};
    opts.interval_s = 0.0;
    assert_int_equal(tw_study_rehearse(*state, &rig, &opts, &out), TW_OUT_OF_RANGE);
    tw_ctx_clear_error(*state);
    opts.interval_s = 20e-9;
    opts.duration_s = 1e-3;
    opts.samples = 100;
    assert_int_equal(tw_study_rehearse(*state, &rig, &opts, &out), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(*state);
    opts.samples = 0;
    opts.duration_s = 1e3;
    assert_int_equal(tw_study_rehearse(*state, &rig, &opts, &out), TW_OUT_OF_RANGE);
    assert_int_equal(out.samples, 77);
}

static void clamp_and_coarse_sampling_are_warned_of(void **state) {
    tw_rehearse_opts opts = tw_rehearse_opts_default();
    opts.interval_s = 200e-9;
    opts.samples = 200;
    tw_rehearsal r = rehearse(*state, "pickups.current.clamp_onset=0.3 V", &opts);
    assert_true(tw_warnings_has(&r.warnings, "clamp_conducting"));
    assert_true(tw_warnings_has(&r.warnings, "few_samples_per_swing"));
    assert_true(tw_warnings_has(&r.warnings, "few_cycles"));
    tw_rehearsal_dispose(&r);
}

/* A rehearsed record as a file; `current_factor` and the two units as a header would give them. */
static void write_record(tw_ctx *ctx, const tw_rehearsal *r, const char *units[2], double current_factor, char *path) {
    tw_text text;
    tw_text_init(ctx, &text, 64 << 20);
    tw_text_addf(&text, "time (s),current (%s),voltage (%s)\n", units[0], units[1]);
    for (size_t k = 0; k < r->samples; k++) {
        tw_text_addf(&text, "%.9e,%.9e,%.9e\n", r->interval_s * (double)k, current_factor * r->current_v[k],
                     r->voltage_v[k]);
    }
    assert_int_equal(text.status, TW_OK);
    const int file = mkstemp(path);
    assert_true(file >= 0);
    (void)close(file);
    assert_ok(tw_write_file(ctx, path, text.data, text.length), ctx);
    tw_text_dispose(&text);
}

static tw_status analyse(tw_ctx *ctx, const tw_rig *rig, const char *path, tw_reading *out) {
    return tw_study_analyse(ctx, rig, &path, 1, NULL, out);
}

static double value_of(const tw_reading *reading, const char *key) {
    const tw_field *field = tw_reading_field(reading, key);
    return field != NULL ? field->value.value : (double)NAN;
}

/* The numbers: power and R within 1 %, L and C within 0.5 %, margin within 50 ns. */
static void analysis_meets_the_forecast(void **state) {
    static const char *units[] = {"V", "V"};
    const tw_rig rig = rig_with(*state, NULL, 0);
    char path[] = "test_study_XXXXXX";
    tw_reading forecast, measured;
    tw_rehearsal r;
    assert_ok(tw_study_forecast(*state, &rig, &forecast), *state);
    assert_ok(tw_study_rehearse(*state, &rig, NULL, &r), *state);
    write_record(*state, &r, units, 1.0, path);
    assert_ok(analyse(*state, &rig, path, &measured), *state);
    (void)unlink(path);
    static const struct {
        const char *key;
        double rel, abs;
    } wanted[] = {{"switching_frequency", 1e-4, 0.0},   {"real_power", 1e-2, 0.0},
                  {"equivalent_resistance", 1e-2, 0.0}, {"equivalent_inductance", 5e-3, 0.0},
                  {"tank_capacitance", 5e-3, 0.0},      {"zero_crossing_margin", 0.0, 50e-9},
                  {"coil_current_rms", 5e-3, 0.0},      {"turn_off_current", 2e-2, 0.0}};
    for (size_t k = 0; k < sizeof wanted / sizeof wanted[0]; k++) {
        assert_close(value_of(&measured, wanted[k].key), value_of(&forecast, wanted[k].key), wanted[k].rel,
                     wanted[k].abs);
    }
    static const char *const devices[] = {"high_transistor_current_average", "low_transistor_current_rms",
                                          "high_diode_current_average", "low_diode_current_rms"};
    for (size_t k = 0; k < sizeof devices / sizeof devices[0]; k++) {
        assert_close(value_of(&measured, devices[k]), value_of(&forecast, devices[k]), 2e-2, 0.0);
    }
    assert_close(value_of(&measured, "loop_gain"), 1.0 / 50.0, 1e-2, 0.0);
    assert_int_equal(measured.commutation, forecast.commutation);
    assert_int_equal(measured.n_record, r.samples);
    assert_true(tw_reading_field(&measured, "real_power")->value.u > 0.0);
    tw_rehearsal_dispose(&r);
    tw_reading_dispose(&forecast);
    tw_reading_dispose(&measured);
}

/* The recorder that scales by itself: 147 turns over 2.2 ohm. */
static void amperes_read_like_volts(void **state) {
    static const char *units[2][2] = {{"V", "V"}, {"A", "V"}};
    const tw_rig rig = rig_with(*state, NULL, 0);
    tw_reading reading[2];
    tw_rehearsal r;
    assert_ok(tw_study_rehearse(*state, &rig, NULL, &r), *state);
    for (int k = 0; k < 2; k++) {
        char path[] = "test_study_XXXXXX";
        write_record(*state, &r, units[k], k == 0 ? 1.0 : 147.0 / 2.2, path);
        assert_ok(analyse(*state, &rig, path, &reading[k]), *state);
        (void)unlink(path);
    }
    assert_close(value_of(&reading[1], "coil_current_rms"), value_of(&reading[0], "coil_current_rms"), 1e-6, 0.0);
    assert_true(tw_warnings_has(&reading[1].warnings, "current_in_amperes"));
    assert_false(tw_warnings_has(&reading[0].warnings, "current_in_amperes"));
    tw_reading_dispose(&reading[0]);
    tw_reading_dispose(&reading[1]);
    tw_rehearsal_dispose(&r);
}

static void channels_must_exist_and_be_pickups(void **state) {
    static const char *units[] = {"V", "A"};
    static const char *const cases[] = {"recorder.channels.current=3", "recorder.channels.voltage=0", NULL};
    char path[] = "test_study_XXXXXX";
    tw_rehearse_opts opts = tw_rehearse_opts_default();
    opts.samples = 4000;
    tw_rehearsal r = rehearse(*state, NULL, &opts);
    write_record(*state, &r, units, 1.0, path);
    for (size_t k = 0; k < sizeof cases / sizeof cases[0]; k++) {
        const tw_rig rig = rig_with(*state, &cases[k], cases[k] != NULL);
        tw_reading out = {.n_points = 5};
        assert_int_not_equal(analyse(*state, &rig, path, &out), TW_OK);
        assert_true(strstr(tw_ctx_error(*state)->key, "recorder.channels.") != NULL);
        assert_int_equal(out.n_points, 0);
        tw_reading_dispose(&out);
        tw_ctx_clear_error(*state);
    }
    (void)unlink(path);
    tw_rehearsal_dispose(&r);
}

static void failing_allocations_leave_nothing_behind(void **state) {
    const tw_rig rig = rig_with(*state, NULL, 0);
    tw_rehearse_opts opts = tw_rehearse_opts_default();
    opts.samples = 300;
    tw_status status = TW_NO_MEMORY;
    for (size_t n = 1; status != TW_OK; n++) {
        tw_rehearsal r;
        assert_true(n < 10000);
        tw_ctx_fail_allocation(*state, n);
        status = tw_study_rehearse(*state, &rig, &opts, &r);
        tw_ctx_fail_allocation(*state, 0);
        if (status == TW_OK) {
            tw_rehearsal_dispose(&r);
        } else {
            assert_int_equal(status, TW_NO_MEMORY);
            tw_ctx_clear_error(*state);
        }
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(equal_seeds_give_equal_records, make_context, drop_context),
        cmocka_unit_test_setup_teardown(skew_delays_the_voltage_only, make_context, drop_context),
        cmocka_unit_test_setup_teardown(probe_factor_and_polarity_reach_the_record, make_context, drop_context),
        cmocka_unit_test_setup_teardown(peaks_and_ranges_fit_the_forecast, make_context, drop_context),
        cmocka_unit_test_setup_teardown(options_that_contradict_are_refused, make_context, drop_context),
        cmocka_unit_test_setup_teardown(clamp_and_coarse_sampling_are_warned_of, make_context, drop_context),
        cmocka_unit_test_setup_teardown(analysis_meets_the_forecast, make_context, drop_context),
        cmocka_unit_test_setup_teardown(amperes_read_like_volts, make_context, drop_context),
        cmocka_unit_test_setup_teardown(channels_must_exist_and_be_pickups, make_context, drop_context),
        cmocka_unit_test_setup_teardown(failing_allocations_leave_nothing_behind, make_context, drop_context),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

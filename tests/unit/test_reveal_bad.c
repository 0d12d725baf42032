/* Records and beliefs that cannot be read: a named error, the output untouched, never a crash or a nonsense number. */
#include "reveal_records.h"

#include <math.h>
#include <string.h>

typedef struct fixture {
    tw_ctx *ctx;
    tw_test_rig rig;
    tw_test_record good;
    tw_prior prior;
} fixture;

static int make(void **state) {
    static fixture f;
    f.ctx = tw_ctx_create();
    f.rig = tw_test_rig_default();
    f.rig.interval_s = 21e-9;
    f.rig.cycles = 6.2;
    tw_test_record_make(f.ctx, &f.rig, &f.good);
    f.prior = tw_test_prior(&f.rig);
    *state = &f;
    return 0;
}

static int drop(void **state) {
    fixture *f = *state;
    tw_test_record_dispose(&f->good);
    tw_ctx_destroy(f->ctx);
    return 0;
}

/* Expects the status and a message that holds `part`; `out` must stay as it was. */
static void refuse(fixture *f, const tw_record *record, const tw_prior *prior, tw_status status, const char *part) {
    tw_revealed out, before;
    memset(&out, 0x5a, sizeof out);
    memset(&before, 0x5a, sizeof before);
    const tw_status got = tw_reveal(f->ctx, record, prior, &out);
    const tw_error *const error = tw_ctx_error(f->ctx);
    if (got != status || strstr(error->message, part) == NULL) {
        print_error("wanted %s with \"%s\", got %s with \"%s\"\n", tw_status_text(status), part, tw_status_text(got),
                    error->message);
    }
    assert_int_equal(got, status);
    assert_int_equal(error->status, status);
    assert_string_equal(error->room, "reveal");
    assert_non_null(strstr(error->message, part));
    assert_memory_equal(&out, &before, sizeof out);
    tw_ctx_clear_error(f->ctx);
}

/* A record of its own, filled by a function of time for each channel. */
typedef double waveform(double t_s, tw_random *r);

static void refuse_waves(fixture *f, waveform *current, waveform *voltage, size_t n, double interval_s,
                         tw_status status, const char *part) {
    double *i = tw_alloc(f->ctx, n, sizeof *i), *v = tw_alloc(f->ctx, n, sizeof *v);
    assert_true(i != NULL && v != NULL);
    tw_random r = {3};
    for (size_t k = 0; k < n; k++) {
        i[k] = current((double)k * interval_s, &r);
        v[k] = voltage((double)k * interval_s, &r);
    }
    const tw_record record = {.samples = n, .interval_s = interval_s, .current_v = i, .voltage_v = v};
    refuse(f, &record, &f->prior, status, part);
    tw_free(i);
    tw_free(v);
}

static double constant(double t, tw_random *r) {
    (void)t;
    (void)r;
    return 0.137;
}

static double missing(double t, tw_random *r) {
    (void)t;
    (void)r;
    return NAN;
}

static double over_range(double t, tw_random *r) {
    return sin(2 * TW_PI * 26.3e3 * t) > 0 ? INFINITY : -INFINITY + 0 * tw_random_uniform(r, 0, 1);
}

static double sine(double t, tw_random *r) {
    return 0.61 * sin(2 * TW_PI * 26.3e3 * t + 0.4) + 0.004 * tw_random_normal(r);
}

static double later_sine(double t, tw_random *r) {
    return 3.1 * sin(2 * TW_PI * 26.3e3 * t + 1.7) + 0.02 * tw_random_normal(r);
}

static double other_sine(double t, tw_random *r) {
    return 3.1 * sin(2 * TW_PI * 31.7e3 * t + 1.7) + 0.02 * tw_random_normal(r);
}

static double noise(double t, tw_random *r) {
    (void)t;
    return tw_random_normal(r);
}

static double triangle(double t, tw_random *r) {
    const double phase = 26.3e3 * t + 0.21, x = phase - floor(phase);
    return 0.7 * (x < 0.5 ? 4 * x - 1 : 3 - 4 * x) + 0.003 * tw_random_normal(r);
}

static void channels_without_a_signal(void **state) {
    fixture *f = *state;
    refuse_waves(f, constant, sine, 4000, 1e-7, TW_BAD_DATA, "current channel is constant at 0.137 V");
    refuse_waves(f, sine, constant, 4000, 1e-7, TW_BAD_DATA, "voltage channel is constant at 0.137 V");
    refuse_waves(f, missing, sine, 4000, 1e-7, TW_BAD_DATA, "current channel has only 0 usable samples of 4000");
    refuse_waves(f, sine, missing, 4000, 1e-7, TW_BAD_DATA, "voltage channel has only 0 usable samples of 4000");
    refuse_waves(f, over_range, sine, 4000, 1e-7, TW_BAD_DATA, "current channel has only 0 usable");
}

static void records_without_switching(void **state) {
    fixture *f = *state;
    refuse_waves(f, sine, later_sine, 9000, 5e-8, TW_BAD_DATA, "no switching found");
    refuse_waves(f, sine, other_sine, 9000, 5e-8, TW_BAD_DATA, "");
    refuse_waves(f, noise, noise, 9000, 5e-8, TW_BAD_DATA, "");
    refuse_waves(f, sine, noise, 9000, 5e-8, TW_BAD_DATA, "no switching found");
    refuse_waves(f, triangle, later_sine, 9000, 5e-8, TW_BAD_DATA, "no switching found");
    refuse_waves(f, triangle, triangle, 9000, 5e-8, TW_BAD_DATA, "no switching found");
}

static void records_that_are_too_short_or_too_coarse(void **state) {
    fixture *f = *state;
    tw_record record = f->good.record;
    record.samples = 0;
    record.current_v = record.voltage_v = NULL;
    refuse(f, &record, &f->prior, TW_BAD_DATA, "only 0 samples");
    record = f->good.record;
    record.samples = 31;
    refuse(f, &record, &f->prior, TW_BAD_DATA, "only 31 samples");
    record.samples = (size_t)(0.93 / f->rig.stage.frequency_hz / record.interval_s);
    refuse(f, &record, &f->prior, TW_BAD_DATA, "less than one");
    record.samples = (size_t)(0.4 / f->rig.stage.frequency_hz / record.interval_s);
    refuse(f, &record, &f->prior, TW_BAD_DATA, "");
    refuse_waves(f, sine, later_sine, 300, 0.31 / 26.3e3, TW_BAD_DATA, "fewer than four samples per cycle");
}

static void record_fields_out_of_range(void **state) {
    fixture *f = *state;
    static const double BAD_INTERVAL[] = {0, -1e-8, (double)NAN, (double)INFINITY};
    for (size_t k = 0; k < 4; k++) {
        tw_record record = f->good.record;
        record.interval_s = BAD_INTERVAL[k];
        refuse(f, &record, &f->prior, TW_BAD_ARGUMENT, "sample interval");
    }
    static const double BAD_TIME[] = {(double)NAN, (double)INFINITY, -(double)INFINITY};
    for (size_t k = 0; k < 3; k++) {
        tw_record record = f->good.record;
        record.start_s = BAD_TIME[k];
        refuse(f, &record, &f->prior, TW_BAD_ARGUMENT, "start");
        record = f->good.record;
        record.voltage_offset_s = BAD_TIME[k];
        refuse(f, &record, &f->prior, TW_BAD_ARGUMENT, "offset");
    }
    tw_record record = f->good.record;
    record.voltage_offset_s = 1.0; /* longer than the record */
    refuse(f, &record, &f->prior, TW_BAD_ARGUMENT, "offset");
    record = f->good.record;
    record.current_v = NULL;
    refuse(f, &record, &f->prior, TW_BAD_ARGUMENT, "current");
    record = f->good.record;
    record.voltage_v = NULL;
    refuse(f, &record, &f->prior, TW_BAD_ARGUMENT, "voltage");
}

static void nothing_known_needs_an_option(void **state) {
    fixture *f = *state;
    tw_prior prior = f->prior;
    prior.rail_v = prior.capacitance_f = prior.loop_gain = tw_unknown();
    refuse(f, &f->good.record, &prior, TW_NEEDS_OPTION, "rail voltage, tank capacitance and loop gain");
}

/* Every belief in turn set to an impossible value: refused by name. */
static void beliefs_out_of_range(void **state) {
    fixture *f = *state;
    enum { UNKNOWN_ALLOWED = 1, ZERO_ALLOWED = 2, NEGATIVE_ALLOWED = 4, INFINITE_ALLOWED = 8 };
    tw_prior p;
    const struct {
        tw_value *field;
        const char *name;
        int allowed;
    } fields[] = {
        {&p.turns, "turns", 0},
        {&p.burden_ohm, "burden", 0},
        {&p.magnetizing_inductance_h, "magnetizing", UNKNOWN_ALLOWED | INFINITE_ALLOWED},
        {&p.winding_resistance_ohm, "winding", UNKNOWN_ALLOWED | ZERO_ALLOWED},
        {&p.loop_gain, "loop gain", UNKNOWN_ALLOWED | NEGATIVE_ALLOWED},
        {&p.rail_v, "rail", UNKNOWN_ALLOWED},
        {&p.capacitance_f, "capacitance", UNKNOWN_ALLOWED},
        {&p.esr_ohm, "series resistance", UNKNOWN_ALLOWED | ZERO_ALLOWED},
        {&p.skew_s, "skew", UNKNOWN_ALLOWED | ZERO_ALLOWED | NEGATIVE_ALLOWED},
        {&p.transistor_threshold_v, "transistor", UNKNOWN_ALLOWED | ZERO_ALLOWED},
        {&p.transistor_slope_ohm, "transistor", UNKNOWN_ALLOWED | ZERO_ALLOWED},
        {&p.diode_threshold_v, "diode", UNKNOWN_ALLOWED | ZERO_ALLOWED},
        {&p.diode_slope_ohm, "diode", UNKNOWN_ALLOWED | ZERO_ALLOWED},
        {&p.midpoint_capacitance_f, "midpoint capacitance", UNKNOWN_ALLOWED | ZERO_ALLOWED},
    };
    for (size_t k = 0; k < sizeof fields / sizeof fields[0]; k++) {
        const int allowed = fields[k].allowed;
        const struct {
            tw_value value;
            bool fine;
        } tries[] = {
            {tw_unknown(), (allowed & UNKNOWN_ALLOWED) != 0},
            {tw_exactly(0), (allowed & ZERO_ALLOWED) != 0},
            {tw_exactly(-1e-9), (allowed & NEGATIVE_ALLOWED) != 0},
            {tw_exactly(INFINITY), (allowed & INFINITE_ALLOWED) != 0},
            {tw_exactly(-INFINITY), false},
            {{1e-9, NAN}, false},
            {{1e-9, -1e-12}, false},
            {{1e-9, INFINITY}, false},
        };
        for (size_t j = 0; j < sizeof tries / sizeof tries[0]; j++) {
            p = f->prior;
            *fields[k].field = tries[j].value;
            if (!tries[j].fine) {
                refuse(f, &f->good.record, &p, TW_BAD_ARGUMENT, fields[k].name);
                continue;
            }
            tw_revealed out;
            const tw_status status = tw_reveal(f->ctx, &f->good.record, &p, &out);
            if (status == TW_OK) {
                tw_revealed_dispose(&out);
            } else { /* unknown rail: nothing else is known here */
                assert_true(status == TW_NEEDS_OPTION || status == TW_BAD_DATA || status == TW_NO_CONVERGENCE);
                assert_true(tw_ctx_error(f->ctx)->message[0] != '\0');
                tw_ctx_clear_error(f->ctx);
            }
        }
    }
    p = f->prior;
    p.clamp_onset_v = -1;
    refuse(f, &f->good.record, &p, TW_BAD_ARGUMENT, "clamp");
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(channels_without_a_signal, make, drop),
        cmocka_unit_test_setup_teardown(records_without_switching, make, drop),
        cmocka_unit_test_setup_teardown(records_that_are_too_short_or_too_coarse, make, drop),
        cmocka_unit_test_setup_teardown(record_fields_out_of_range, make, drop),
        cmocka_unit_test_setup_teardown(nothing_known_needs_an_option, make, drop),
        cmocka_unit_test_setup_teardown(beliefs_out_of_range, make, drop),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

/* Reconstructed waveforms against the engine's exact ones, sample by sample; fold, cycles and energies agree. */
#include "reveal_records.h"

#include <math.h>

typedef struct fixture {
    tw_ctx *ctx;
    tw_test_rig rig;
    tw_test_record record;
    tw_revealed r;
} fixture;

static void read_rig(fixture *f, int bits, double noise) {
    f->ctx = tw_ctx_create();
    f->rig = tw_test_rig_default();
    f->rig.interval_s = 11e-9;
    f->rig.skew_s = 21e-9;
    f->rig.bits = bits;
    f->rig.noise = noise;
    tw_test_record_make(f->ctx, &f->rig, &f->record);
    f->record.record.start_s = -3e-5;
    const tw_prior prior = tw_test_prior(&f->rig);
    assert_ok(tw_reveal(f->ctx, &f->record.record, &prior, &f->r), f->ctx);
}

static void finish(fixture *f) {
    tw_revealed_dispose(&f->r);
    tw_test_record_dispose(&f->record);
    tw_ctx_destroy(f->ctx);
}

typedef struct misfit {
    double rms, away; /* rms difference; share of samples that are off by more than six times `noise` */
} misfit;

/* Samples within `skip_s` of an edge of the bridge are left out: there a ns of skew is volts. */
static misfit compare(const fixture *f, tw_signal signal, const double *got, double noise, double skip_s) {
    const double period = 1 / f->rig.stage.frequency_hz;
    const tw_operating_point *p = tw_steady_point(f->record.steady);
    double sum = 0;
    size_t n = 0, away = 0;
    for (size_t k = 0; k < f->r.samples; k++) {
        /* the record's own clock is the voltage channel's, which lags by the skew */
        const double t =
            f->rig.start_phase * period + (f->r.start_s - f->record.record.start_s) + (double)k * f->r.interval_s;
        double want;
        tw_steady_sample(f->record.steady, signal, &t, 1, &want);
        const double phase = t - period * floor(t / period);
        double distance = INFINITY;
        const double edges[4] = {p->falling.turn_off_s, p->falling.swing_end_s, p->rising.turn_off_s,
                                 p->rising.swing_end_s};
        for (int e = 0; e < 4; e++) {
            const double d = fabs(phase - edges[e]);
            distance = fmin(distance, fmin(d, fabs(d - period)));
        }
        if (distance > skip_s) {
            sum += (got[k] - want) * (got[k] - want);
            away += fabs(got[k] - want) > 6 * noise ? 1 : 0;
            n++;
        }
    }
    return (misfit){sqrt(sum / (double)n), (double)away / (double)n};
}

/* Noise of one sample after the recorder: its own and a code's (uniform). */
static double sample_noise(const fixture *f, double peak) {
    const double span = 2 * f->rig.span * peak;
    return span * hypot(f->rig.noise, 1 / sqrt(12.0) / pow(2, f->rig.bits));
}

static void check_waves(const fixture *f) {
    const tw_operating_point *p = tw_steady_point(f->record.steady);
    const double i = sample_noise(f, p->coil_current_peak_a), v = sample_noise(f, p->coil_voltage_peak_v);
    /* One sample in a thousand may be off by more: about the current's turn the engine lets the snubbers take it for a
     * moment, the reconstruction hands it to the next device at once. */
    /* beside the noise: 0.15 % of the peak for what the calibration leaves */
    const double i_more = 1.5e-3 * p->coil_current_peak_a, v_more = 1.5e-3 * p->coil_voltage_peak_v;
    const struct {
        tw_signal signal;
        const double *got;
        double noise;
    } waves[] = {{TW_SIGNAL_COIL_CURRENT, f->r.coil_current_a, i + i_more},
                 {TW_SIGNAL_COIL_VOLTAGE, f->r.coil_voltage_v, v + v_more},
                 {TW_SIGNAL_MIDPOINT_VOLTAGE, f->r.midpoint_v, v + v_more},
                 {TW_SIGNAL_HIGH_DEVICE_CURRENT, f->r.high_device_a, i + i_more},
                 {TW_SIGNAL_LOW_DEVICE_CURRENT, f->r.low_device_a, i + i_more}};
    for (size_t k = 0; k < sizeof waves / sizeof waves[0]; k++) {
        const misfit m = compare(f, waves[k].signal, waves[k].got, waves[k].noise, 25e-9);
        if (!(m.rms < 1.05 * waves[k].noise) || m.away > 1e-3) {
            fail_msg("%s: rms %.4g, allowed %.4g; %.3g of the samples far off", tw_signal_key(waves[k].signal), m.rms,
                     1.05 * waves[k].noise, m.away);
        }
    }
    /* the capacitor's voltage comes from the charge, which averages the noise */
    const misfit c = compare(f, TW_SIGNAL_CAPACITOR_VOLTAGE, f->r.capacitor_v, v, 0);
    assert_true(c.rms < 3e-3 * p->capacitor_voltage_peak_v);
}

static void waveforms_of_an_8_bit_record(void **state) {
    (void)state;
    fixture f;
    read_rig(&f, 8, 0.004);
    check_waves(&f);
    finish(&f);
}

static void waveforms_of_a_14_bit_record(void **state) {
    (void)state;
    fixture f;
    read_rig(&f, 14, 1e-4);
    check_waves(&f);
    finish(&f);
}

static double mean_product(size_t n, const double *a, const double *b) {
    double sum = 0;
    for (size_t k = 0; k < n; k++) {
        sum += a[k] * b[k];
    }
    return sum / (double)n;
}

static void fold_cycles_and_energy_agree(void **state) {
    (void)state;
    fixture f;
    read_rig(&f, 12, 5e-4);
    const tw_revealed *r = &f.r;
    const double power = r->real_power_w.value;
    /* coil power again, from the folded product; the capacitor takes none */
    assert_close(mean_product(r->n_fold, r->fold_coil_v, r->fold_current_a), power, 3e-3, 0);
    assert_close(mean_product(r->n_fold, r->fold_capacitor_v, r->fold_current_a), 0, 0, 2e-3 * power);
    /* midpoint: coil and ESR */
    const double esr = f.rig.stage.esr_ohm * r->coil_current_rms_a.value * r->coil_current_rms_a.value;
    assert_close(mean_product(r->n_fold, r->fold_midpoint_v, r->fold_current_a), power + esr, 3e-3, 0);
    for (size_t b = 0; b < r->n_fold; b++) {
        assert_close(r->fold_time_s[b], ((double)b + 0.5) / (double)r->n_fold / r->switching_frequency_hz.value, 1e-9,
                     0);
        assert_true(r->fold_high_a[b] == 0 || r->fold_low_a[b] == 0);
    }
    /* the fold starts at the midpoint's rise */
    assert_true(r->fold_midpoint_v[0] > 0.4 * 318 && r->fold_midpoint_v[r->n_fold - 1] < 0.6 * 318);
    assert_int_equal(r->whole_cycles, 11);
    assert_in_range(r->n_cycles, 10, 11);
    for (size_t k = 0; k < r->n_cycles; k++) {
        assert_close(r->cycles[k].real_power_w, power, 0.01, 0);
        assert_close(r->cycles[k].current_rms_a, r->coil_current_rms_a.value, 0.005, 0);
        assert_close(r->cycles[k].voltage_rms_v, r->coil_voltage_rms_v.value, 0.005, 0);
        assert_close(r->cycles[k].current_peak_a, r->coil_current_peak_a.value, 0.01, 0);
        assert_close(r->cycles[k].turn_off_current_a, r->falling.turn_off_current_a.value, 0,
                     0.02 * r->coil_current_peak_a.value);
        assert_close(r->cycles[k].start_s, r->cycles[0].start_s + (double)k / f.rig.stage.frequency_hz, 0, 2e-9);
    }
    finish(&f);
}

/* Two million samples, two thousand cycles. */
static void a_long_record(void **state) {
    (void)state;
    fixture f;
    f.ctx = tw_ctx_create();
    f.rig = tw_test_rig_default();
    f.rig.interval_s = 38.4e-9;
    f.rig.cycles = 2e6 * f.rig.interval_s * f.rig.stage.frequency_hz + 0.01;
    tw_test_record_make(f.ctx, &f.rig, &f.record);
    assert_true(f.record.record.samples >= 2000000);
    const tw_prior prior = tw_test_prior(&f.rig);
    assert_ok(tw_reveal(f.ctx, &f.record.record, &prior, &f.r), f.ctx);
    const tw_operating_point *p = tw_steady_point(f.record.steady);
    assert_close(f.r.real_power_w.value, p->real_power_w, 2e-3, 0);
    assert_close(f.r.tank_capacitance_f.value, 660e-9, 2e-3, 0);
    assert_int_equal(f.r.commutation, p->commutation);
    assert_in_range(f.r.n_cycles, 1995, 1998);
    finish(&f);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(waveforms_of_an_8_bit_record),
        cmocka_unit_test(waveforms_of_a_14_bit_record),
        cmocka_unit_test(fold_cycles_and_energy_agree),
        cmocka_unit_test(a_long_record),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

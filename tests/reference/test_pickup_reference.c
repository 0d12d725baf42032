/* Pick-ups and recorder against figures from outside the project. Each figure names its source. */
#include "tankwright/pickup.h"
#include "testing.h"

#include <math.h>

static int make_context(void **state) {
    *state = tw_ctx_create();
    return *state == NULL;
}

static int drop_context(void **state) {
    tw_ctx_destroy(*state);
    return 0;
}

static tw_transformer plain(double turns, double burden_ohm) {
    return (tw_transformer){.turns = turns,
                            .burden_ohm = burden_ohm,
                            .magnetizing_inductance_h = INFINITY,
                            .winding_resistance_ohm = 0,
                            .clamp_onset_v = NAN};
}

/* Root-mean-square burden voltage of a sine of `rms_a` through forward(). */
static double sine_rms(tw_ctx *ctx, const tw_transformer *ct, double rms_a) {
    enum { N = 1000 };
    static double i[N], v[N];
    for (size_t k = 0; k < N; k++) {
        i[k] = sqrt(2) * rms_a * sin(2 * TW_PI * (double)k / N + 0.4);
    }
    assert_ok(tw_transformer_forward(ctx, ct, 40e-6, i, N, v), ctx);
    double square = 0;
    for (size_t k = 0; k < N; k++) {
        square += v[k] * v[k] / N;
    }
    return sqrt(square);
}

static void common_practice(void **state) {
    /* Common practice, no source: 1:100 with 1 ohm gives 10 mV per ampere. */
    tw_transformer ct = plain(100, 1);
    assert_close(tw_transformer_scale(&ct), 0.010, 1e-15, 0);
    assert_close(sine_rms(*state, &ct, 7), 0.070, 1e-12, 0);
    assert_true(isinf(tw_transformer_linear_limit(&ct)));
    /* Common practice, no source: two diode pairs in series pass from about 1 V, so linear to about 100 A. */
    ct.clamp_onset_v = 1.0;
    assert_close(tw_transformer_linear_limit(&ct), 100, 1e-15, 0);
    const double below_a = 99 / sqrt(2), above_a = 250 / sqrt(2);
    assert_close(sine_rms(*state, &ct, below_a), below_a / 100, 1e-4, 0);
    assert_true(sine_rms(*state, &ct, above_a) < 0.9 * above_a / 100);
}

static void ratios_of_published_parts(void **state) {
    /* Data sheet of a 1:2500 metering transformer (SET2106-2500-20A): 20 A, 125 ohm: 8 mA, 1.000 V. */
    tw_transformer ct = plain(2500, 125);
    assert_close(20 / ct.turns, 8e-3, 1e-15, 0);
    assert_close(20 * tw_transformer_scale(&ct), 1.000, 1e-15, 0);
    assert_close(sine_rms(*state, &ct, 20), 1.000, 1e-12, 0);
    /* Public energy-meter forum archive, node 10170: 100 A to 50 mA, 22 ohm: 1.1 V. */
    ct = plain(100 / 50e-3, 22);
    assert_close(sine_rms(*state, &ct, 100), 1.1, 1e-12, 0);
    /* Phase-shifted converter reference design, section 5.4: 1:100, 22.5 ohm: 0.225 V/A. */
    ct = plain(100, 22.5);
    assert_close(sine_rms(*state, &ct, 1), 0.225, 1e-12, 0);
}

/* Ring core 25/15/10 (IEC 60205 section Ae 48.9268 mm^2, AL 2350 nH), 100 turns, burden 5.0 and winding 1.2 ohm, 25
 * kHz, 40 A rms: the textbook equivalent circuit, figures computed independently of this project. */
static const tw_transformer RING = {.turns = 100,
                                    .burden_ohm = 5.0,
                                    .magnetizing_inductance_h = 2350e-9 * 100 * 100,
                                    .winding_resistance_ohm = 1.2,
                                    .clamp_onset_v = NAN};

static void ring_core_by_transfer(void **state) {
    (void)state;
    double re, im;
    assert_close(RING.magnetizing_inductance_h, 23.5e-3, 1e-12, 0);
    tw_transformer_transfer(&RING, 2 * TW_PI * 25e3, &re, &im);
    const double scale = tw_transformer_scale(&RING);
    assert_close(hypot(re, im) / scale - 1, -0.0000014, 0.02, 0); /* printed -0.00014 %: two digits */
    assert_close(atan2(im, re) * 180 / TW_PI, 0.09623, 1e-4, 0);
    assert_close(atan2(im, re) * 180 / TW_PI * 60, 5.774, 1e-4, 0);
    assert_close(40 * hypot(re, im), 2.000, 1e-4, 0);
    assert_close(40 * hypot(re, im) / RING.burden_ohm, 0.400, 1e-4, 0);
    tw_transformer_transfer(&RING, 2 * TW_PI * 41.990, &re, &im);
    assert_close(hypot(re, im), scale / sqrt(2), 1e-4, 0); /* low corner 41.990 Hz */
    assert_close(atan2(im, re), TW_PI / 4, 1e-4, 0);
    tw_transformer_transfer(&RING, 0, &re, &im);
    assert_true(re == 0 && im == 0);
}

/* Complex ratio of the fundamentals of v and i over one period. */
static void fundamental_ratio(tw_ctx *ctx, double f_hz, double *size, double *phase, double *flux_peak_vs) {
    enum { N = 4000 };
    static double i[N], v[N];
    double ic = 0, is = 0, vc = 0, vs = 0, flux = 0;
    for (size_t k = 0; k < N; k++) {
        i[k] = sqrt(2) * 40 * cos(2 * TW_PI * (double)k / N);
    }
    assert_ok(tw_transformer_forward(ctx, &RING, 1 / f_hz, i, N, v), ctx);
    *flux_peak_vs = 0;
    double low = 0, high = 0;
    for (size_t k = 0; k < N; k++) {
        const double c = cos(2 * TW_PI * (double)k / N), s = sin(2 * TW_PI * (double)k / N);
        ic += i[k] * c;
        is += i[k] * s;
        vc += v[k] * c;
        vs += v[k] * s;
        flux += (1 + RING.winding_resistance_ohm / RING.burden_ohm) * (v[k] + v[(k + 1) % N]) / 2 / (N * f_hz);
        low = fmin(low, flux);
        high = fmax(high, flux);
    }
    *flux_peak_vs = (high - low) / 2;
    *size = hypot(vc, vs) / hypot(ic, is);
    *phase = atan2(-vs, vc) - atan2(-is, ic);
}

static void ring_core_by_forward(void **state) {
    double size, phase, flux_vs;
    fundamental_ratio(*state, 25e3, &size, &phase, &flux_vs);
    assert_close(size / 0.05 - 1, -0.0000014, 0.02, 0);
    assert_close(phase * 180 / TW_PI, 0.09623, 1e-4, 0);
    assert_close(flux_vs / (100 * 48.9268e-6), 4.56e-3, 1e-3, 0); /* peak flux density 4.56 mT */
    fundamental_ratio(*state, 41.990, &size, &phase, &flux_vs);
    assert_close(size, 0.05 / sqrt(2), 1e-4, 0);
    assert_close(phase, TW_PI / 4, 1e-4, 0);
}

static void droop_of_a_flat_pulse(void **state) {
    enum { N = 200000, WIDTH = 20 }; /* 1 us apart: 0.2 s, over fifty time constants */
    static double i[N], v[N];
    for (size_t k = 0; k < N; k++) {
        i[k] = k >= 10 && k <= 10 + WIDTH ? 33.0 : 0;
    }
    assert_ok(tw_transformer_forward(*state, &RING, N * 1e-6, i, N, v), *state);
    assert_close(1 - v[10 + WIDTH] / v[10], 0.005263, 1e-4, 0);
    const double linear_rule = 6.2 / 23.5e-3 * WIDTH * 1e-6;
    assert_close(linear_rule, 0.005277, 1e-4, 0);
    /* After the pulse the secondary swings under by what it drooped. */
    assert_close(v[12 + WIDTH] / v[10], -0.0055, 0.05, 0);
}

/* Error power of a stored sine of `amplitude` codes about `centre`, in squared codes, by a three-parameter sine fit. */
static double stored_error(tw_ctx *ctx, int bits, double amplitude, double centre) {
    enum { N = 20011, CYCLES = 1237 };
    static double v[N], out[N];
    static int32_t codes[N];
    const tw_recorder_channel channel = {bits, -3, 3, 0};
    double a = 0, b = 0, c = 0, error = 0;
    size_t clipped;
    for (size_t k = 0; k < N; k++) {
        const double position = centre + amplitude * sin(2 * TW_PI * fmod((double)k * CYCLES, N) / N + 0.2345);
        v[k] = -3 + 6 * position / ((1 << bits) - 1);
    }
    assert_ok(tw_recorder_store(ctx, &channel, 3, v, N, out, codes, &clipped), ctx);
    assert_int_equal(clipped, 0);
    for (size_t k = 0; k < N; k++) {
        const double angle = 2 * TW_PI * fmod((double)k * CYCLES, N) / N;
        a += 2.0 / N * codes[k] * cos(angle);
        b += 2.0 / N * codes[k] * sin(angle);
        c += (double)codes[k] / N;
    }
    for (size_t k = 0; k < N; k++) {
        const double angle = 2 * TW_PI * fmod((double)k * CYCLES, N) / N;
        const double e = codes[k] - a * cos(angle) - b * sin(angle) - c;
        error += e * e / N;
    }
    return error;
}

/* Ratio of a full-scale sine (peak to peak 2^bits codes) to the error. The published formula takes the error as
 * uniform; one sine dwells at its turning points and is off by a tenth of a decibel at 8 bits, so the error power is
 * averaged over sixteen positions of the centre between two codes (a sine somewhat below full scale, for room). */
static double sinad_db(tw_ctx *ctx, int bits) {
    const double half = (1 << bits) / 2.0;
    double error = 0;
    for (int k = 0; k < 16; k++) {
        error += stored_error(ctx, bits, half - 2.3, half - 1 + k / 16.0) / 16;
    }
    return 10 * log10(half * half / 2 / error);
}

static void quantiser(void **state) {
    /* Terms of IEEE Std 1057 and 1241; 20 log10(2^b sqrt 1.5) = 49.9257 dB (8 bit), 74.0081 dB (12 bit). */
    assert_close(sinad_db(*state, 8), 49.9257, 0, 0.02);
    assert_close(sinad_db(*state, 12), 74.0081, 0, 0.02);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(common_practice, make_context, drop_context),
        cmocka_unit_test_setup_teardown(ratios_of_published_parts, make_context, drop_context),
        cmocka_unit_test(ring_core_by_transfer),
        cmocka_unit_test_setup_teardown(ring_core_by_forward, make_context, drop_context),
        cmocka_unit_test_setup_teardown(droop_of_a_flat_pulse, make_context, drop_context),
        cmocka_unit_test_setup_teardown(quantiser, make_context, drop_context),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

/* Sine fits against outside values: integer records fitted with 40-digit arithmetic (three- and four-parameter fits of
 * IEEE Std 1057 and 1241), the NIST/SEMATECH e-Handbook beam deflections, and the ideal quantiser. */
#include "testing.h"

#include "tankwright/numeric.h"

#include <complex.h>
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

/* floor(1000 cos(2 pi 0.09 n + 0.7) + 25 + 0.5) */
static const double S1[32] = {790, 326, -232, -710, -959, -901, -556, -29,  514, 906, 1022,
                              829, 385, -171, -666, -946, -923, -606, -92,  459, 874, 1025,
                              865, 443, -109, -619, -929, -941, -653, -154, 401, 839};

/* one period of floor(100 cos(2 pi n/32 - 1.2) - 3 + 0.5) */
static const double S2[32] = {33,  51,  66,  79,  89,  95,   97,   95,   90,  81,  69,  54,  37,  19,  -1, -20,
                              -39, -57, -72, -85, -95, -101, -103, -101, -96, -87, -75, -60, -43, -25, -5, 14};

static void check(const tw_harmonics *h, double a, double b, double offset, double amplitude, double phase,
                  double rms) {
    assert_close(creal(h->phasor[0]), a, 1e-9, 0.0);
    assert_close(-cimag(h->phasor[0]), b, 1e-9, 0.0);
    assert_close(h->offset, offset, 1e-9, 0.0);
    assert_close(cabs(h->phasor[0]), amplitude, 1e-9, 0.0);
    assert_close(carg(h->phasor[0]), phase, 1e-9, 0.0);
    assert_close(h->residual_rms, rms, 1e-9, 0.0);
}

static void three_and_four_parameters(void **state) {
    tw_ctx *ctx = *state;
    tw_harmonics h;
    assert_ok(tw_harmonics_fit_held(ctx, 32, S1, 1.0, 0.09, 1, &h), ctx);
    check(&h, 764.980937013, -644.093898103, 25.0143733678, 1000.02639143, 0.699815940675, 0.257521443408);
    tw_harmonics_dispose(&h);
    assert_ok(tw_harmonics_fit_held(ctx, 32, S1, 1.0, 0.091, 1, &h), ctx);
    check(&h, 817.541666612, -562.749060006, 13.8077145913, 992.502333087, 0.602859536460, 41.0902082955);
    tw_harmonics_dispose(&h);
    assert_ok(tw_harmonics_fit(ctx, 32, S1, 1.0, 0.091, 1, &h), ctx);
    check(&h, 764.971605943, -644.106374438, 25.0161595245, 1000.02728937, 0.699831494083, 0.257435175700);
    assert_close(h.frequency_hz, 0.08999983964194, 1e-12, 0.0);
    tw_harmonics_dispose(&h);
    const double us = 1e-6; /* the same record in other units */
    assert_ok(tw_harmonics_fit(ctx, 32, S1, us, 0.0895 / us, 1, &h), ctx);
    assert_close(h.frequency_hz, 0.08999983964194 / us, 1e-12, 0.0);
    tw_harmonics_dispose(&h);
}

static void whole_periods_are_plain_sums(void **state) {
    double y[64], a = 0.0, b = 0.0;
    for (size_t i = 0; i < 64; i++) {
        y[i] = S2[i % 32];
        a += y[i] * cos(2.0 * TW_PI * (double)i / 32.0) / 32.0;
        b += y[i] * sin(2.0 * TW_PI * (double)i / 32.0) / 32.0;
    }
    tw_harmonics h;
    assert_ok(tw_harmonics_fit_held(*state, 64, y, 1.0, 1.0 / 32.0, 1, &h), *state);
    check(&h, 36.3022741394, 93.0992819369, -3.0, 99.9266301086, -1.19900034978, 0.290340436891);
    assert_close(creal(h.phasor[0]), a, 1e-13, 0.0);
    assert_close(-cimag(h.phasor[0]), b, 1e-13, 0.0);
    assert_close(h.offset, -3.0, 1e-14, 0.0);
    tw_harmonics_dispose(&h);
}

static size_t load_beam(tw_ctx *ctx, double *y, size_t most) {
    char path[512], *text;
    size_t length, n = 0, line_number = 0;
    if (tw_shared_data("nist-strd/LEW.DAT", path, sizeof path) == NULL) {
        return 0;
    }
    assert_ok(tw_read_file(ctx, path, 100000, &text, &length), ctx);
    for (const char *line = text; *line != '\0';) {
        const size_t end = strcspn(line, "\n"), blanks = strspn(line, " ");
        if (++line_number > 25 && n < most && blanks < end && tw_parse_number(line + blanks, end - blanks, &y[n]) > 0) {
            n++;
        }
        line += end + (line[end] == '\n');
    }
    tw_free(text);
    return n;
}

/* NIST/SEMATECH e-Handbook 1.4.2.5, 200 beam deflections. The handbook's printed fit is not a minimum; these are the
 * values of the minimum, from an independent fit: C = -178.768157, amplitude -343.288566, frequency 0.301807035,
 * phase 1.82767154 (sine, x = 1..200), standard errors 9.48031, 13.40780, 1.07640e-4, 0.0781908, residual SD
 * 134.066401. */
static void beam_deflections(void **state) {
    tw_ctx *ctx = *state;
    double y[200], start = 0.0;
    if (load_beam(ctx, y, 200) != 200) {
        skip();
    }
    assert_ok(tw_spectrum_peak(ctx, 200, y, 1.0, &start), ctx);
    tw_harmonics h;
    assert_ok(tw_harmonics_fit(ctx, 200, y, 1.0, start, 1, &h), ctx);
    assert_close(h.frequency_hz, 0.301807035, 4e-9, 0.0);
    assert_close(h.frequency_hz, 0.30180703613854, 1e-11, 0.0); /* refitted with 30 digits, variable projection */
    assert_close(h.offset, -178.768157, 3e-9, 0.0);
    assert_close(cabs(h.phasor[0]), 343.288566, 3e-9, 0.0);
    assert_close(h.noise, 134.066401, 4e-9, 0.0);
    /* -343 sin(w(t+1) + p) with t from the first sample = 343 cos(w t + w + p + pi/2) */
    const double phase = remainder(2.0 * TW_PI * 0.301807035 + 1.82767154 + TW_PI / 2.0, 2.0 * TW_PI);
    assert_close(carg(h.phasor[0]), phase, 0.0, 2e-6); /* the printed frequency's last digit is worth 7e-7 here */
    assert_close(carg(h.phasor[0]), -0.9884088426126, 0.0, 1e-9); /* refitted with 30 digits */
    assert_close(sqrt(h.covariance[0]), 1.07640e-4, 3e-3, 0.0);
    assert_close(sqrt(h.covariance[5]), 9.48031, 3e-3, 0.0);
    const double a = creal(h.phasor[0]), b = -cimag(h.phasor[0]), r = hypot(a, b);
    const double *c = h.covariance;
    const double u = sqrt(a * a * c[10] + 2.0 * a * b * c[11] + b * b * c[15]) / r;
    assert_close(u, 13.40780, 3e-3, 0.0);
    tw_harmonics_dispose(&h);
    /* residual SD with the frequency held, by frequency */
    static const double HELD[7][2] = {{0.3005, 168.274}, {0.3013, 140.256}, {0.3017, 134.354}, {0.3019, 134.285},
                                      {0.3025, 145.624}, {0.3035, 188.633}, {0.3045, 234.324}};
    for (size_t i = 0; i < 7; i++) {
        assert_ok(tw_harmonics_fit_held(ctx, 200, y, 1.0, HELD[i][0], 1, &h), ctx);
        assert_close(h.residual_rms * sqrt(200.0 / 196.0), HELD[i][1], 4e-6, 0.0);
        tw_harmonics_dispose(&h);
    }
}

/* SINAD of a full-scale sine after a b-bit quantiser; dithered: a known offset within a step is added before and taken
 * off after, which makes the error exactly uniform. */
static double sinad_of_quantiser(tw_ctx *ctx, int bits, bool dithered) {
    enum { N = 65536 };
    static double y[N];
    tw_random r = {109};
    const double half = ldexp(1.0, bits - 1);
    for (size_t i = 0; i < N; i++) {
        const double v = half * sin(2.0 * TW_PI * 0.013571234567 * (double)i + 0.1);
        const double d = dithered ? tw_random_uniform(&r, 0.0, 1.0) : 0.5;
        y[i] = floor(v + d) - d + 0.5;
    }
    tw_harmonics h;
    assert_ok(tw_harmonics_fit(ctx, N, y, 1.0, 0.01357, 1, &h), ctx);
    const double sinad = 20.0 * log10(cabs(h.phasor[0]) / sqrt(2.0) / h.residual_rms);
    tw_harmonics_dispose(&h);
    return sinad;
}

/* Ideal b-bit quantiser, full-scale sine: SINAD = 20 log10(2^b sqrt 1.5) = 49.9257 dB at 8 bit, 74.0081 dB at 12 bit
 * (IEEE Std 1241), for a uniform error. The dithered quantiser must meet it within the scatter of 65536 samples (0.015
 * dB). Without dither the error is not quite uniform near the crests, by a share that falls as 2^(-b/2). */
static void ideal_quantiser(void **state) {
    assert_close(sinad_of_quantiser(*state, 8, true), 49.9257, 0.0, 0.06);
    assert_close(sinad_of_quantiser(*state, 12, true), 74.0081, 0.0, 0.06);
    const double at_8 = sinad_of_quantiser(*state, 8, false) - 49.9257;
    const double at_12 = sinad_of_quantiser(*state, 12, false) - 74.0081;
    const double noise_8 = pow(10.0, -at_8 / 10.0) - 1.0, noise_12 = pow(10.0, -at_12 / 10.0) - 1.0;
    assert_close(noise_8, 0.0, 0.0, ldexp(1.0, -8 / 2));
    assert_close(noise_12, 0.0, 0.0, ldexp(1.0, -12 / 2));
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(three_and_four_parameters, make_context, drop_context),
        cmocka_unit_test_setup_teardown(whole_periods_are_plain_sums, make_context, drop_context),
        cmocka_unit_test_setup_teardown(beam_deflections, make_context, drop_context),
        cmocka_unit_test_setup_teardown(ideal_quantiser, make_context, drop_context),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

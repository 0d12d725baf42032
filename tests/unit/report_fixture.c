#include "report_fixture.h"

#include <dirent.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define N_POINTS 1201
#define FREQUENCY_HZ 26037.0
#define RAIL_V 318.3
#define SWING_S 0.37e-6
#define R_OHM 2.13
#define L_H 79.3e-6
#define C_F 0.657e-6
#define PERIOD_S (1.0 / FREQUENCY_HZ)

typedef struct instant {
    double midpoint_v, current_a, capacitor_v;
} instant;

/* Midpoint: trapezoid whose rising edge begins at -dead_time; sums of odd harmonics through the tank's impedance. */
static instant at(double time_s, double dead_time_s) {
    instant x = {RAIL_V / 2, 0, RAIL_V / 2};
    const double w = 2 * TW_PI * FREQUENCY_HZ, t = time_s + dead_time_s - SWING_S / 2;
    for (int n = 1; n < 400; n += 2) {
        const double edge = n * w * SWING_S / 2;
        const double amplitude = 2 * RAIL_V / (n * TW_PI) * sin(edge) / edge;
        const double reactance = n * w * L_H - 1 / (n * w * C_F);
        const double lag = atan2(reactance, R_OHM), i = amplitude / hypot(R_OHM, reactance);
        x.midpoint_v += amplitude * sin(n * w * t);
        x.current_a += i * sin(n * w * t - lag);
        x.capacitor_v -= i / (n * w * C_F) * cos(n * w * t - lag);
    }
    return x;
}

static double *new_wave(tw_ctx *ctx, tw_reading *r, const char *key, const char *label, const char *unit) {
    double *values = tw_alloc(ctx, N_POINTS, sizeof *values);
    assert_non_null(values);
    r->waves[r->n_waves++] = (tw_wave){key, label, unit, values};
    return values;
}

static void fill_waves(tw_ctx *ctx, tw_reading *r, double dead_time_s) {
    double *vm = new_wave(ctx, r, "midpoint_voltage", "midpoint voltage", "V");
    double *vl = new_wave(ctx, r, "coil_voltage", "coil voltage", "V");
    double *i = new_wave(ctx, r, "coil_current", "coil current", "A");
    double *vc = new_wave(ctx, r, "capacitor_voltage", "capacitor voltage", "V");
    double *high = new_wave(ctx, r, "high_device_current", "high device current", "A");
    double *low = new_wave(ctx, r, "low_device_current", "low device current", "A");
    r->n_points = N_POINTS;
    r->time_s = tw_alloc(ctx, N_POINTS, sizeof(double));
    assert_non_null(r->time_s);
    for (size_t k = 0; k < N_POINTS; k++) {
        r->time_s[k] = 2 * PERIOD_S * (double)k / (N_POINTS - 1);
        const instant x = at(r->time_s[k], dead_time_s);
        const double phase = fmod(r->time_s[k] + dead_time_s, PERIOD_S);
        const bool floating = phase < SWING_S || (phase >= PERIOD_S / 2 && phase < PERIOD_S / 2 + SWING_S);
        vm[k] = x.midpoint_v;
        i[k] = x.current_a;
        vc[k] = x.capacitor_v;
        vl[k] = x.midpoint_v - x.capacitor_v;
        high[k] = !floating && phase < PERIOD_S / 2 ? x.current_a : 0;
        low[k] = !floating && phase >= PERIOD_S / 2 ? -x.current_a : 0;
    }
}

static void mark(tw_reading *r, tw_mark_kind kind, double begin_s, double end_s) {
    for (int p = -1; p < 3; p++) {
        const double b = begin_s + p * PERIOD_S, e = end_s + p * PERIOD_S;
        if (fmin(b, e) >= 0 && fmax(b, e) <= 2 * PERIOD_S) {
            r->marks[r->n_marks++] = (tw_mark){kind, b, e};
        }
    }
}

static double first_crossing(double from_s, double dead_time_s) {
    double low = from_s, high = from_s + PERIOD_S / 2.2;
    const bool falling = at(low, dead_time_s).current_a > 0;
    for (int k = 0; k < 60; k++) {
        const double middle = (low + high) / 2;
        if ((at(middle, dead_time_s).current_a > 0) == falling) {
            low = middle;
        } else {
            high = middle;
        }
    }
    return low;
}

static tw_field field(const char *key, const char *label, const char *unit, double value, double u, int group) {
    return (tw_field){key, label, unit, {value, u}, group};
}

static void fill_edge(tw_reading_edge *e, const char *name, tw_commutation verdict, double margin_s, double u) {
    const int g = TW_GROUP_COMMUTATION;
    const bool soft = verdict == TW_COMMUTATION_FULL_ZVS, hard = verdict == TW_COMMUTATION_HARD;
    e->name = name;
    e->verdict = verdict;
    const double amperes = hard ? -12.7 : 36.27;
    e->fields[e->n_fields++] = field("turn_off_current", "turn-off current", "A", amperes, 0.31 * u, g);
    e->fields[e->n_fields++] = field("swing_time", "swing time", "s", SWING_S, 9e-9 * u, g);
    e->fields[e->n_fields++] = field("zero_crossing_margin", "zero-crossing margin", "s", margin_s, 23e-9 * u, g);
    e->fields[e->n_fields++] = field("dead_time_shortest", "shortest soft dead time", "s", hard ? NAN : SWING_S, 0, g);
    e->fields[e->n_fields++] =
        field("dead_time_longest", "longest soft dead time", "s", hard ? NAN : SWING_S + margin_s, 0, g);
    e->fields[e->n_fields++] = field("forced_voltage", "voltage closed upon", "V", soft ? 0 : 87.3, 1.2 * u, g);
    e->fields[e->n_fields++] =
        field("forced_commutation_energy", "energy lost on this edge", "J", soft ? 0 : 76e-6, 0, g);
}

static void fill_fields(tw_reading *r, double u) {
    const bool analysis = r->kind == TW_READING_ANALYSIS;
    const tw_field all[] = {
        field("switching_frequency", "switching frequency", "Hz", FREQUENCY_HZ, 0.61 * u, TW_GROUP_DRIVE),
        field("resonant_frequency", "resonant frequency", "Hz", 22049.3, 31.7 * u, TW_GROUP_DRIVE),
        field("rail_voltage", "rail voltage", "V", RAIL_V, 3.7 * u, TW_GROUP_DRIVE),
        field("loop_gain", "loop gain", "", analysis ? 0.010237 : NAN, 0.00012 * u, TW_GROUP_DRIVE),
        field("real_power", "real power into the coil", "W", 2219.7, 27.3 * u, TW_GROUP_POWER),
        field("reactive_power", "reactive power", "var", 4013.1, 41 * u, TW_GROUP_POWER),
        field("apparent_power", "apparent power", "VA", 5210.9, 55 * u, TW_GROUP_POWER),
        field("coil_current_peak", "coil current, peak", "A", 45.71, 0.4 * u, TW_GROUP_COIL),
        field("coil_current_rms", "coil current, rms", "A", 32.28, 0.29 * u, TW_GROUP_COIL),
        field("coil_voltage_rms", "coil voltage, rms", "V", 413.27, 4.9 * u, TW_GROUP_COIL),
        field("capacitor_voltage_peak", "capacitor voltage, peak", "V", 421.3, 5.1 * u, TW_GROUP_COIL),
        field("bridge_phase_lag", "current lags the midpoint by", "deg", 61.38, 0.22 * u, TW_GROUP_COIL),
        field("equivalent_resistance", "equivalent resistance", "ohm", R_OHM, 0.019 * u, TW_GROUP_LOAD),
        field("equivalent_inductance", "equivalent inductance", "H", L_H, 0.31e-6 * u, TW_GROUP_LOAD),
        field("tank_capacitance", "tank capacitance", "F", C_F, 2.9e-9 * u, TW_GROUP_LOAD),
        field("midpoint_capacitance", "midpoint capacitance", "F", 20.31e-9, 0.7e-9 * u, TW_GROUP_LOAD),
        field("forced_commutation_energy", "forced commutation, per period", "J", 0, 0, TW_GROUP_COMMUTATION),
        field("conduction_residual", "midpoint off its rail while conducting, rms", "V", 1.937, 0, TW_GROUP_STRESS),
    };
    r->n_fields = sizeof all / sizeof all[0];
    memcpy(r->fields, all, sizeof all);
}

void fixture_reading(tw_ctx *ctx, const fixture_opts *opts, tw_reading *out) {
    const double u = opts->kind == TW_READING_ANALYSIS && !opts->bare ? 1 : 0;
    const double dead_time_s = opts->dead_time_s > 0 ? opts->dead_time_s : 1.8e-6;
    tw_reading *r = out;
    memset(r, 0, sizeof *r);
    r->kind = opts->kind;
    (void)snprintf(r->title, sizeof r->title, "Wax melter on a salvaged plate");
    (void)snprintf(r->source, sizeof r->source, "%s", r->kind == TW_READING_ANALYSIS ? "pail-with-lid.csv" : "");
    r->commutation = tw_commutation_worse(opts->falling, opts->rising);
    fill_waves(ctx, r, dead_time_s);
    fill_fields(r, u);
    const double off_s = PERIOD_S / 2 - dead_time_s;
    const double margin_s = first_crossing(off_s + SWING_S, dead_time_s) - off_s - SWING_S;
    fill_edge(&r->edges[0], "falling", opts->falling, margin_s, u);
    fill_edge(&r->edges[1], "rising", opts->rising, margin_s + 13e-9, u);
    for (int half = 0; half < 2; half++) {
        const double begin = off_s + half * PERIOD_S / 2, end = begin + SWING_S;
        mark(r, TW_MARK_SWING, begin, end);
        mark(r, TW_MARK_ZERO_CROSSING, end + margin_s, end + margin_s);
        mark(r, TW_MARK_MARGIN, end, end + margin_s);
        if (r->kind == TW_READING_FORECAST) {
            mark(r, half == 0 ? TW_MARK_HIGH_GATE : TW_MARK_LOW_GATE, half * PERIOD_S / 2, begin);
        }
    }
    if (r->kind == TW_READING_ANALYSIS) {
        r->n_record = 7;
        r->record_start_s = -1.25e-6;
        r->record_interval_s = 40e-9;
        r->record_waves[r->n_record_waves++] = (tw_wave){"coil_current", "coil current", "A", tw_alloc(ctx, 7, 8)};
        r->record_waves[r->n_record_waves++] =
            (tw_wave){"midpoint_voltage", "midpoint voltage", "V", tw_alloc(ctx, 7, 8)};
        for (size_t k = 0; k < 7; k++) {
            r->record_waves[0].values[k] = 31.0 / 7 * (double)k - 3.3;
            r->record_waves[1].values[k] = k == 4 ? NAN : 1e-3 / 3 * (double)k;
        }
    }
    if (!opts->bare && r->kind == TW_READING_ANALYSIS) {
        assert_ok(tw_warn(ctx, &r->warnings, "few_samples_per_swing",
                          "only %d samples fall into a swing: its duration is good to half a sample; record with a "
                          "shorter sample interval",
                          9),
                  ctx);
    }
}

void fixture_capture(tw_capture *out, tw_capture_channel channels[2], double values[2][5]) {
    static const double SAMPLES[2][5] = {{0.1, -0.25, 0.5, 0.125, 0.3}, {3, NAN, -1.5, 7, 2.25}};
    memcpy(values, SAMPLES, sizeof SAMPLES);
    memset(out, 0, sizeof *out);
    memset(channels, 0, 2 * sizeof channels[0]);
    channels[0] = (tw_capture_channel){.name = "clamp",
                                       .unit = "V",
                                       .values = values[0],
                                       .finite = 5,
                                       .minimum = -0.25,
                                       .maximum = 0.5,
                                       .mean = 0.155,
                                       .step = 0.025};
    channels[1] = (tw_capture_channel){.name = "loop",
                                       .values = values[1],
                                       .finite = 4,
                                       .minimum = -1.5,
                                       .maximum = 7,
                                       .mean = 2.6875,
                                       .step = NAN,
                                       .offset_s = 3e-9};
    (void)snprintf(out->source, sizeof out->source, "pail.csv");
    (void)snprintf(out->understood, sizeof out->understood,
                   "semicolons, decimal comma, 7 rows skipped, the interval comes from the time column");
    out->samples = 5;
    out->sample_interval_s = 40e-9;
    out->start_time_s = -1.7e-6;
    out->n_channels = 2;
    out->channels = channels;
}

void fixture_rehearsal(tw_ctx *ctx, tw_rehearsal *out) {
    memset(out, 0, sizeof *out);
    out->samples = 40;
    out->interval_s = 50e-9;
    out->current_v = tw_alloc(ctx, out->samples, sizeof(double));
    out->voltage_v = tw_alloc(ctx, out->samples, sizeof(double));
    assert_non_null(out->current_v);
    assert_non_null(out->voltage_v);
    for (size_t k = 0; k < out->samples; k++) {
        out->current_v[k] = 0.0078125 * floor(90 * sin(0.37 * (double)k));
        out->voltage_v[k] = 0.03125 * floor(140 * cos(0.37 * (double)k));
    }
    out->voltage_v[0] = INFINITY;
    out->voltage_v[9] = -INFINITY;
    out->current_range_v = 2;
    out->voltage_range_v = 8;
    out->current_peak_v = 0.7031;
    out->voltage_peak_v = 4.375;
    out->sweep_s = 100e-6;
    out->voltage_clipped = 2;
}

void fixture_folder(char *path, size_t size) {
    (void)snprintf(path, size, "/tmp/tw-report-XXXXXX");
    assert_non_null(mkdtemp(path));
}

size_t fixture_count_files(const char *folder) {
    DIR *d = opendir(folder);
    assert_non_null(d);
    size_t n = 0;
    for (const struct dirent *e; (e = readdir(d)) != NULL;) {
        n += e->d_name[0] != '.' ? 1 : 0;
    }
    (void)closedir(d);
    return n;
}

void fixture_remove_folder(const char *folder) {
    DIR *d = opendir(folder);
    assert_non_null(d);
    for (const struct dirent *e; (e = readdir(d)) != NULL;) {
        if (e->d_name[0] != '.') {
            char path[600];
            (void)snprintf(path, sizeof path, "%s/%s", folder, e->d_name);
            assert_int_equal(unlink(path), 0);
        }
    }
    (void)closedir(d);
    assert_int_equal(rmdir(folder), 0);
}

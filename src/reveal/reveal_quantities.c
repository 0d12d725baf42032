/* Powers, impedance, phases, resonance: from the harmonics of both channels, with the law of propagation.
 *
 * The loop channel's phasor of order h, taken at t + d, is U_h = g V_h exp(j h w d). All results are functions of the
 * calibration (V_r, C, g, d, kappa) and of the fundamental phasors; their covariance carries over (JCGM 100, eq. 13).
 */
#include "reveal_internal.h"

#include <math.h>
#include <string.h>

#include "tankwright/uncert.h"

/* Inputs of the measurement model: the calibration first, then the fundamental phasors as measured. */
enum { X_CAPACITANCE, X_GAIN, X_LEAD, X_SCALE, X_ESR, X_U_RE, X_U_IM, X_I_RE, X_I_IM, X_FREQUENCY, X_COUNT };
enum {
    Y_REAL_POWER,
    Y_REACTIVE,
    Y_APPARENT,
    Y_FACTOR,
    Y_CURRENT_RMS,
    Y_CURRENT_PEAK,
    Y_VOLTAGE_RMS,
    Y_CAPACITOR_PEAK,
    Y_BRIDGE_LAG,
    Y_COIL_LAG,
    Y_RESISTANCE,
    Y_INDUCTANCE,
    Y_RESONANCE,
    Y_COUNT
};

typedef struct model {
    tw_ctx *ctx;
    size_t n_harmonics;
    double complex u[TW_REVEAL_HARMONICS], i[TW_REVEAL_HARMONICS];
    double voltage_rms, current_rms, current_peak, charge_peak; /* raw: loop volts, nominal amperes and coulombs */
    tw_load shape;  /* fitted load, for the inductance's change between drive and resonance; n_branches 0: none */
    double shape_l; /* its inductance at the switching frequency */
    double shape_relative_u; /* of the resonance, by what the shape is not known */
} model;

static double complex true_voltage(const model *m, const double *x, size_t h) {
    const double complex raw = h == 1 ? x[X_U_RE] + I * x[X_U_IM] : m->u[h - 1];
    return raw / x[X_GAIN] * cexp(-I * 2.0 * TW_PI * x[X_FREQUENCY] * (double)h * x[X_LEAD]);
}

static double complex true_current(const model *m, const double *x, size_t h) {
    return x[X_SCALE] * (h == 1 ? x[X_I_RE] + I * x[X_I_IM] : m->i[h - 1]);
}

/* Resonance of the loaded tank: the measured inductance, moved from the switching frequency to the resonance as the
 * fitted load moves. */
static double resonance(const model *m, double inductance, double capacitance) {
    double f = 1.0 / (2.0 * TW_PI * sqrt(inductance * capacitance));
    if (m->shape.n_branches == 0) {
        return f;
    }
    for (int k = 0; k < 60; k++) { /* contraction: L moves slowly with f */
        double re, im;
        tw_load_impedance(&m->shape, 2.0 * TW_PI * f, &re, &im);
        const double l = inductance * im / (2.0 * TW_PI * f) / m->shape_l;
        const double next = 1.0 / (2.0 * TW_PI * sqrt(l * capacitance));
        const bool settled = fabs(next - f) < 1e-12 * f;
        f = next;
        if (settled) {
            break;
        }
    }
    return f;
}

static tw_status evaluate(const double *x, double *y, void *user) {
    const model *m = user;
    const double w = 2.0 * TW_PI * x[X_FREQUENCY];
    const double complex v1 = true_voltage(m, x, 1), i1 = true_current(m, x, 1), z = v1 / i1;
    double power = 0;
    for (size_t h = 1; h <= m->n_harmonics; h++) {
        power += 0.5 * creal(true_voltage(m, x, h) * conj(true_current(m, x, h)));
    }
    const double complex bridge = v1 + i1 * (x[X_ESR] + 1.0 / (I * w * x[X_CAPACITANCE]));
    y[Y_REAL_POWER] = power;
    y[Y_REACTIVE] = 0.5 * cimag(v1 * conj(i1));
    y[Y_CURRENT_RMS] = m->current_rms * x[X_SCALE];
    y[Y_CURRENT_PEAK] = m->current_peak * x[X_SCALE];
    y[Y_VOLTAGE_RMS] = m->voltage_rms / x[X_GAIN];
    y[Y_APPARENT] = y[Y_CURRENT_RMS] * y[Y_VOLTAGE_RMS];
    y[Y_FACTOR] = power / y[Y_APPARENT];
    y[Y_CAPACITOR_PEAK] = m->charge_peak * x[X_SCALE] / x[X_CAPACITANCE];
    y[Y_BRIDGE_LAG] = carg(bridge / i1);
    y[Y_COIL_LAG] = carg(z);
    y[Y_RESISTANCE] = creal(z);
    y[Y_INDUCTANCE] = cimag(z) / w;
    y[Y_RESONANCE] = resonance(m, y[Y_INDUCTANCE], x[X_CAPACITANCE]);
    return TW_OK;
}

/* ---- load fit ---- */

typedef struct load_fit {
    size_t n;
    double w[TW_REVEAL_HARMONICS], weight[2 * TW_REVEAL_HARMONICS];
    double complex z[TW_REVEAL_HARMONICS];
} load_fit;

/* p: ln R_1, ln L_s, ln L_m, ln R_2 */
static tw_load load_of(const double *p) {
    return (tw_load){.resistance_ohm = exp(p[0]),
                     .inductance_h = exp(p[1]),
                     .n_branches = 1,
                     .branches = {{.inductance_h = exp(p[2]), .resistance_ohm = exp(p[3])}}};
}

static tw_status load_residual(const double *p, double *r, void *user) {
    const load_fit *f = user;
    const tw_load load = load_of(p);
    for (size_t k = 0; k < f->n; k++) {
        double re, im;
        tw_load_impedance(&load, f->w[k], &re, &im);
        r[2 * k] = re - creal(f->z[k]);
        r[2 * k + 1] = im - cimag(f->z[k]);
    }
    return TW_OK;
}

/* Without a shape the inductance is taken as constant. A loaded coil's falls with frequency, at most by about
 * f^-0.3 (one branch, coupling 0.7); half of that and rectangular, and half again for the square root. */
static double unshaped_u(const double *x, const model *m) {
    const double complex z = true_voltage(m, x, 1) / true_current(m, x, 1);
    const double w = 2.0 * TW_PI * x[X_FREQUENCY];
    return 0.5 * 0.3 / sqrt(3.0) * fabs(0.5 * log(w * cimag(z) * x[X_CAPACITANCE]));
}

static void set_shape(model *m, const double *p, double w_rad_s) {
    double re, im;
    m->shape = load_of(p);
    tw_load_impedance(&m->shape, w_rad_s, &re, &im);
    m->shape_l = im / w_rad_s;
}

/* Relative standard uncertainty of the resonance by the fitted shape alone: difference quotients in the logarithms. */
static double shape_u(const model *m, const double *p, const double covariance[16], double w_rad_s, double inductance,
                      double capacitance) {
    const double step = 1e-4, f0 = resonance(m, inductance, capacitance);
    double slope[4], variance = 0;
    for (int k = 0; k < 4; k++) {
        model other = *m;
        double moved[4] = {p[0], p[1], p[2], p[3]};
        moved[k] += step;
        set_shape(&other, moved, w_rad_s);
        slope[k] = (resonance(&other, inductance, capacitance) / f0 - 1.0) / step;
    }
    for (int a = 0; a < 4; a++) {
        for (int b = 0; b < 4; b++) {
            variance += slope[a] * covariance[4 * a + b] * slope[b];
        }
    }
    return sqrt(fmax(variance, 0.0));
}

/* One branch of coil-pan chain through the odd harmonics' impedances. Leaves n_branches = 0 where they do not say
 * enough. */
static tw_status fit_load(tw_ctx *ctx, const double *x, model *m, double noise_u, double noise_i) {
    load_fit f = {.n = 0};
    m->shape.n_branches = 0;
    m->shape_relative_u = unshaped_u(x, m);
    for (size_t h = 1; h <= m->n_harmonics; h += 2) {
        const double complex v = true_voltage(m, x, h), i = true_current(m, x, h);
        const double relative = hypot(noise_u / x[X_GAIN] / cabs(v), noise_i * x[X_SCALE] / cabs(i));
        if (relative < 0.02) {
            f.w[f.n] = 2.0 * TW_PI * x[X_FREQUENCY] * (double)h;
            f.z[f.n] = v / i;
            const double u = cabs(f.z[f.n]) * hypot(relative, 2e-3);
            f.weight[2 * f.n] = f.weight[2 * f.n + 1] = 1.0 / (u * u);
            f.n++;
        }
    }
    if (f.n < 2) {
        return TW_OK;
    }
    const double w1 = f.w[0], l1 = cimag(f.z[0]) / w1, l_last = cimag(f.z[f.n - 1]) / f.w[f.n - 1];
    const double l_s = fmin(0.98 * l1, l_last), r = fmax(creal(f.z[0]), 1e-6);
    const tw_value prior[4] = {
        {log(0.05 * r), 1.5}, {log(l_s), 1.0}, {log(fmax(l1 - l_s, 0.02 * l1) * 1.5), 1.5}, {log(2.0 * r), 1.5}};
    const double start[4] = {prior[0].value, prior[1].value, prior[2].value, prior[3].value};
    const tw_fit_problem problem = {
        .n_rows = 2 * f.n, .n_params = 4, .residual = load_residual, .user = &f, .weight = f.weight, .prior = prior};
    double p[4], covariance[16];
    tw_fit_result result;
    TW_TRY(tw_fit_solve(ctx, &problem, NULL, start, p, covariance, &result));
    /* a load that one branch describes badly (thin or saturating pan) is not used */
    if (result.outcome != TW_FIT_NO_COVARIANCE && result.chi_square_data < 30.0 * (double)f.n) {
        const double grow = fmax(1.0, result.chi_square_data / (double)(2 * f.n));
        set_shape(m, p, w1);
        m->shape_relative_u = shape_u(m, p, covariance, w1, l1, x[X_CAPACITANCE]) * sqrt(grow);
    }
    return TW_OK;
}

/* ---- raw averages ---- */

/* Root mean square over the whole periods, the noise's share taken out. */
static double raw_rms(const tw_reveal__work *w, const double *y, double noise) {
    double sum = 0;
    size_t n = 0;
    for (size_t k = 0; k < w->whole; k++) {
        if (!w->gap[k]) {
            sum += y[k] * y[k];
            n++;
        }
    }
    return sqrt(fmax(sum / (double)(n > 0 ? n : 1) - noise * noise, 0.0));
}

/* Bins over which a peak is averaged: a quarter per cent of the period, or the fold's own width. */
static size_t peak_width(const tw_reveal__fold *f) {
    return 1 + 2 * (size_t)(0.00125 * (double)f->n);
}

/* Largest excursion of the folded period, both signs averaged, over short means so that noise does not add to it. */
static double folded_peak(const tw_reveal__fold *f, const double *y) {
    const size_t width = peak_width(f);
    double low = INFINITY, high = -INFINITY;
    for (size_t b = 0; b < f->n; b++) {
        double sum = 0;
        for (size_t j = 0; j < width; j++) {
            sum += y[(b + j) % f->n];
        }
        low = fmin(low, sum / (double)width);
        high = fmax(high, sum / (double)width);
    }
    return 0.5 * (high - low);
}

/* Parabola through the 2 half + 1 bins around `centre`. False where it is no peak or the bins do not lie on it within
 * half again their noise: a corner. */
static bool parabola_top(const tw_reveal__fold *f, const double *y, size_t centre, size_t half, double noise,
                         double *top) {
    double s0 = 0, s2 = 0, s4 = 0, y0 = 0, y1 = 0, y2 = 0, yy = 0;
    const double reference = y[centre];
    for (size_t j = 0; j <= 2 * half; j++) {
        const double t = (double)j - (double)half, v = y[(centre + f->n + j - half) % f->n] - reference;
        s0 += 1.0;
        s2 += t * t;
        s4 += t * t * t * t;
        y0 += v;
        y1 += t * v;
        y2 += t * t * v;
        yy += v * v;
    }
    const double b = y1 / s2, c = (s0 * y2 - s2 * y0) / (s0 * s4 - s2 * s2), a = (y0 - c * s2) / s0;
    const double chi = yy - a * y0 - b * y1 - c * y2;
    *top = reference + a - b * b / (4.0 * c);
    return fabs(b) < 2.0 * fabs(c) * (double)half && chi < 2.25 * noise * noise * (s0 - 3.0);
}

/* Peak of the current, both signs averaged: the top of the longest parabola that fits, so that noise does not add to
 * it; where a corner leaves none, the short mean. */
static tw_value current_peak(const tw_reveal__work *w, const tw_reveal__fold *f) {
    const double noise = w->noise_i / sqrt(fmax(1.0, (double)w->n / (double)f->n));
    const size_t width = peak_width(f);
    const double coarse = folded_peak(f, f->i);
    size_t at[2] = {0, 0}; /* of the largest and the smallest mean */
    double largest = -INFINITY, smallest = INFINITY;
    for (size_t b = 0; b < f->n; b++) {
        double sum = 0;
        for (size_t j = 0; j < width; j++) {
            sum += f->i[(b + j) % f->n];
        }
        if (sum > largest) {
            largest = sum;
            at[0] = (b + width / 2) % f->n;
        }
        if (sum < smallest) {
            smallest = sum;
            at[1] = (b + width / 2) % f->n;
        }
    }
    for (double share = 0.03; share > 0.005; share *= 0.5) {
        const size_t half = (size_t)(share * (double)f->n);
        double high, low;
        if (half >= 3 && parabola_top(f, f->i, at[0], half, noise, &high) &&
            parabola_top(f, f->i, at[1], half, noise, &low)) {
            return (tw_value){0.5 * (high - low), 1.5 * noise / sqrt(2.0 * (2.0 * (double)half + 1.0))};
        }
    }
    /* the largest of several means of one height exceeds their height by about one standard deviation */
    const double u = noise / sqrt((double)width);
    return (tw_value){coarse, M_SQRT2 * u};
}

/* Share of the period above half rail. Each of the two crossings is known to a part of a sample, or to the noise where
 * the midpoint moves slowly. */
static tw_value duty(const tw_reveal__work *w, const tw_reveal__fold *f, double rail_v) {
    double high = 0;
    for (size_t b = 0; b < f->n; b++) {
        const double here = f->v[b] - 0.5 * rail_v, next = f->v[(b + 1) % f->n] - 0.5 * rail_v;
        high += here > 0 && next > 0 ? 1.0 : here > 0 ? here / (here - next) : next > 0 ? next / (next - here) : 0.0;
    }
    const double noise_share = w->noise_u / (w->high - w->low), swing = (double)w->swing_samples;
    const double slow = w->interval_s * hypot(0.29, noise_share * swing) / sqrt((double)w->cycles);
    const double jump = 0.29 * w->period_s / (double)f->n * fmin(1.0, 4.0 / fmax(swing, 1.0)); /* within one bin */
    return (tw_value){high / (double)f->n, M_SQRT2 * hypot(slow, jump) / w->period_s};
}

/* What averaging leaves of the samples' noise; it is small and acts on one result each, hence added after the law of
 * propagation. */
static void add_noise(const tw_reveal__work *w, double peak_u, double gain, double scale, tw_revealed *out) {
    const double n = (double)w->whole;
    out->coil_current_rms_a.u = hypot(out->coil_current_rms_a.u, scale * w->noise_i / sqrt(n));
    out->coil_current_peak_a.u = hypot(out->coil_current_peak_a.u, scale * peak_u);
    out->coil_voltage_rms_v.u = hypot(out->coil_voltage_rms_v.u, w->noise_u / gain / sqrt(n));
}

static tw_status take_phasors(tw_ctx *ctx, const tw_reveal__work *w, const double *y, size_t n_harmonics,
                              double complex *phasor) {
    tw_harmonics h;
    TW_TRY(tw_harmonics_fit_held(ctx, w->whole, y, w->interval_s, w->frequency_hz, n_harmonics, &h));
    for (size_t k = 0; k < n_harmonics; k++) {
        phasor[k] = h.phasor[k];
    }
    tw_harmonics_dispose(&h);
    return TW_OK;
}

/* Standard uncertainty of a phasor's real or imaginary part over whole periods. The samples' noise counts, not the
 * fit's residual: that holds the harmonics above the last, which are no noise and orthogonal. */
static double phasor_u(const tw_reveal__work *w, double noise) {
    return noise * sqrt(2.0 / (double)w->whole);
}

static void fill_covariance(const tw_reveal__work *w, const tw_reveal__solution *s, double *c) {
    static const int CALIBRATION[5] = {P_CAPACITANCE, P_GAIN, P_LEAD, P_SCALE, P_ESR};
    memset(c, 0, X_COUNT * X_COUNT * sizeof *c);
    for (int a = 0; a < 5; a++) {
        for (int b = 0; b < 5; b++) {
            c[a * X_COUNT + b] = s->covariance[CALIBRATION[a] * P_COUNT + CALIBRATION[b]];
        }
    }
    const double u_u = phasor_u(w, w->noise_u), i_u = phasor_u(w, w->noise_i);
    c[X_U_RE * X_COUNT + X_U_RE] = c[X_U_IM * X_COUNT + X_U_IM] = u_u * u_u;
    c[X_I_RE * X_COUNT + X_I_RE] = c[X_I_IM * X_COUNT + X_I_IM] = i_u * i_u;
    c[X_FREQUENCY * X_COUNT + X_FREQUENCY] = w->frequency_u * w->frequency_u;
}

static void hand_out(const tw_uncert_budget *b, tw_revealed *out) {
    tw_value *const target[Y_COUNT] = {
        [Y_REAL_POWER] = &out->real_power_w,
        [Y_REACTIVE] = &out->reactive_power_var,
        [Y_APPARENT] = &out->apparent_power_va,
        [Y_FACTOR] = &out->power_factor,
        [Y_CURRENT_RMS] = &out->coil_current_rms_a,
        [Y_CURRENT_PEAK] = &out->coil_current_peak_a,
        [Y_VOLTAGE_RMS] = &out->coil_voltage_rms_v,
        [Y_CAPACITOR_PEAK] = &out->capacitor_voltage_peak_v,
        [Y_BRIDGE_LAG] = &out->bridge_phase_lag_rad,
        [Y_COIL_LAG] = &out->coil_phase_lag_rad,
        [Y_RESISTANCE] = &out->equivalent_resistance_ohm,
        [Y_INDUCTANCE] = &out->equivalent_inductance_h,
        [Y_RESONANCE] = &out->resonant_frequency_hz,
    };
    for (int k = 0; k < Y_COUNT; k++) {
        *target[k] = (tw_value){b->y[k], b->u[k]};
    }
}

static tw_value solved(const tw_reveal__solution *s, int which) {
    return (tw_value){s->p[which], sqrt(s->covariance[which * P_COUNT + which])};
}

tw_status tw_reveal__quantities(tw_ctx *ctx, const tw_reveal__work *w, const tw_reveal__solution *s,
                                const tw_reveal__calibration *cal, const tw_reveal__fold *fold, tw_revealed *out) {
    const bool lost = cal->lost && !tw_is_known(w->prior.capacitance_f);
    model m = {.ctx = ctx, .n_harmonics = TW_REVEAL_HARMONICS};
    const double per = w->period_s / w->interval_s;
    while (m.n_harmonics > 1 && ((double)m.n_harmonics > 0.4 * per || 2 * m.n_harmonics + 4 > w->whole)) {
        m.n_harmonics--;
    }
    TW_TRY(take_phasors(ctx, w, w->u, m.n_harmonics, m.u));
    TW_TRY(take_phasors(ctx, w, w->i, m.n_harmonics, m.i));
    m.voltage_rms = raw_rms(w, w->u, w->noise_u);
    m.current_rms = raw_rms(w, w->i, w->noise_i);
    const tw_value peak = current_peak(w, fold);
    m.current_peak = peak.value;
    m.charge_peak = folded_peak(fold, fold->q);
    const double x[X_COUNT] = {s->p[P_CAPACITANCE], s->p[P_GAIN],  s->p[P_LEAD],  s->p[P_SCALE], s->p[P_ESR],
                               creal(m.u[0]),       cimag(m.u[0]), creal(m.i[0]), cimag(m.i[0]), w->frequency_hz};
    TW_TRY(fit_load(ctx, x, &m, M_SQRT2 * phasor_u(w, w->noise_u), M_SQRT2 * phasor_u(w, w->noise_i)));
    double covariance[X_COUNT * X_COUNT];
    fill_covariance(w, s, covariance);
    const tw_uncert_model law = {.n_inputs = X_COUNT, .n_outputs = Y_COUNT, .eval = evaluate, .user = &m};
    tw_uncert_budget budget;
    TW_TRY(tw_uncert_propagate(ctx, &law, x, covariance, &budget));
    hand_out(&budget, out);
    tw_uncert_budget_dispose(&budget);
    add_noise(w, peak.u, s->p[P_GAIN], s->p[P_SCALE], out);
    out->resonant_frequency_hz.u =
        hypot(out->resonant_frequency_hz.u, out->resonant_frequency_hz.value * m.shape_relative_u);
    out->switching_frequency_hz = (tw_value){w->frequency_hz, w->frequency_u};
    out->rail_v = solved(s, P_RAIL);
    out->loop_gain = solved(s, P_GAIN);
    out->tank_capacitance_f = solved(s, P_CAPACITANCE);
    if (lost) {
        out->tank_capacitance_f = out->resonant_frequency_hz = out->capacitor_voltage_peak_v = tw_unknown();
    }
    out->channel_skew_s = solved(s, P_LEAD);
    out->channel_skew_s.value = w->offset_s - out->channel_skew_s.value;
    out->duty = duty(w, fold, s->p[P_RAIL]);
    return TW_OK;
}

/* Calibration: what scales the record, from the record itself and from what is known beforehand.
 *
 * While a device conducts, v_m = V_r sigma - drop(i) with sigma 0 or 1, and v_coil = v_m - v_C - esr i. The loop sees
 * u = g v_coil, so that with the charge q as measured (true charge = kappa q)
 *     u + g drop(i) = -alpha q + S sigma + c + beta i,   alpha = g kappa/C,  S = g V_r,  beta = -(alpha d + g kappa
 * esr), d being what is still missing in the assumed lead of the voltage channel. Linear least squares over all samples
 * on a rail gives alpha, S, c, beta. A second estimate of the lead comes from the corners of the current. These five
 * numbers and the priors on V_r, C, g, kappa, esr and the lead determine the six unknowns by weighted least squares;
 * what is over-determined is the consistency check. Derivation: docs/theory.md, "Reconstruction".
 */
#include "reveal_internal.h"

#include <math.h>
#include <string.h>

static const char ROOM[] = "reveal";

/* An ESR stated without uncertainty is a data-sheet or guessed figure: layout and temperature move it by about this
 * much. Our own choice; it decides only how far the lead may be taken from the ESR instead of from the corners. */
#define ESR_RELATIVE_U 0.3
#define ESR_FLOOR_U_OHM 2e-3
/* What averaging over many samples can reach at best, of a value and of a sample interval: uneven codes and the
 * straight line between samples do not average away. Our own choice. */
#define AVERAGING_LIMIT 1e-5
#define AVERAGING_LIMIT_SAMPLES 1e-3
/* The capacitor voltage counts as lost when its scale is known worse than this (relative standard uncertainty): beyond,
 * 1/alpha is no longer a normal quantity and C would be a number without meaning. */
#define LOST_RELATIVE_U 0.2
/* Then C is only held in place: around its smallest likely value, by a factor of e either way. */
#define LOST_LOG_U 1.0
/* The corner fit leaves out the pan's slower reaction. Our own choice, with which the skew of random rigs is covered
 * (test_reveal_coverage). */
#define CORNER_FLOOR_U_S 1e-9

double tw_reveal__drop(const tw_prior *prior, bool high, double i) {
    const bool transistor = high == (i > 0);
    const double threshold = transistor ? prior->transistor_threshold_v.value : prior->diode_threshold_v.value;
    const double slope = transistor ? prior->transistor_slope_ohm.value : prior->diode_slope_ohm.value;
    return (i > 0 ? threshold : -threshold) + slope * i;
}

/* ---- linear part ---- */

/* Just after the current's turn the snubbers take it while the midpoint crosses the play between the diode's and the
 * transistor's drop, C_m (V_t + V_d) = i^2 / (2 di/dt): samples with less current than that are on neither drop. Twice
 * the charge for safety; the slope is at most w I. */
static double play_current(const tw_reveal__work *w) {
    double peak = 0;
    for (size_t k = 0; k < w->n; k++) {
        peak = fmax(peak, fabs(w->i_v[k]));
    }
    const tw_prior *p = &w->prior;
    if (!tw_is_known(p->midpoint_capacitance_f)) {
        return 0.08 * peak;
    }
    const double charge =
        p->midpoint_capacitance_f.value * (p->transistor_threshold_v.value + p->diode_threshold_v.value);
    return fmin(0.2 * peak, sqrt(4.0 * charge * 2.0 * TW_PI * w->frequency_hz * peak));
}

static tw_status no_levels(tw_ctx *ctx, const tw_reveal__work *w, bool clipped) {
    if (!tw_is_known(w->prior.rail_v) && !tw_is_known(w->prior.loop_gain)) {
        return tw_fail(
            ctx, TW_NEEDS_OPTION, ROOM,
            "the capacitor voltage is too weak or lost in the noise, so that the tank capacitance cannot set "
            "the scale of volts: state the rail voltage or the loop gain");
    }
    return tw_fail(ctx, TW_BAD_DATA, ROOM,
                   "too few samples lie on the rails to calibrate: the midpoint's levels do not stay flat%s",
                   clipped ? "; the record is clipped, use a larger vertical range" : "");
}

static tw_status fit_levels(tw_ctx *ctx, tw_reveal__work *w, double gain, bool clipped, tw_reveal__calibration *cal) {
    tw_lsq *fit;
    TW_TRY(tw_lsq_create(ctx, 4, &fit));
    tw_status status = TW_OK;
    const double play = play_current(w);
    for (size_t k = 0; k < w->n && status == TW_OK; k++) {
        if (w->level[k] == LEVEL_MOVING || fabs(w->i_v[k]) < play) {
            continue;
        }
        const bool high = w->level[k] == LEVEL_HIGH;
        const double row[4] = {-w->q_v[k], high ? 1.0 : 0.0, 1.0, w->i_v[k]};
        status = tw_lsq_add(ctx, fit, row, w->u[k] + gain * tw_reveal__drop(&w->prior, high, w->i_v[k]), 1.0);
    }
    double x[4];
    tw_lsq_info info;
    memset(&info, 0, sizeof info);
    if (status == TW_OK) {
        status = tw_lsq_solve(ctx, fit, x, cal->covariance, &info);
    }
    tw_lsq_destroy(fit);
    if (status == TW_SINGULAR || (status == TW_OK && info.n_rows < 12)) {
        tw_ctx_clear_error(ctx);
        return no_levels(ctx, w, clipped);
    }
    TW_TRY(status);
    const double variance = info.chi_square / (double)(info.n_rows - 4);
    for (int j = 0; j < 16; j++) {
        cal->covariance[j] *= variance;
    }
    cal->alpha = x[0];
    cal->step = x[1];
    cal->offset = x[2];
    cal->beta = x[3];
    cal->residual = sqrt(variance);
    cal->samples = info.n_rows;
    cal->lost = !(cal->alpha * LOST_RELATIVE_U > sqrt(cal->covariance[0]));
    w->alpha = cal->alpha;
    w->low = cal->offset;
    w->high = cal->offset + cal->step;
    w->noise_u = cal->residual;
    return TW_OK;
}

/* ---- joint solution with the priors ---- */

typedef struct joint {
    double observed[4]; /* alpha, S, beta, corner lead */
    double whiten[16];  /* rows of the inverse Cholesky factor of their covariance */
    double lead_s;      /* lead assumed in the linear part */
    double scale[P_COUNT];
} joint;

/* p: V_r, C, g, kappa as logarithms of their ratio to a start value (all are positive), lead and esr as they are. */
static tw_status joint_residual(const double *p, double *r, void *user) {
    const joint *j = user;
    const double lead = p[P_LEAD] * j->scale[P_LEAD], esr = p[P_ESR] * j->scale[P_ESR];
    const double gain = j->scale[P_GAIN] * exp(p[P_GAIN]), scaled_gain = gain * exp(p[P_SCALE]);
    const double alpha = scaled_gain / (j->scale[P_CAPACITANCE] * exp(p[P_CAPACITANCE]));
    const double miss[4] = {
        alpha - j->observed[0],
        gain * j->scale[P_RAIL] * exp(p[P_RAIL]) - j->observed[1],
        -alpha * (lead - j->lead_s) - scaled_gain * esr - j->observed[2],
        lead - j->observed[3],
    };
    for (int a = 0; a < 4; a++) {
        r[a] = 0;
        for (int b = 0; b <= a; b++) {
            r[a] += j->whiten[a * 4 + b] * miss[b];
        }
    }
    return TW_OK;
}

/* Covariance of the observed quantities and its whitening factor. */
static tw_status whiten(tw_ctx *ctx, const tw_reveal__work *w, const tw_reveal__calibration *cal, joint *j) {
    static const int INDEX[3] = {0, 1, 3}; /* alpha, step, beta in the linear fit */
    double covariance[16] = {0}, l[16], inverse[16];
    for (int a = 0; a < 3; a++) {
        for (int b = 0; b < 3; b++) {
            covariance[a * 4 + b] = cal->covariance[INDEX[a] * 4 + INDEX[b]];
        }
    }
    /* the steps of the quantiser and the straight line between samples limit what averaging can reach */
    covariance[0] += pow(AVERAGING_LIMIT * cal->alpha, 2);
    covariance[5] += pow(AVERAGING_LIMIT * cal->step, 2);
    covariance[10] += pow(AVERAGING_LIMIT_SAMPLES * w->interval_s * cal->alpha, 2);
    covariance[15] =
        isfinite(cal->corner_u) ? cal->corner_u * cal->corner_u + CORNER_FLOOR_U_S * CORNER_FLOOR_U_S : 1.0;
    TW_TRY(tw_matrix_cholesky(ctx, 4, covariance, l));
    TW_TRY(tw_matrix_invert(ctx, 4, l, inverse, NULL));
    for (int a = 0; a < 16; a++) {
        j->whiten[a] = a % 4 <= a / 4 ? inverse[a] : 0.0;
    }
    return TW_OK;
}

/* A prior in the joint fit's coordinates; exact values get a tiny width so that the fit stays regular. */
static tw_value log_prior(tw_value v, double start) {
    if (!tw_is_known(v)) {
        return tw_unknown();
    }
    return (tw_value){log(v.value / start), fmax(v.u / v.value, 1e-7)};
}

static double relative_u2(tw_value v) {
    return v.value > 0 ? pow(v.u / v.value, 2) : 0.0;
}

/* alpha for a start: where it is lost, its largest likely value. */
static double start_alpha(const tw_reveal__calibration *cal) {
    return cal->lost ? fmax(cal->alpha, 0.0) + sqrt(cal->covariance[0]) : cal->alpha;
}

/* Start values from whatever is known, in the order rail, gain, capacitance. */
static void start_values(const tw_prior *prior, const tw_reveal__calibration *cal, double *rail, double *c, double *g) {
    if (tw_is_known(prior->rail_v)) {
        *rail = prior->rail_v.value;
        *g = cal->step / *rail;
    } else if (tw_is_known(prior->loop_gain)) {
        *g = prior->loop_gain.value;
        *rail = cal->step / *g;
    } else {
        *g = cal->alpha * prior->capacitance_f.value;
        *rail = cal->step / *g;
    }
    *c = *g / start_alpha(cal);
}

static void fill_priors(const tw_reveal__work *w, const tw_reveal__calibration *cal, const joint *j,
                        tw_value prior[P_COUNT]) {
    const tw_prior *p = &w->prior;
    const double kappa_u = sqrt(relative_u2(p->burden_ohm) + relative_u2(p->turns));
    prior[P_RAIL] = log_prior(p->rail_v, j->scale[P_RAIL]);
    prior[P_CAPACITANCE] = log_prior(p->capacitance_f, j->scale[P_CAPACITANCE]);
    if (cal->lost && !tw_is_known(p->capacitance_f)) {
        prior[P_CAPACITANCE] = (tw_value){0.0, LOST_LOG_U};
    }
    prior[P_GAIN] = log_prior(p->loop_gain, j->scale[P_GAIN]);
    prior[P_SCALE] = (tw_value){0.0, fmax(kappa_u, 1e-7)};
    const double esr = tw_is_known(p->esr_ohm) ? p->esr_ohm.value : 0.0;
    const double esr_u =
        tw_is_known(p->esr_ohm) && p->esr_ohm.u > 0 ? p->esr_ohm.u : hypot(ESR_RELATIVE_U * esr, ESR_FLOOR_U_OHM);
    prior[P_ESR] = (tw_value){esr / j->scale[P_ESR], esr_u / j->scale[P_ESR]};
    prior[P_LEAD] = tw_unknown();
    if (tw_is_known(p->skew_s)) {
        prior[P_LEAD] =
            (tw_value){(w->offset_s - p->skew_s.value) / j->scale[P_LEAD], fmax(p->skew_s.u, 1e-12) / j->scale[P_LEAD]};
    }
}

static tw_status solve_joint(tw_ctx *ctx, const tw_reveal__work *w, const tw_reveal__calibration *cal, double lead_s,
                             tw_reveal__solution *s) {
    joint j = {.lead_s = lead_s};
    j.observed[0] = cal->alpha;
    j.observed[1] = cal->step;
    j.observed[2] = cal->beta;
    j.observed[3] = cal->corner_lead_s;
    TW_TRY(whiten(ctx, w, cal, &j));
    start_values(&w->prior, cal, &j.scale[P_RAIL], &j.scale[P_CAPACITANCE], &j.scale[P_GAIN]);
    j.scale[P_LEAD] = w->interval_s;
    j.scale[P_SCALE] = 1.0;
    j.scale[P_ESR] = 1e-3;
    tw_value prior[P_COUNT];
    fill_priors(w, cal, &j, prior);
    const double start[P_COUNT] = {[P_LEAD] = lead_s / w->interval_s, [P_ESR] = prior[P_ESR].value};
    const double typical[P_COUNT] = {1e-3, 1e-3, 1e-3, 1.0, 1e-3, 1.0};
    const tw_fit_problem problem = {
        .n_rows = 4, .n_params = P_COUNT, .residual = joint_residual, .user = &j, .prior = prior, .scale = typical};
    double p[P_COUNT], covariance[P_COUNT * P_COUNT];
    tw_fit_result result;
    TW_TRY(tw_fit_solve(ctx, &problem, NULL, start, p, covariance, &result));
    if (result.outcome == TW_FIT_NO_COVARIANCE || result.outcome == TW_FIT_ITERATIONS) {
        return tw_fail(ctx, TW_NO_CONVERGENCE, ROOM, "the calibration does not settle (chi-square %.3g)",
                       result.chi_square);
    }
    double unit[P_COUNT];
    for (int a = 0; a < P_COUNT; a++) {
        const bool logarithmic = a != P_LEAD && a != P_ESR;
        s->p[a] = logarithmic ? j.scale[a] * exp(p[a]) : j.scale[a] * p[a];
        unit[a] = logarithmic ? s->p[a] : j.scale[a];
    }
    for (int a = 0; a < P_COUNT * P_COUNT; a++) {
        s->covariance[a] = covariance[a] * unit[a / P_COUNT] * unit[a % P_COUNT];
    }
    s->chi_square = result.chi_square;
    s->degrees_of_freedom = result.degrees_of_freedom;
    return TW_OK;
}

static tw_status check_levels(tw_ctx *ctx, const tw_reveal__work *w, const tw_reveal__calibration *cal) {
    if (!(cal->step > 0)) {
        return tw_fail(ctx, TW_BAD_DATA, ROOM, "no switching found: the midpoint's two levels cannot be told apart");
    }
    if (cal->lost && !tw_is_known(w->prior.rail_v) && !tw_is_known(w->prior.loop_gain)) {
        return no_levels(ctx, w, false);
    }
    return TW_OK;
}

/* Loop volts per coil volt from the first guess of the levels, for the devices' drops. */
static double first_gain(const tw_reveal__work *w) {
    if (tw_is_known(w->prior.loop_gain)) {
        return w->prior.loop_gain.value;
    }
    return tw_is_known(w->prior.rail_v) ? (w->high - w->low) / w->prior.rail_v.value
                                        : fmax(w->alpha, 0.0) * w->prior.capacitance_f.value;
}

tw_status tw_reveal__calibrate(tw_ctx *ctx, tw_reveal__work *w, tw_reveal__calibration *cal, tw_reveal__solution *s,
                               tw_warnings *warnings) {
    double lead = w->offset_s - (tw_is_known(w->prior.skew_s) ? w->prior.skew_s.value : 0.0);
    tw_reveal__align(w, lead);
    TW_TRY(tw_reveal__find_levels(ctx, w));
    const bool clipped = tw_warnings_has(warnings, "clipped_current") || tw_warnings_has(warnings, "clipped_voltage");
    double gain = first_gain(w);
    /* every pass improves levels, lead and gain; they settle in three or four */
    for (int pass = 0; pass < 12; pass++) {
        tw_reveal__align(w, lead);
        TW_TRY(tw_reveal__classify(ctx, w, gain, pass < 2));
        TW_TRY(fit_levels(ctx, w, gain, clipped, cal));
        TW_TRY(check_levels(ctx, w, cal));
        TW_TRY(tw_reveal__corner_lead(ctx, w, lead, &cal->corner_lead_s, &cal->corner_u));
        TW_TRY(solve_joint(ctx, w, cal, lead, s));
        const double change = fabs(s->p[P_LEAD] - lead);
        lead = s->p[P_LEAD];
        gain = s->p[P_GAIN];
        if (pass >= 4 && change < 1e-4 * w->interval_s) {
            break;
        }
    }
    tw_reveal__align(w, lead);
    return tw_reveal__consistency(ctx, w, cal, s, warnings);
}

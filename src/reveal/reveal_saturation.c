/* Does the current transformer saturate?
 *
 * The coil's flux linkage, which the loop channel gives as psi = integral of u, is a linear functional of the true coil
 * current: for a coil with a pan (a chain of branches L_k parallel R_k; circuit room)
 *     psi/g = L_s i + R_1 q + sum L_k lp_k(i),   lp_k: first-order low pass with tau_k = L_k/R_k.
 * A saturating core swallows current only where its own flux, proportional to the charge q, is near its extremes: the
 * true current is i + e with e of q's sign and zero for small |q|. psi is fitted with i, q, three low passes that stand
 * for any passive load, u itself (an error of the channels' lead) and the hinge max(0, |q|/q_max - knee) sign(q). Only
 * saturation gives that one a large positive coefficient. The method is ours.
 */
#include "reveal_internal.h"

#include <math.h>

#define LOW_PASSES 3
#define COLUMNS (5 + LOW_PASSES)
/* Share of the flux linkage's amplitude and standard deviations from which the hinge is believed. Sound cores on 295
 * random rigs (test_reveal_saturation, seeds 11 to 18) reach a share of 0.029 and 16 deviations (the fit's residual is
 * not white); a core whose knee lies at 85 % of the flux or lower gives more than 0.08 and 30. */
#define LEAST_SHARE 0.05
#define LEAST_SIGNIFICANCE 20.0

/* Periodic first-order low pass over the ring. */
static void low_pass(size_t n, const double *y, double tau_bins, double *out) {
    const double keep = exp(-1.0 / tau_bins);
    double state = 0;
    for (size_t k = 0; k < n; k++) {
        state = keep * state + (1.0 - keep) * y[k];
    }
    state /= 1.0 - exp(-(double)n / tau_bins);
    for (size_t k = 0; k < n; k++) {
        state = keep * state + (1.0 - keep) * y[k];
        out[k] = state;
    }
}

/* Integral over the ring without its mean; returns its largest modulus. */
static double flux_linkage(const tw_reveal__fold *f, double *psi) {
    double mean_u = 0, mean = 0, sum = 0, largest = 0;
    for (size_t k = 0; k < f->n; k++) {
        mean_u += f->u[k] / (double)f->n;
    }
    for (size_t k = 0; k < f->n; k++) {
        sum += f->u[k] - mean_u;
        psi[k] = sum - 0.5 * (f->u[k] - mean_u);
        mean += psi[k] / (double)f->n;
    }
    for (size_t k = 0; k < f->n; k++) {
        psi[k] -= mean;
        largest = fmax(largest, fabs(psi[k]));
    }
    return largest;
}

static double largest_modulus(size_t n, const double *y) {
    double largest = 0;
    for (size_t k = 0; k < n; k++) {
        largest = fmax(largest, fabs(y[k]));
    }
    return largest;
}

/* Coefficient of the hinge and its standard deviation. Unknown where the columns do not determine it. */
static tw_status fit_hinge(tw_ctx *ctx, const tw_reveal__fold *f, const double *psi, const double *passed, double knee,
                           tw_value *out) {
    const double q_max = largest_modulus(f->n, f->q), i_max = largest_modulus(f->n, f->i);
    const double u_max = largest_modulus(f->n, f->u);
    tw_lsq *fit;
    TW_TRY(tw_lsq_create(ctx, COLUMNS, &fit));
    tw_status status = TW_OK;
    for (size_t k = 0; k < f->n && status == TW_OK; k++) {
        const double q = f->q[k] / q_max, over = fmax(0.0, fabs(q) - knee);
        double row[COLUMNS] = {q < 0 ? -over : over, 1.0, f->i[k] / i_max, q, f->u[k] / u_max};
        for (size_t p = 0; p < LOW_PASSES; p++) {
            row[5 + p] = passed[p * f->n + k] / i_max;
        }
        status = tw_lsq_add(ctx, fit, row, psi[k], f->count[k]);
    }
    double x[COLUMNS], covariance[COLUMNS * COLUMNS];
    tw_lsq_info info;
    *out = tw_unknown();
    if (status == TW_OK) {
        status = tw_lsq_solve(ctx, fit, x, covariance, &info);
        if (status == TW_OK && info.n_rows > 2 * COLUMNS) {
            /* the residual is smooth, not white: counting only a tenth of the bins as independent */
            const double variance = info.chi_square / (double)(info.n_rows - COLUMNS);
            *out = (tw_value){x[0] * (1.0 - knee), (1.0 - knee) * sqrt(10.0 * variance * covariance[0])};
        } else if (status == TW_SINGULAR) {
            tw_ctx_clear_error(ctx);
            status = TW_OK;
        }
    }
    tw_lsq_destroy(fit);
    return status;
}

/* The strongest hinge: its share of the coil's flux linkage, and in standard deviations. */
static tw_status hinge_of(tw_ctx *ctx, const tw_reveal__fold *f, double *share, double *significance) {
    static const double TAU[LOW_PASSES] = {0.02, 0.08, 0.3}; /* periods: pans from thick copper to thin steel */
    static const double KNEES[] = {0.5, 0.7, 0.85};
    *share = *significance = 0;
    double *psi = tw_alloc(ctx, (1 + LOW_PASSES) * f->n, sizeof *psi);
    if (psi == NULL) {
        return TW_NO_MEMORY;
    }
    double *passed = psi + f->n;
    const double amplitude = flux_linkage(f, psi);
    for (size_t p = 0; p < LOW_PASSES; p++) {
        low_pass(f->n, f->i, TAU[p] * (double)f->n, passed + p * f->n);
    }
    tw_status status = TW_OK;
    for (size_t k = 0; k < sizeof KNEES / sizeof KNEES[0] && status == TW_OK; k++) {
        tw_value hinge;
        status = fit_hinge(ctx, f, psi, passed, KNEES[k], &hinge);
        if (status == TW_OK && tw_is_known(hinge) && hinge.value / hinge.u > *significance) {
            *significance = hinge.value / hinge.u;
            *share = hinge.value / amplitude;
        }
    }
    tw_free(psi);
    return status;
}

static bool believed(double share, double significance) {
    return share > LEAST_SHARE && significance > LEAST_SIGNIFICANCE;
}

tw_status tw_reveal__check_saturation(tw_ctx *ctx, const tw_reveal__fold *f, tw_warnings *warnings) {
    double share, significance;
    TW_TRY(hinge_of(ctx, f, &share, &significance));
    if (believed(share, significance)) {
        TW_TRY(tw_warn(ctx, warnings, "transformer_saturating",
                       "around its turn the current falls away from what the coil voltage says (%.2g of the peak): the "
                       "current transformer saturates; use a smaller burden, more turns or a larger core",
                       share));
    }
    return TW_OK;
}

tw_status tw_reveal__blame_saturation(tw_ctx *ctx, const tw_reveal__work *w, const tw_warnings *warnings,
                                      tw_status failed) {
    static const tw_reveal__calibration NONE = {.alpha = 0};
    tw_reveal__solution unit = {.p = {[P_GAIN] = 1.0}};
    tw_reveal__fold fold = {.n = 0};
    double share = 0, significance = 0;
    const tw_error first = *tw_ctx_error(ctx); /* what is tried here may fail as well and clears the record */
    tw_ctx_clear_error(ctx);
    /* A clamp cuts the current where it is largest, which the search below could take for saturation. */
    if (tw_warnings_has(warnings, "clamp_conducting")) {
        return tw_fail(
            ctx, failed, first.room,
            "%s; the burden goes beyond the %.3g V where its clamp conducts, which may be why: use a smaller "
            "burden or more turns, or check which channel is which and its scale",
            first.message, w->prior.clamp_onset_v);
    }
    tw_status status = tw_reveal__fold_make(ctx, w, &unit, &NONE, &fold);
    if (status == TW_OK) {
        status = hinge_of(ctx, &fold, &share, &significance);
    }
    tw_reveal__fold_dispose(&fold);
    tw_ctx_clear_error(ctx);
    if (status != TW_OK || !believed(share, significance)) {
        return tw_fail(ctx, failed, first.room, "%s", first.message);
    }
    return tw_fail(ctx, failed, "reveal",
                   "the current transformer saturates: around its turn the current falls away from what the coil "
                   "voltage says (%.2g of the peak), so that the record cannot be calibrated",
                   share);
}

/* Type A statistics (JCGM 100:2008, 4.2 and eq. 17), covariance and correlation, effective degrees of freedom
 * (Welch-Satterthwaite, G.4.1), coverage factors. */
#include "uncert_private.h"

#include "tankwright/numeric.h"

#include <math.h>
#include <string.h>

#define SLACK 1e-9 /* by which a correlation may miss symmetry or exceed 1 through rounding */

tw_status tw_uncert__check_correlation(tw_ctx *ctx, size_t n, const double *r) {
    for (size_t i = 0; i < n; i++) {
        for (size_t j = 0; j <= i; j++) {
            const double a = r[i * n + j], b = r[j * n + i];
            const bool good = i == j ? fabs(a - 1.0) <= SLACK : fabs(a) <= 1.0 + SLACK && fabs(a - b) <= SLACK;
            if (!good) {
                return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "correlation of inputs %zu and %zu: %g and %g", i + 1, j + 1,
                               a, b);
            }
        }
    }
    return TW_OK;
}

tw_status tw_uncert_covariance(tw_ctx *ctx, size_t n, const tw_value *x, const double *correlation,
                               double *covariance) {
    for (size_t i = 0; i < n; i++) {
        if (!isfinite(x[i].u) || x[i].u < 0.0) {
            return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "standard uncertainty of input %zu is %g", i + 1, x[i].u);
        }
    }
    if (correlation != NULL) {
        TW_TRY(tw_uncert__check_correlation(ctx, n, correlation));
    }
    for (size_t i = 0; i < n; i++) {
        for (size_t j = 0; j < n; j++) {
            const double other = correlation != NULL ? correlation[i * n + j] : 0.0;
            covariance[i * n + j] = x[i].u * x[j].u * (i == j ? 1.0 : other);
        }
    }
    return TW_OK;
}

void tw_uncert_correlation(size_t n, const double *covariance, double *correlation) {
    for (size_t i = 0; i < n; i++) {
        for (size_t j = 0; j < i; j++) {
            const double size = sqrt(covariance[i * n + i]) * sqrt(covariance[j * n + j]);
            const double r = size > 0.0 ? fmin(1.0, fmax(-1.0, covariance[i * n + j] / size)) : 0.0;
            correlation[i * n + j] = correlation[j * n + i] = r;
        }
    }
    for (size_t i = 0; i < n; i++) {
        correlation[i * n + i] = 1.0;
    }
}

tw_status tw_uncert_type_a(tw_ctx *ctx, size_t n_obs, size_t n, const double *obs, double *mean,
                           double *covariance_of_means, double *sd) {
    if (n_obs < 2 || n == 0) {
        return tw_fail(ctx, TW_BAD_DATA, ROOM, "%zu observations of %zu quantities, wanted two or more", n_obs, n);
    }
    for (size_t i = 0; i < n_obs * n; i++) {
        if (!isfinite(obs[i])) {
            return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "observation %zu of quantity %zu is not finite", i / n + 1,
                           i % n + 1);
        }
    }
    for (size_t q = 0; q < n; q++) { /* two passes: the second removes the rounding of the first */
        double sum = 0.0, rest = 0.0;
        for (size_t k = 0; k < n_obs; k++) {
            sum += obs[k * n + q];
        }
        const double first = sum / (double)n_obs;
        for (size_t k = 0; k < n_obs; k++) {
            rest += obs[k * n + q] - first;
        }
        mean[q] = first + rest / (double)n_obs;
    }
    for (size_t q = 0; q < n; q++) {
        for (size_t r = 0; r <= q; r++) {
            double sum = 0.0;
            for (size_t k = 0; k < n_obs; k++) {
                sum += (obs[k * n + q] - mean[q]) * (obs[k * n + r] - mean[r]);
            }
            const double s = sum / (double)(n_obs - 1);
            covariance_of_means[q * n + r] = covariance_of_means[r * n + q] = s / (double)n_obs;
            if (q == r && sd != NULL) {
                sd[q] = sqrt(s);
            }
        }
    }
    return TW_OK;
}

tw_status tw_uncert_effective_dof(tw_ctx *ctx, size_t n, const double *contribution, const double *dof,
                                  double *effective) {
    double square = 0.0, denominator = 0.0;
    for (size_t i = 0; i < n; i++) {
        if (!(dof[i] > 0.0) || !isfinite(contribution[i])) {
            return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "contribution %zu: %g with %g degrees of freedom", i + 1,
                           contribution[i], dof[i]);
        }
        square += contribution[i] * contribution[i];
    }
    if (square == 0.0) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "effective degrees of freedom: every contribution is zero");
    }
    for (size_t i = 0; i < n; i++) { /* shares, so that tiny units do not underflow in the fourth power */
        const double share = contribution[i] * contribution[i] / square;
        denominator += share * share / dof[i];
    }
    *effective = 1.0 / denominator; /* infinite where every dof is */
    return TW_OK;
}

tw_status tw_uncert_coverage_factor(tw_ctx *ctx, double probability, double dof, double *k) {
    if (!(probability > 0.0 && probability < 1.0) || !(dof > 0.0)) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "coverage probability %g with %g degrees of freedom", probability,
                       dof);
    }
    return tw_student_quantile(ctx, 0.5 + probability / 2.0, dof, k);
}

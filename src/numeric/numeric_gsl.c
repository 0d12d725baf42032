/* What is taken from GSL with little around it: the error handler, quadrature, distributions, random numbers. */
#include "numeric_private.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_integration.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>

#define INTERVALS 1000 /* most subdivisions of one quadrature */

void tw_numeric__gsl_quiet(void) {
    (void)gsl_set_error_handler_off(); /* one setting for the whole process; setting it again is harmless */
}

tw_status tw_numeric__gsl_fail(tw_ctx *ctx, int gsl_status, const char *what) {
    tw_status status;
    switch (gsl_status) {
    case GSL_ENOMEM:
        status = TW_NO_MEMORY;
        break;
    case GSL_EDOM:
    case GSL_EINVAL:
    case GSL_EBADTOL:
        status = TW_BAD_ARGUMENT;
        break;
    case GSL_ERANGE:
    case GSL_EOVRFLW:
    case GSL_EUNDRFLW:
        status = TW_OUT_OF_RANGE;
        break;
    case GSL_ESING:
        status = TW_SINGULAR;
        break;
    case GSL_EMAXITER:
    case GSL_EROUND:
    case GSL_EDIVERGE:
    case GSL_ETOL:
    case GSL_ENOPROG:
        status = TW_NO_CONVERGENCE;
        break;
    default:
        status = TW_INTERNAL;
        break;
    }
    return tw_fail(ctx, status, ROOM, "%s: %s", what, gsl_strerror(gsl_status));
}

tw_status tw_integrate(tw_ctx *ctx, tw_function_1d *f, void *user, double low, double high, double abs_tolerance,
                       double rel_tolerance, double *result, double *error) {
    if (!isfinite(low) || isnan(high) || high == -(double)INFINITY || !(abs_tolerance >= 0.0) ||
        !(rel_tolerance >= 0.0)) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "integral from %g to %g with tolerances %g and %g", low, high,
                       abs_tolerance, rel_tolerance);
    }
    tw_numeric__gsl_quiet();
    gsl_integration_workspace *work = gsl_integration_workspace_alloc(INTERVALS);
    if (work == NULL) {
        return tw_numeric__gsl_fail(ctx, GSL_ENOMEM, "integral");
    }
    gsl_function function = {f, user};
    double value = 0.0, estimate = 0.0;
    const int code = isinf(high) ? gsl_integration_qagiu(&function, low, abs_tolerance, rel_tolerance, INTERVALS, work,
                                                         &value, &estimate)
                                 : gsl_integration_qag(&function, low, high, abs_tolerance, rel_tolerance, INTERVALS,
                                                       GSL_INTEG_GAUSS21, work, &value, &estimate);
    gsl_integration_workspace_free(work);
    if (!isfinite(value)) {
        return tw_fail(ctx, TW_OUT_OF_RANGE, ROOM, "integral from %g to %g: the integrand is not finite", low, high);
    }
    if (code != GSL_SUCCESS) {
        /* GSL_ESING: the subdivision shows a pole; for the caller that is an integral that does not converge */
        return tw_numeric__gsl_fail(ctx, code == GSL_ESING ? GSL_EDIVERGE : code, "integral");
    }
    *result = value;
    if (error != NULL) {
        *error = estimate;
    }
    return TW_OK;
}

tw_status tw_student_quantile(tw_ctx *ctx, double p, double dof, double *t) {
    if (!(p > 0.0 && p < 1.0) || !(dof > 0.0)) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "quantile of Student's t at p = %g, %g degrees of freedom", p, dof);
    }
    tw_numeric__gsl_quiet();
    const double value = isinf(dof) ? gsl_cdf_ugaussian_Pinv(p) : gsl_cdf_tdist_Pinv(p, dof);
    if (!isfinite(value)) {
        return tw_fail(ctx, TW_OUT_OF_RANGE, ROOM, "quantile of Student's t at p = %g, %g degrees of freedom", p, dof);
    }
    *t = value;
    return TW_OK;
}

double tw_normal_probability(double z) {
    return 0.5 * erfc(-z / sqrt(2.0));
}

struct tw_rng {
    gsl_rng *generator;
};

tw_status tw_rng_create(tw_ctx *ctx, uint64_t seed, tw_rng **out) {
    tw_numeric__gsl_quiet();
    tw_rng *rng = tw_alloc(ctx, 1, sizeof *rng);
    if (rng == NULL) {
        return TW_NO_MEMORY;
    }
    rng->generator = gsl_rng_alloc(gsl_rng_mt19937);
    if (rng->generator == NULL) {
        tw_free(rng);
        return tw_numeric__gsl_fail(ctx, GSL_ENOMEM, "random numbers");
    }
    /* the generator takes 32 bits: the upper half is folded in so that it matters too */
    gsl_rng_set(rng->generator, (unsigned long)((seed ^ ((seed >> 32) * UINT64_C(0x9e3779b1))) & UINT64_C(0xffffffff)));
    *out = rng;
    return TW_OK;
}

void tw_rng_destroy(tw_rng *rng) {
    if (rng != NULL) {
        gsl_rng_free(rng->generator);
        tw_free(rng);
    }
}

double tw_rng_uniform(tw_rng *rng) {
    return gsl_rng_uniform_pos(rng->generator);
}

double tw_rng_normal(tw_rng *rng) {
    return gsl_ran_gaussian_ziggurat(rng->generator, 1.0);
}

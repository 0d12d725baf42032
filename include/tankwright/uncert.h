/* uncert: propagation of uncertainty. Knows functions, not coils.
 *
 * A measurement model is a callback y = f(x). Two routes: the law of propagation with full covariance (JCGM 100:2008,
 * eq. 13 and its matrix form JCGM 102:2011, 6.2) and Monte Carlo (JCGM 101:2008). "u" is always a standard
 * uncertainty. Matrices are dense, row-major. Outputs stay untouched unless TW_OK is returned.
 */
#ifndef TANKWRIGHT_UNCERT_H
#define TANKWRIGHT_UNCERT_H

#include "tankwright/base.h"

/* y[n_outputs] = f(x[n_inputs]). A status other than TW_OK stops the work and is returned. Not finite: TW_BAD_DATA. */
typedef tw_status tw_uncert_model_fn(const double *x, double *y, void *user);

typedef struct tw_uncert_model {
    size_t n_inputs, n_outputs;
    tw_uncert_model_fn *eval;
    void *user;
} tw_uncert_model;

/* Covariance matrix (n x n) of inputs with standard uncertainties x[i].u and correlation coefficients (n x n, unit
 * diagonal; NULL: uncorrelated). TW_BAD_ARGUMENT: u < 0, |r| > 1, not symmetric. */
tw_status tw_uncert_covariance(tw_ctx *ctx, size_t n, const tw_value *x, const double *correlation,
                               double *covariance) TW_MUST_USE;
/* Correlation coefficients (n x n, may be the same array) of a covariance matrix; 0 beside a zero variance, 1 on the
 * diagonal. */
void tw_uncert_correlation(size_t n, const double *covariance, double *correlation);

/* ---- law of propagation ------------------------------------------------------------------------- */

typedef struct tw_uncert_budget {
    size_t n_inputs, n_outputs;
    double *y;            /* n_outputs: f at the estimates */
    double *u;            /* n_outputs */
    double *covariance;   /* n_outputs x n_outputs */
    double *correlation;  /* n_outputs x n_outputs */
    double *sensitivity;  /* n_outputs x n_inputs: c_ij = dy_i/dx_j; 0 for an input with u = 0, which is not varied */
    double *contribution; /* n_outputs x n_inputs: |c_ij| u_j, the budget line */
    double
        *share; /* n_outputs x n_inputs: c_ij (C c_i)_j / u_i^2; each row sums to 1; may be negative when correlated */
} tw_uncert_budget;

/* x: n_inputs estimates. covariance: n_inputs x n_inputs. Sensitivities by central differences with a step of u/10, but
 * at least 6e-6 |x| (cube root of eps): 2 n_inputs + 1 calls of the model. TW_BAD_ARGUMENT: covariance negative on the
 * diagonal, not symmetric, or a correlation beyond 1. Release with tw_uncert_budget_dispose. */
tw_status tw_uncert_propagate(tw_ctx *ctx, const tw_uncert_model *model, const double *x, const double *covariance,
                              tw_uncert_budget *out) TW_MUST_USE;
void tw_uncert_budget_dispose(tw_uncert_budget *budget);

/* The same with sensitivities already known: out_covariance = C covariance C^T (n_outputs x n_outputs). */
tw_status tw_uncert_propagate_linear(tw_ctx *ctx, size_t n_outputs, size_t n_inputs, const double *sensitivity,
                                     const double *covariance, double *out_covariance) TW_MUST_USE;

/* ---- Monte Carlo -------------------------------------------------------------------------------- */

typedef enum tw_distribution {
    TW_DISTRIBUTION_NORMAL,
    TW_DISTRIBUTION_RECTANGULAR /* half width sqrt(3) u */
} tw_distribution;

typedef struct tw_uncert_input {
    double value, u;
    tw_distribution distribution;
} tw_uncert_input;

typedef struct tw_uncert_trials_opts {
    size_t n_trials;    /* default 20000, 100 .. 10 million */
    uint64_t seed;      /* default 1 */
    double probability; /* of the coverage intervals, default 0.95 */
} tw_uncert_trials_opts;
tw_uncert_trials_opts tw_uncert_trials_opts_default(void);

typedef struct tw_uncert_trials {
    size_t n_outputs, n_trials;
    double *mean, *u;               /* n_outputs */
    double *covariance;             /* n_outputs x n_outputs */
    double *low, *high;             /* n_outputs: probabilistically symmetric interval (JCGM 101, 7.7.2) */
    double *short_low, *short_high; /* n_outputs: shortest interval (JCGM 101, 7.7.4) */
} tw_uncert_trials;

/* correlation: n_inputs x n_inputs or NULL. Correlated rectangular inputs are drawn through a Gaussian copula whose own
 * coefficients are chosen so that the wanted linear correlation results (rectangular pair: 2 sin(pi r/6); mixed pair:
 * r sqrt(pi/3)). A trial whose model call fails stops the work. Progress and cancelling through the context.
 * TW_BAD_ARGUMENT: a correlation that the pair cannot have; TW_BAD_DATA: correlations that contradict each other;
 * TW_CANCELLED. Release with tw_uncert_trials_dispose. */
tw_status tw_uncert_simulate(tw_ctx *ctx, const tw_uncert_model *model, const tw_uncert_input *inputs,
                             const double *correlation, const tw_uncert_trials_opts *opts,
                             tw_uncert_trials *out) TW_MUST_USE;
void tw_uncert_trials_dispose(tw_uncert_trials *trials);

/* ---- intervals, type A -------------------------------------------------------------------------- */

/* Effective degrees of freedom (Welch-Satterthwaite, JCGM 100 G.4.1): u^4 / sum contribution_i^4/dof_i, u^2 = sum of
 * squares. dof_i may be INFINITY; all infinite gives INFINITY. TW_BAD_ARGUMENT: dof <= 0 or all contributions 0. */
tw_status tw_uncert_effective_dof(tw_ctx *ctx, size_t n, const double *contribution, const double *dof,
                                  double *effective) TW_MUST_USE;
/* Coverage factor k so that y +- k u holds the truth with this probability (two-sided Student t; INFINITY: normal). */
tw_status tw_uncert_coverage_factor(tw_ctx *ctx, double probability, double dof, double *k) TW_MUST_USE;

/* Statistics of n_obs >= 2 simultaneous observations of n quantities, obs[row k: observation k][quantity]. mean: n.
 * covariance_of_means: n x n, s(q, r)/n_obs (JCGM 100 eq. 17). sd: n or NULL, of single observations. */
tw_status tw_uncert_type_a(tw_ctx *ctx, size_t n_obs, size_t n, const double *obs, double *mean,
                           double *covariance_of_means, double *sd) TW_MUST_USE;

#endif

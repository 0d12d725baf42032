/* numeric: the mathematics that the physical rooms share. No physics, no units; the only room that sees GSL and
 * FFTW.
 *
 * Conventions
 *   - Matrices are dense, row-major: element (i, j) of an m x n matrix a is a[i * n + j].
 *   - Inputs must be finite; NaN or infinity gives TW_BAD_ARGUMENT with the argument's name.
 *   - Outputs stay untouched unless TW_OK is returned. Arrays belong to the caller unless a dispose function exists.
 *   - Names start with the topic (tw_matrix_, tw_lsq_, tw_eigen_, tw_fit_, ...), not with the room.
 *   - Every call is safe from several threads at once (one context per thread).
 *   - GSL's error handler, which ends the process by default and is one setting for the whole process, is switched off
 *     at the entry of every call that uses GSL (docs/internals/numeric.md).
 *   - Complex numbers are C17 `double _Complex`; include <complex.h> to work with them.
 */
#ifndef TANKWRIGHT_NUMERIC_H
#define TANKWRIGHT_NUMERIC_H

#include "tankwright/base.h"

/* re + j im. (CMPLX of <complex.h> is missing with some compilers.) */
double _Complex tw_complex(double re, double im);

/* ---- small dense matrices ----------------------------------------------------------------------- */

/* No heap for n up to this. */
#define TW_MATRIX_STACK 32

/* LU factors with partial pivoting (Golub & Van Loan, Matrix Computations, 4th ed., alg. 3.4.1) in place of `a`
 * (n x n); pivot gets n row numbers. `rcond` (may be NULL) gets an estimate of 1/(|A|_1 |A^-1|_1) (Hager 1984, Higham
 * 1988). No scaling, no heap for n <= 32. TW_SINGULAR where a pivot is exactly zero or not finite; `a` is then spoilt.
 */
tw_status tw_matrix_factor(tw_ctx *ctx, size_t n, double *a, size_t *pivot, double *rcond) TW_MUST_USE;

/* Solves A x = b in place with the factors from tw_matrix_factor. Cannot fail. */
void tw_matrix_solve_factored(size_t n, const double *lu, const size_t *pivot, double *b);

/* Solves A X = B, B and X n x n_rhs (X may be B). Rows and columns are scaled by powers of two first, so units do not
 * matter; `rcond` (may be NULL) is of the scaled matrix. TW_SINGULAR when that is below DBL_EPSILON. */
tw_status tw_matrix_solve(tw_ctx *ctx, size_t n, const double *a, size_t n_rhs, const double *b, double *x,
                          double *rcond) TW_MUST_USE;

/* inverse = A^-1 (n x n; may be `a` itself); scaling and errors as tw_matrix_solve. */
tw_status tw_matrix_invert(tw_ctx *ctx, size_t n, const double *a, double *inverse, double *rcond) TW_MUST_USE;

/* Inverse of a symmetric positive definite matrix (information matrix -> covariance) by Cholesky after scaling to a
 * unit diagonal. Only the lower triangle is read; the result is exactly symmetric. TW_SINGULAR when not positive
 * definite. */
tw_status tw_matrix_invert_symmetric(tw_ctx *ctx, size_t n, const double *a, double *inverse) TW_MUST_USE;

/* Lower Cholesky factor L (n x n, zeros above), A = L L^T, of a symmetric positive SEMIdefinite matrix: a diagonal that
 * vanishes within 64 n eps of its original gives a zero column. TW_BAD_DATA when clearly indefinite. */
tw_status tw_matrix_cholesky(tw_ctx *ctx, size_t n, const double *a, double *l) TW_MUST_USE;

/* c = A B with A m x k, B k x n, C m x n; c must not overlap. */
void tw_matrix_multiply(size_t m, size_t k, size_t n, const double *a, const double *b, double *c);

/* exp(a t), n x n, n <= TW_EXP_MAX, by scaling and squaring with the [13/13] Pade approximant (N. J. Higham, SIAM J.
 * Matrix Anal. Appl. 26 (2005) 1179, alg. 2.3), after balancing by powers of two. No heap. TW_OUT_OF_RANGE where the
 * result overflows. */
#define TW_EXP_MAX 25
tw_status tw_matrix_exp(tw_ctx *ctx, size_t n, const double *a, double t, double *result) TW_MUST_USE;

/* ---- linear least squares ----------------------------------------------------------------------- */

/* Gathers rows one by one (memory does not grow with their number) and solves min sum w (y - row . x)^2. Householder QR
 * of the rows in blocks, then a one-sided Jacobi SVD of the triangle. A prior x_j = m with standard uncertainty u is
 * one more row: e_j, y = m, weight = 1/u^2. */
typedef struct tw_lsq tw_lsq;

typedef struct tw_lsq_info {
    size_t n_rows;       /* rows with a positive weight */
    size_t rank;         /* equals the number of columns whenever TW_OK is returned */
    double condition;    /* 2-norm condition of the matrix with columns scaled to unit length */
    double chi_square;   /* sum of weight * residual^2 at the solution */
    double residual_rms; /* sqrt(chi_square / n_rows) */
} tw_lsq_info;

tw_status tw_lsq_create(tw_ctx *ctx, size_t n_cols, tw_lsq **out) TW_MUST_USE;
void tw_lsq_destroy(tw_lsq *lsq);
/* row: n_cols numbers. weight >= 0 (1/u^2 where known); weight 0 ignores the row. TW_BAD_ARGUMENT: not finite. */
tw_status tw_lsq_add(tw_ctx *ctx, tw_lsq *lsq, const double *row, double y, double weight) TW_MUST_USE;
/* x: n_cols. covariance: n_cols x n_cols or NULL, (A^T W A)^-1, which is the covariance when weights are 1/u^2;
 * multiply by chi_square/(n_rows - n_cols) when weights are relative only. info may be NULL. May be called again after
 * more rows. TW_SINGULAR when the columns are dependent within 1e-13 (scaled). */
tw_status tw_lsq_solve(tw_ctx *ctx, tw_lsq *lsq, double *x, double *covariance, tw_lsq_info *info) TW_MUST_USE;

/* All at once: a is n_rows x n_cols; weight NULL = all 1. */
tw_status tw_lsq_solve_matrix(tw_ctx *ctx, size_t n_rows, size_t n_cols, const double *a, const double *y,
                              const double *weight, double *x, double *covariance, tw_lsq_info *info) TW_MUST_USE;

/* Polynomial in z = (x - centre) / scale: sum coefficient[k] z^k. */
#define TW_POLYNOMIAL_MAX_DEGREE 15
typedef struct tw_polynomial {
    size_t degree;
    double centre, scale;
    double coefficient[TW_POLYNOMIAL_MAX_DEGREE + 1];
} tw_polynomial;

/* weight may be NULL. chi_square may be NULL. TW_BAD_DATA: fewer than degree + 1 points; TW_SINGULAR: too few distinct
 * x. */
tw_status tw_polynomial_fit(tw_ctx *ctx, size_t n, const double *x, const double *y, const double *weight,
                            size_t degree, tw_polynomial *out, double *chi_square) TW_MUST_USE;
double tw_polynomial_value(const tw_polynomial *p, double x);
double tw_polynomial_slope(const tw_polynomial *p, double x);

/* ---- eigenvalues of small real matrices --------------------------------------------------------- */

/* A = V D W with W = V^-1, n <= TW_EIGEN_MAX, all real: a real eigenvalue has one column of V; a complex pair
 * re +- j im stands in two neighbours j, j+1 with im[j] > 0, im[j+1] = -im[j]; columns j, j+1 of V are real and
 * imaginary part of the eigenvector of re + j im[j], and the diagonal block of D is [re im; -im re] (im = im[j]), so
 * exp(D t) = e^(re t) [cos sin; -sin cos](im t).
 * Method: balancing with permutation, Householder Hessenberg form, shifted QR (J. H. Wilkinson & C. Reinsch, Handbook
 * for Automatic Computation II, 1971, II/11, II/13-15; Golub & Van Loan ch. 7). No heap. */
#define TW_EIGEN_MAX 24

/* re, im: n. v, w: n x n. condition (may be NULL): |V|_1 |W|_1 with the columns scaled to unit length, in the balanced
 * coordinates; exp(A t) from V and W loses about eps * condition; use tw_matrix_exp when it is large (defective
 * matrix). TW_SINGULAR when V has no inverse, TW_NO_CONVERGENCE when QR needs over 40 n sweeps. */
tw_status tw_eigen_decompose(tw_ctx *ctx, size_t n, const double *a, double *re, double *im, double *v, double *w,
                             double *condition) TW_MUST_USE;

/* result = exp(A t), n x n. */
void tw_eigen_exp(size_t n, const double *re, const double *im, const double *v, const double *w, double t,
                  double *result);
/* x = exp(A t) x0 (x may be x0). */
void tw_eigen_apply(size_t n, const double *re, const double *im, const double *v, const double *w, double t,
                    const double *x0, double *x);

/* ---- nonlinear least squares -------------------------------------------------------------------- */

/* r[n_rows] = residuals at p[n_params]. A status other than TW_OK stops the fit and is returned by it. */
typedef tw_status tw_residual_fn(const double *p, double *r, void *user);
/* jacobian[i * n_params + j] = d r_i / d p_j */
typedef tw_status tw_jacobian_fn(const double *p, double *jacobian, void *user);

typedef struct tw_fit_problem {
    size_t n_rows, n_params;
    tw_residual_fn *residual;
    tw_jacobian_fn *jacobian; /* NULL: central differences */
    void *user;
    const double *weight;  /* n_rows, 1/u^2; NULL: all 1 */
    const tw_value *prior; /* n_params or NULL; an entry with a known value and u > 0 adds the row (p - value)/u */
    const double *scale;   /* n_params or NULL: typical size of each parameter, for difference steps near zero */
} tw_fit_problem;

typedef struct tw_fit_opts {
    size_t max_iterations; /* default 200 */
    double x_tolerance;    /* relative step, default 1e-10 */
    double g_tolerance;    /* scaled gradient, default 1e-12 */
} tw_fit_opts;
tw_fit_opts tw_fit_opts_default(void);

typedef enum tw_fit_outcome {
    TW_FIT_CONVERGED,    /* a tolerance was met */
    TW_FIT_ITERATIONS,   /* stopped at max_iterations */
    TW_FIT_NO_PROGRESS,  /* no step lowers chi-square any further, and no tolerance was met */
    TW_FIT_NO_COVARIANCE /* a tolerance was met, but the parameters are not determined: covariance is all NaN */
} tw_fit_outcome;

typedef struct tw_fit_result {
    tw_fit_outcome outcome;
    double chi_square;         /* sum of weight * r^2, prior rows included */
    double chi_square_data;    /* without the prior rows */
    size_t degrees_of_freedom; /* rows with weight > 0, plus prior rows, minus parameters */
    size_t iterations, residual_calls;
} tw_fit_result;

/* Levenberg-Marquardt (GSL multifit_nlinear, scaling of More). opts NULL = defaults. covariance: n_params x n_params or
 * NULL, (J^T W J)^-1: the covariance when weights are 1/u^2; multiply by chi_square/degrees_of_freedom when they are
 * relative. TW_OK also when the outcome is not CONVERGED: look at it. TW_BAD_DATA: fewer rows than parameters, or
 * residuals not finite at the start. */
tw_status tw_fit_solve(tw_ctx *ctx, const tw_fit_problem *problem, const tw_fit_opts *opts, const double *start,
                       double *params, double *covariance, tw_fit_result *result) TW_MUST_USE;

/* ---- roots, quadrature -------------------------------------------------------------------------- */

typedef double tw_function_1d(double x, void *user);

/* Widens [*low, *high] geometrically by up to 60 doublings, within [min, max], until the function changes sign.
 * TW_NO_CONVERGENCE when it never does. */
tw_status tw_root_bracket(tw_ctx *ctx, tw_function_1d *f, void *user, double min, double max, double *low,
                          double *high) TW_MUST_USE;

/* Root in [low, high] by Brent's method (R. P. Brent, Algorithms for Minimization without Derivatives, 1973, ch. 4) to
 * x_tolerance + 4 eps |x|. TW_BAD_ARGUMENT without a sign change; TW_OUT_OF_RANGE when the function is not finite. */
tw_status tw_root_solve(tw_ctx *ctx, tw_function_1d *f, void *user, double low, double high, double x_tolerance,
                        double *root) TW_MUST_USE;

/* Integral over [low, high] (high may be INFINITY: QAGIU) by adaptive 21-point Gauss-Kronrod (QAG). error (may be
 * NULL): its estimate. TW_NO_CONVERGENCE when neither tolerance is met. */
tw_status tw_integrate(tw_ctx *ctx, tw_function_1d *f, void *user, double low, double high, double abs_tolerance,
                       double rel_tolerance, double *result, double *error) TW_MUST_USE;

/* ---- Fourier transform -------------------------------------------------------------------------- */

/* out[k] = sum_m x[m] exp(-2 pi j k m / n), k = 0 .. n/2 (n/2 + 1 numbers); any n >= 1. */
tw_status tw_fft_forward(tw_ctx *ctx, size_t n, const double *x, double _Complex *out) TW_MUST_USE;
/* Its inverse, 1/n included: n/2 + 1 numbers in, n reals out. `in` is kept. */
tw_status tw_fft_inverse(tw_ctx *ctx, size_t n, const double _Complex *in, double *x) TW_MUST_USE;

/* Frequency of the strongest spectral line in (0, 1/(2 interval)): Hann window, FFT, interpolation between the largest
 * bins. Good to about 0.05 of a bin (1/(n interval)) for records of three or more cycles: a start for the sine fits.
 * TW_BAD_DATA: n < 8 or a constant record. */
tw_status tw_spectrum_peak(tw_ctx *ctx, size_t n, const double *y, double interval_s, double *frequency_hz) TW_MUST_USE;

/* ---- sine fits of sampled records --------------------------------------------------------------- */

/* y(t) = offset + Re sum_k phasor[k-1] exp(2 pi j k f t), t = 0 at the first sample; k = 1 .. n_harmonics. A phasor's
 * modulus is the PEAK amplitude, its argument the phase of a cosine: A cos + B sin has phasor A - jB.
 * n_params = 2 + 2 n_harmonics in the order f, offset, A_1, B_1, A_2, B_2, ... */
typedef struct tw_harmonics {
    double frequency_hz;
    double offset;
    size_t n_harmonics;
    double _Complex *phasor; /* n_harmonics */
    double *covariance;      /* n_params x n_params; row and column of f are zero when f was held */
    size_t n_params;
    size_t n_samples;
    double residual_rms; /* divisor n_samples (IEEE Std 1057) */
    double noise;        /* standard deviation of the noise, divisor n_samples - free parameters */
    size_t iterations;
} tw_harmonics;

/* Least-squares fit with f held (IEEE Std 1057 / 1241 three-parameter fit when n_harmonics = 1). Cost O(n n_harmonics).
 * Covariance holds for white noise. TW_BAD_DATA: too few samples; TW_SINGULAR: harmonics not separable in this record
 * (above half the sampling rate, or far less than one cycle). */
tw_status tw_harmonics_fit_held(tw_ctx *ctx, size_t n, const double *y, double interval_s, double frequency_hz,
                                size_t n_harmonics, tw_harmonics *out) TW_MUST_USE;
/* The same with f free (four-parameter fit when n_harmonics = 1), Gauss-Newton from a start within about half of a bin
 * 1/(n interval) of the truth. TW_NO_CONVERGENCE otherwise. */
tw_status tw_harmonics_fit(tw_ctx *ctx, size_t n, const double *y, double interval_s, double start_frequency_hz,
                           size_t n_harmonics, tw_harmonics *out) TW_MUST_USE;
void tw_harmonics_dispose(tw_harmonics *h);
/* The fitted curve at time t (seconds from the first sample). */
double tw_harmonics_value(const tw_harmonics *h, double t_s);

/* ---- power of harmonic phasors (IEEE Std 1459-2010, 3.1.2) -------------------------------------- */

typedef struct tw_power {
    double voltage_rms_v, voltage_fundamental_rms_v, voltage_harmonic_rms_v; /* V, V1, VH (dc counts as harmonic) */
    double current_rms_a, current_fundamental_rms_a, current_harmonic_rms_a;
    double active_w, active_fundamental_w, active_harmonic_w;                /* P, P1, PH = P - P1 */
    double reactive_fundamental_var;                                         /* Q1, positive when the current lags */
    double apparent_va, apparent_fundamental_va, apparent_nonfundamental_va; /* S, S1, SN */
    double current_distortion_var, voltage_distortion_var;                   /* DI = V1 IH, DV = VH I1 */
    double apparent_harmonic_va, harmonic_distortion_var;                    /* SH = VH IH, DH */
    double nonactive_var;                                                    /* N */
    double thd_voltage, thd_current;                     /* VH/V1, IH/I1; NaN without a fundamental */
    double power_factor, power_factor_fundamental;       /* P/S, P1/S1; NaN for S = 0 */
    double pollution;                                    /* SN/S1 */
    double reactive_budeanu_var, distortion_budeanu_var; /* QB, DB; for comparison only */
} tw_power;

/* voltage, current: n >= 1 PEAK phasors of orders 1..n (as tw_harmonics gives them); dc parts separately. */
tw_status tw_power_from_phasors(tw_ctx *ctx, size_t n, const double _Complex *voltage, const double _Complex *current,
                                double voltage_dc_v, double current_dc_a, tw_power *out) TW_MUST_USE;

/* ---- order statistics, distributions ------------------------------------------------------------ */

/* Median of n >= 1 numbers (mean of the middle two for even n); x is kept. */
tw_status tw_median(tw_ctx *ctx, size_t n, const double *x, double *median) TW_MUST_USE;
/* Median and the median of |x - median| (times 1.482602 it estimates a normal standard deviation). */
tw_status tw_median_mad(tw_ctx *ctx, size_t n, const double *x, double *median, double *mad) TW_MUST_USE;
/* Quantile of sorted data, linear between order statistics: position p (n - 1). */
double tw_quantile_sorted(size_t n, const double *sorted, double p);
/* Ascending, in place. */
void tw_sort(size_t n, double *x);

/* Value that Student's t with `dof` degrees of freedom (INFINITY: normal) stays below with probability p in (0, 1). */
tw_status tw_student_quantile(tw_ctx *ctx, double p, double dof, double *t) TW_MUST_USE;
double tw_normal_probability(double z); /* P(Z < z) */

/* ---- random numbers ----------------------------------------------------------------------------- */

/* Mersenne twister (GSL mt19937): the same seed gives the same sequence everywhere. Use one per thread. */
typedef struct tw_rng tw_rng;
tw_status tw_rng_create(tw_ctx *ctx, uint64_t seed, tw_rng **out) TW_MUST_USE;
void tw_rng_destroy(tw_rng *rng);
double tw_rng_uniform(tw_rng *rng); /* in (0, 1), ends excluded */
double tw_rng_normal(tw_rng *rng);  /* mean 0, standard deviation 1 (ziggurat) */

#endif

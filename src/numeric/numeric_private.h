/* What the files of the room numeric share. */
#ifndef TW_NUMERIC_PRIVATE_H
#define TW_NUMERIC_PRIVATE_H

#include "tankwright/numeric.h"

#define ROOM "numeric"

/* TW_BAD_ARGUMENT naming `what` unless all n numbers are finite. */
tw_status tw_numeric__check_finite(tw_ctx *ctx, size_t n, const double *x, const char *what) TW_MUST_USE;

/* ---- matrices without context ---- */

/* LU in place; false where a pivot is zero or not finite. */
bool tw_numeric__lu(size_t n, double *a, size_t *pivot);
void tw_numeric__lu_solve_transposed(size_t n, const double *lu, const size_t *pivot, double *b);
/* 1-norm: largest column sum of moduli. */
double tw_numeric__norm1(size_t n, const double *a);
/* Estimate of |A^-1|_1 from LU factors; work: 2 n. */
double tw_numeric__inverse_norm1(size_t n, const double *lu, const size_t *pivot, double *work);
/* Inverse of a symmetric positive definite matrix with the scaling of tw_matrix_invert_symmetric; work: n. */
bool tw_numeric__invert_symmetric(size_t n, const double *a, double *inverse, double *work);

/* ---- balancing ---- */

/* A = P D B D^-1 P^-1: B overwrites a; rows and columns outside low..high are triangular already. scale[i]: power of
 * two inside low..high, number of the row exchanged outside. */
typedef struct tw_balance {
    size_t low, high;
    double scale[TW_EXP_MAX];
} tw_balance;

void tw_numeric__balance(size_t n, double *a, tw_balance *b);
void tw_numeric__unbalance_rows(size_t n, const tw_balance *b, double *v);    /* v = P D v */
void tw_numeric__unbalance_columns(size_t n, const tw_balance *b, double *w); /* w = w D^-1 P^-1 */

/* ---- real Schur form and its vectors ---- */

typedef struct tw_schur {
    size_t n, low, high;
    double *h, *v, *re, *im; /* h, v: n x n */
} tw_schur;

/* Hessenberg form of h by Householder reflections, gathered in v. */
void tw_numeric__hessenberg(tw_schur *s);
/* Shifted QR on h; false where it needs too many sweeps. */
bool tw_numeric__schur(tw_schur *s);

/* ---- least squares without context ---- */

tw_status tw_numeric__lsq_solve(tw_lsq *lsq, double *x, double *covariance, tw_lsq_info *info);

/* ---- sums over a record against harmonics of one frequency ---- */

#define TW_SUMS_BLOCK 128

typedef struct tw_sums {
    size_t n, n_harmonics;
    double turns;        /* per sample: f * interval */
    double *table;       /* n_harmonics x (cos, sin) x TW_SUMS_BLOCK */
    double *coefficient; /* scratch, 2 n_harmonics */
} tw_sums;

tw_status tw_numeric__sums_init(tw_ctx *ctx, size_t n, size_t n_harmonics, tw_sums *sums) TW_MUST_USE;
void tw_numeric__sums_dispose(tw_sums *sums);
void tw_numeric__sums_set(tw_sums *sums, double turns);
/* p: omega (not read), offset, A_1, B_1, ...; time counts from the middle of the record, in samples. gradient (2 + 2
 * K): J^T r for r = y - model; gradient[0] by angular frequency per sample. Returns the sum of r^2. */
double tw_numeric__sums_residual(const tw_sums *sums, const double *y, const double *p, double *gradient);
/* J^T J in closed form. */
void tw_numeric__sums_gram(const tw_sums *sums, const double *p, double *gram, double *scratch /* 3 (2 K + 1) */);
/* cos and sin of 2 pi k * turns * position without loss for large positions. */
void tw_numeric__turn(double turns, double position, double k, double *c, double *s);

/* ---- GSL ---- */

/* The one place that switches GSL's process-ending error handler off. */
void tw_numeric__gsl_quiet(void);
/* Translates a GSL status and records it. */
tw_status tw_numeric__gsl_fail(tw_ctx *ctx, int gsl_status, const char *what);

#endif

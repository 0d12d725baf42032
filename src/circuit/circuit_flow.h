/* Exact motion inside one mode.
 *
 * A flow is a mode with a start state. A wave is a linear functional of the state along a flow,
 *   g(t) = k0 + k1 t + sum_j Re{ A_j exp(lambda_j t) },
 * evaluated with its derivatives and rigorous bounds on the second and third, which is what the event search needs.
 * Where the mode is (nearly) defective the wave is a row on exp(A t) instead; the interface is the same.
 * Derivation: docs/theory.md, "Exact propagation", "Events", "Averages and Fourier coefficients".
 */
#ifndef TANKWRIGHT_CIRCUIT_FLOW_H
#define TANKWRIGHT_CIRCUIT_FLOW_H

#include "circuit_network.h"

/* What the work cost. */
typedef struct tw_counts {
    size_t exponentials, root_steps;
} tw_counts;

typedef struct tw_flow {
    const tw_network *net;
    const tw_mode *mode;
    const tw_decomposition *dec;
    tw_counts *counts;
    double u[TW_N];  /* modal: amplitudes about the equilibrium; matrix route: dynamic states */
    double y0[TW_N]; /* modal coordinates at the start */
} tw_flow;

typedef struct tw_wave {
    const tw_flow *flow;
    double k0, k1;
    double p[TW_N];   /* real mode j: amplitude; pair j, j+1: cosine, sine. Matrix route: row over the dynamic states */
    double amplitude; /* sum of |k0| and the amplitudes: scale of rounding in g */
} tw_wave;

typedef struct tw_wave_point {
    double g, g1, g2; /* value, first, second derivative */
    double m2, m3;    /* bounds on |g''|, |g'''| from here to the end of the interval */
    double scale1;    /* scale of rounding in g1 */
} tw_wave_point;

void tw_flow_start(tw_flow *flow, const tw_network *net, const tw_mode *mode, const double *x, tw_counts *counts);

/* The state t after the start. */
void tw_flow_state(const tw_flow *flow, double t, double *x);

/* Columns of `s` (derivatives of the state) are carried along: s := d x(t) / d x(0) s. */
void tw_flow_carry(const tw_flow *flow, double t, double s[TW_N][TW_N]);

void tw_wave_make(tw_wave *wave, const tw_flow *flow, const tw_functional *f);
/* The valve's own current where it is on in the flow's mode, else its excess. */
void tw_wave_watch(tw_wave *wave, const tw_flow *flow, size_t valve);
double tw_wave_value(const tw_wave *wave, double t);
/* Bounds hold on [t, t_end]. */
void tw_wave_eval(const tw_wave *wave, double t, double t_end, tw_wave_point *out);

/* Sign of the wave just after t = 0: value, then slope, then curvature decide where the earlier ones are rounding. */
int tw_wave_start_sign(const tw_wave *wave);

/* First time in (from, t_end] at which the wave, of sign `sign` just after `from`, takes the other sign. Touching zero
 * without crossing is passed over. Guaranteed not to miss one. */
bool tw_wave_next_change(const tw_wave *wave, int sign, double from, double t_end, double *t);

/* First time in [0, t_end] at which the wave turns positive (0 where it starts by rising from zero). `left` says that
 * the wave has just fallen below zero whatever rounding shows. */
bool tw_wave_first_rise(const tw_wave *wave, bool left, double t_end, double *t);

/* Integrals over [0, h] of products of waves of one flow. A term is a real mode or a pair with lambda != 0. */
typedef struct tw_gram {
    const tw_flow *flow;
    double h;
    size_t n_terms;
    size_t term[TW_N];                                 /* eigen index of each term */
    double i_re[TW_N], i_im[TW_N];                     /* integral of exp(lambda t) */
    double j_re[TW_N], j_im[TW_N];                     /* integral of t exp(lambda t) */
    double e_re[TW_N], e_im[TW_N];                     /* exp(lambda h) */
    double sum_re[TW_N][TW_N], sum_im[TW_N][TW_N];     /* of exp((lambda_i + lambda_j) t) */
    double cross_re[TW_N][TW_N], cross_im[TW_N][TW_N]; /* of exp((lambda_i + conj lambda_j) t) */
    double w;                                          /* angular frequency of the following; NaN: not made yet */
    double up_re[TW_N], up_im[TW_N], down_re[TW_N],
        down_im[TW_N];                         /* of exp((lambda - j w) t), exp((conj lambda - j w) t) */
    double flat_re, flat_im, turn_re, turn_im; /* of exp(-j w t), and exp(-j w h) */
    double mean[TW_N], square[TW_N][TW_N];     /* matrix route: integrals of states and of their products */
} tw_gram;

void tw_gram_make(tw_gram *gram, const tw_flow *flow, double h);
double tw_gram_mean(const tw_gram *gram, const tw_wave *f);                      /* integral of f */
double tw_gram_product(const tw_gram *gram, const tw_wave *f, const tw_wave *g); /* integral of f g */
/* Integral of f exp(-j w t) over [0, h]. */
void tw_gram_fourier(tw_gram *gram, const tw_wave *f, double w, double *re, double *im);

#endif

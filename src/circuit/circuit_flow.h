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

/* exp(D t): real mode j: c[j] = exp(re t); pair j, j+1: c[j] = exp(re t) cos(im t), s[j] = exp(re t) sin(im t).
 * e[j] = exp(re t). */
typedef struct tw_turn {
    double t, c[TW_N], s[TW_N], e[TW_N];
} tw_turn;

/* Of the evenly spaced times whose exponentials the waves of a flow share, the first few are kept. */
#define TW_GRID 8

typedef struct tw_flow {
    const tw_network *net;
    const tw_mode *mode;
    const tw_decomposition *dec;
    tw_counts *counts;
    double u[TW_N]; /* modal: amplitudes about the equilibrium; matrix route: dynamic states */
    double step_s;  /* of the grid; 0: not laid yet */
    size_t n_turns; /* grid times 1 .. n_turns are kept */
    tw_turn grid[TW_GRID];
    tw_turn beyond; /* the last one asked for that is not kept */
    tw_turn last;
    unsigned n_nudged; /* times `last` was stepped on since its exponentials were computed afresh */
} tw_flow;

typedef struct tw_wave {
    tw_flow *flow;
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
void tw_flow_state(tw_flow *flow, double t, double *x);

/* The first columns of `s` (derivatives of the state) are carried along: s := d x(t) / d x(0) s. */
void tw_flow_carry(tw_flow *flow, double t, size_t n_columns, double s[TW_N][TW_N]);

void tw_wave_make(tw_wave *wave, tw_flow *flow, const tw_functional *f);
/* The valve's own current where it is on in the flow's mode, else its excess. */
void tw_wave_watch(tw_wave *wave, tw_flow *flow, size_t valve);
/* State number `state` as a wave. */
void tw_wave_state(tw_wave *wave, tw_flow *flow, size_t state);
/* out = a f + b g, of one flow; out may be f or g. */
void tw_wave_combine(tw_wave *out, double a, const tw_wave *f, double b, const tw_wave *g);
/* Derivative in time, of a modal flow. */
void tw_wave_rate(tw_wave *out, const tw_wave *f);
double tw_wave_value(const tw_wave *wave, double t);
/* Bounds hold on [t, t_end]. */
void tw_wave_eval(const tw_wave *wave, double t, double t_end, tw_wave_point *out);

/* exp(D t) of a modal flow; valid until another time is asked for. */
const tw_turn *tw_flow_turn(tw_flow *flow, double t);

/* Lays the grid for a search over [0, span] (modal flows; only the first call counts), and its k-th time, k >= 1,
 * valid until another is asked for. */
void tw_flow_lay_grid(tw_flow *flow, double span_s);
const tw_turn *tw_flow_grid(tw_flow *flow, size_t k);
/* As tw_wave_eval at a grid time. */
void tw_wave_eval_turn(const tw_wave *wave, const tw_turn *turn, double t_end, tw_wave_point *out);

/* Value and derivatives alone, of a modal flow. */
void tw_wave_eval_plain(const tw_wave *wave, double t, tw_wave_point *out);

/* Sign of the wave just after t = 0: value, then slope, then curvature decide where the earlier ones are rounding. */
int tw_wave_start_sign(const tw_wave *wave);

/* First time in (from, t_end] at which the wave, of sign `sign` just after `from`, takes the other sign. Touching zero
 * without crossing is passed over. Guaranteed not to miss one. */
bool tw_wave_next_change(const tw_wave *wave, int sign, double from, double t_end, double *t);

/* First time in [0, t_end] at which the wave turns positive (0 where it starts by rising from zero). `left` says that
 * the wave has just fallen below zero whatever rounding shows. */
bool tw_wave_first_rise(const tw_wave *wave, bool left, double t_end, double *t);

/* The same two from t = 0 with the wave's point there known. */
bool tw_wave_next_change_from(const tw_wave *wave, int sign, const tw_wave_point *start, double t_end, double *t);
bool tw_wave_first_rise_from(const tw_wave *wave, bool left, const tw_wave_point *start, double t_end, double *t);

/* Where the parabola at the start meets zero; a rough idea of what the two find. */
double tw_wave_guess(const tw_wave_point *start, int sign);

/* Raises *peak to the largest |wave| over [0, h]. */
void tw_wave_raise_peak(const tw_wave *wave, double h, double *peak);

/* Integrals over [0, h] of waves and of products of waves of one flow, as a table over the functions that waves are
 * made of (modal: p's exponentials; matrix route: the dynamic states). */
typedef struct tw_gram {
    tw_flow *flow;
    double h;
    double mean[TW_N], ramp[TW_N]; /* of each function, and of it times t */
    double square[TW_N][TW_N];     /* of each product */
    double w;                      /* angular frequency of the following; NaN: not made yet */
    double fourier[2][TW_N];       /* of each function times exp(-j w t) */
    double flat[2], turn[2];       /* of exp(-j w t); exp(-j w h) */
} tw_gram;

void tw_gram_make(tw_gram *gram, tw_flow *flow, double h);
double tw_gram_mean(const tw_gram *gram, const tw_wave *f);                      /* integral of f */
double tw_gram_product(const tw_gram *gram, const tw_wave *f, const tw_wave *g); /* integral of f g */
/* The same in two steps, for several products with one wave. */
typedef struct tw_gram_row {
    double k0, k1, p[TW_N];
} tw_gram_row;
void tw_gram_apply(const tw_gram *gram, const tw_wave *f, tw_gram_row *row);
double tw_gram_dot(const tw_gram *gram, const tw_gram_row *row, const tw_wave *g);
/* Integral of f exp(-j w t) over [0, h]. */
void tw_gram_fourier(tw_gram *gram, const tw_wave *f, double w, double *re, double *im);

#endif

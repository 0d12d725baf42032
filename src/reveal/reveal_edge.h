/* What the files of the edges share: the surroundings of one edge and the swing as a line. */
#ifndef TW_REVEAL_EDGE_H
#define TW_REVEAL_EDGE_H

#include "reveal_internal.h"

/* Reach of the view around an edge, in periods: far enough for the current's turn before and after; and how far from
 * the edge a swing may begin, longer than any useful dead time. */
#define REACH_BEFORE 0.30
#define REACH_AFTER 0.38
#define REACH_SWING 0.20

/* The surroundings of one edge, turned so that it falls. Index 0..n-1 in bins, time rising. */
typedef struct tw_reveal__view {
    size_t n;
    double *x, *v, *i, *q, *weight;
    double bin_s, sample_s, period_s, rail;
    double cycles;
    double noise_v, noise_bin; /* of one sample of v, of the mean in an average bin */
    size_t middle;             /* bin where the edge is expected */
    double scale_u;            /* relative standard uncertainty of the current's scale, kappa */
    double rail_u;             /* of the rail, V */
    double charge_u;           /* relative, of kappa g: what scales a capacitance read from the swing */
    double energy_u;           /* relative, of kappa/g: what scales C_m v^2 */
    double noise_i;            /* of one sample of the current, A */
    double lead_u;
    const tw_prior *prior;
} tw_reveal__view;

/* The swing as a straight line v = a - q/C_m. */
typedef struct tw_reveal__ramp {
    bool found;
    double a, slope; /* slope = 1/C_m */
    double var_a, var_slope, cov;
    size_t bins;
    double q_mean;
} tw_reveal__ramp;

typedef struct tw_reveal__course {
    size_t crossing, arrival;
    tw_reveal__ramp line;
    double turn_off, line_end; /* NaN: not seen, never */
    double closing;            /* NaN: not seen */
    double forced_v;
} tw_reveal__course;

/* reveal_swing.c */
tw_status tw_reveal__view_make(tw_ctx *ctx, const tw_reveal__work *w, const tw_reveal__solution *s,
                               const tw_reveal__fold *fold, bool rising, tw_reveal__view *out) TW_MUST_USE;
/* Where the conducting device holds the midpoint on either rail, bin b. */
double tw_reveal__level_high(const tw_reveal__view *w, size_t b);
double tw_reveal__level_low(const tw_reveal__view *w, size_t b);
double tw_reveal__interpolate(const tw_reveal__view *w, const double *y, double x);
double tw_reveal__line_at(const tw_reveal__ramp *r, double q);
/* Standard uncertainty of the time where the line passes a level near time x. */
double tw_reveal__meet_u(const tw_reveal__view *w, const tw_reveal__ramp *r, double x);
/* Finds crossing, arrival and line of the swing; then where the line meets the rails. */
tw_status tw_reveal__trace(tw_ctx *ctx, const tw_reveal__view *w, tw_reveal__course *c) TW_MUST_USE;
void tw_reveal__place_ramp(const tw_reveal__view *w, tw_reveal__course *c);

#endif

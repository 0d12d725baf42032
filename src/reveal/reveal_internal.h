/* What the files of the reveal room share. */
#ifndef TW_REVEAL_INTERNAL_H
#define TW_REVEAL_INTERNAL_H

#include <complex.h>

#include "tankwright/numeric.h"
#include "tankwright/reveal.h"

#define TW_REVEAL_HARMONICS 15

/* One sample's place in the period of the bridge. */
typedef enum tw_reveal__level { LEVEL_LOW, LEVEL_HIGH, LEVEL_MOVING } tw_reveal__level;

/* The stretch of the record that is analysed, and what is derived from it. Two clocks: sample k of the current
 * channel was taken at t_k, sample k of the voltage channel at t_k + lead_s. Arrays "on the voltage clock" hold the
 * current side interpolated to t_k + lead_s. */
typedef struct tw_reveal__work {
    tw_prior prior; /* completed: see tw_reveal__complete */
    size_t n;
    double interval_s, start_s;
    double offset_s; /* stated lead of the voltage channel (separate time columns) */
    double frequency_hz, frequency_u, period_s;
    size_t whole; /* samples in the largest whole number of periods, counted from the first */
    size_t cycles;

    double *u;         /* [n] loop volts, offset removed, polarity corrected */
    double *i;         /* [n] coil current on its own clock, by nominal turns and burden */
    double *q;         /* [n] charge, integral of i without its mean over a period */
    double *i_v, *q_v; /* [n] the same on the voltage clock */
    uint8_t *level;    /* [n] tw_reveal__level */
    double *scratch;   /* [n] */
    bool *gap;         /* [n] true where a channel had no finite sample */

    double noise_u, noise_i; /* rms of one sample */
    double alpha, low, high; /* u + alpha q has the levels low and high */
    double phase_origin;     /* periods: fold phase 0 is the midpoint's rise through half rail */
    double fall_phase;       /* phase of the fall through half rail, 0..1 */
    size_t swing_samples;    /* median count of samples inside a swing (10 to 90 %) */
    bool reversed;
} tw_reveal__work;

/* Calibration: u = -alpha q + G sigma + c + beta i - g drop(i). */
typedef struct tw_reveal__calibration {
    double alpha, step, offset, beta; /* alpha = g kappa / C, step = g V_r */
    double covariance[16];            /* of alpha, step, offset, beta */
    double residual;                  /* rms of one sample in loop volts */
    size_t samples;
    bool lost;                      /* the capacitor voltage is lost in the noise: alpha says only that C is large */
    double corner_lead_s, corner_u; /* lead from the corners of the current; u = INFINITY: not found */
} tw_reveal__calibration;

/* The unknowns that scale everything, after the priors. */
enum { P_RAIL, P_CAPACITANCE, P_GAIN, P_LEAD, P_SCALE, P_ESR, P_COUNT };
typedef struct tw_reveal__solution {
    double p[P_COUNT];
    double covariance[P_COUNT * P_COUNT];
    double chi_square;
    size_t degrees_of_freedom;
} tw_reveal__solution;

/* Averages over the cycles in equal bins of the period, on the voltage clock. */
typedef struct tw_reveal__fold {
    size_t n;
    double *time_s;        /* bin centres, 0 = the midpoint's rise */
    double *u, *i, *q, *v; /* v: midpoint volts */
    double *count;
} tw_reveal__fold;

/* reveal_check.c */
/* Refuses records and beliefs that are no numbers or impossible, by name. */
tw_status tw_reveal__check(tw_ctx *ctx, const tw_record *record, const tw_prior *prior) TW_MUST_USE;
/* The beliefs with what may be left out filled in: no drops, no winding resistance, no droop; loop gain positive. */
tw_prior tw_reveal__complete(const tw_prior *prior);

/* reveal_record.c */
tw_status tw_reveal__prepare(tw_ctx *ctx, const tw_record *record, const tw_prior *prior, tw_reveal__work *w,
                             tw_warnings *warnings) TW_MUST_USE;
void tw_reveal__release(tw_reveal__work *w);
/* Fills i_v and q_v for a lead of the voltage channel. */
void tw_reveal__align(tw_reveal__work *w, double lead_s);
/* Phase of sample k in the period on the voltage clock, 0 = the midpoint's rise. */
double tw_reveal__phase(const tw_reveal__work *w, size_t k);

/* reveal_levels.c */
/* First guess of alpha, and the two levels. TW_BAD_DATA where the record shows no switching. */
tw_status tw_reveal__find_levels(tw_ctx *ctx, tw_reveal__work *w) TW_MUST_USE;
/* Sorts the samples into low, high, moving. gain: loop volts per coil volt as known so far (for the devices' drops);
 * coarse: the levels are first guesses. */
tw_status tw_reveal__classify(tw_ctx *ctx, tw_reveal__work *w, double gain, bool coarse) TW_MUST_USE;

/* reveal_calibrate.c */
tw_status tw_reveal__calibrate(tw_ctx *ctx, tw_reveal__work *w, tw_reveal__calibration *cal, tw_reveal__solution *s,
                               tw_warnings *warnings) TW_MUST_USE;
/* On-state drop of the leg at current i (out of the midpoint): v_m = V_r sigma - drop. */
double tw_reveal__drop(const tw_prior *prior, bool high, double i);

/* reveal_consistency.c */
tw_status tw_reveal__consistency(tw_ctx *ctx, const tw_reveal__work *w, const tw_reveal__calibration *cal,
                                 const tw_reveal__solution *s, tw_warnings *warnings) TW_MUST_USE;

/* reveal_corner.c */
tw_status tw_reveal__corner_lead(tw_ctx *ctx, const tw_reveal__work *w, double lead_s, double *corrected_s,
                                 double *u_s) TW_MUST_USE;

/* reveal_fold.c */
/* Bins for one period: half a sample where ten cycles interleave, a sample at least. */
size_t tw_reveal__bin_count(const tw_reveal__work *w);
tw_status tw_reveal__fold_make(tw_ctx *ctx, const tw_reveal__work *w, const tw_reveal__solution *s,
                               const tw_reveal__calibration *cal, tw_reveal__fold *fold) TW_MUST_USE;
void tw_reveal__fold_dispose(tw_reveal__fold *fold);

/* reveal_edges.c */
tw_status tw_reveal__edges(tw_ctx *ctx, const tw_reveal__work *w, const tw_reveal__solution *s,
                           const tw_reveal__fold *fold, tw_revealed *out) TW_MUST_USE;

/* reveal_saturation.c */
tw_status tw_reveal__check_saturation(tw_ctx *ctx, const tw_reveal__fold *fold, tw_warnings *warnings) TW_MUST_USE;
/* After a failed calibration: returns `failed`, with a message of its own where a conducting clamp (told in `warnings`)
 * or saturation is to blame. */
tw_status tw_reveal__blame_saturation(tw_ctx *ctx, const tw_reveal__work *w, const tw_warnings *warnings,
                                      tw_status failed) TW_MUST_USE;

/* reveal_quantities.c */
tw_status tw_reveal__quantities(tw_ctx *ctx, const tw_reveal__work *w, const tw_reveal__solution *s,
                                const tw_reveal__calibration *cal, const tw_reveal__fold *fold,
                                tw_revealed *out) TW_MUST_USE;

/* reveal_waves.c */
tw_status tw_reveal__waves(tw_ctx *ctx, const tw_reveal__work *w, const tw_reveal__solution *s,
                           const tw_reveal__calibration *cal, const tw_reveal__fold *fold,
                           tw_revealed *out) TW_MUST_USE;
/* Midpoint volts of sample k on the voltage clock. */
double tw_reveal__midpoint(const tw_reveal__work *w, const tw_reveal__solution *s, const tw_reveal__calibration *cal,
                           size_t k);

#endif

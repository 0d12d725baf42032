/* Inside the coil room: complex arithmetic without the library's checks for infinities, special functions, the layers
 * at one spatial frequency, the plan. */
#ifndef TW_COIL_PRIVATE_H
#define TW_COIL_PRIVATE_H

#include "tankwright/coil.h"

#include <math.h>

#define TW_COIL_ROOM "coil"

/* ---- complex numbers (multiplication without the rescue of NaNs, which costs a call per product) ---- */

typedef struct cx {
    double re, im;
} cx;

static inline cx cx_of(double re, double im) {
    return (cx){re, im};
}
static inline cx cx_add(cx a, cx b) {
    return (cx){a.re + b.re, a.im + b.im};
}
static inline cx cx_sub(cx a, cx b) {
    return (cx){a.re - b.re, a.im - b.im};
}
static inline cx cx_scale(cx a, double s) {
    return (cx){a.re * s, a.im * s};
}
static inline cx cx_mul(cx a, cx b) {
    return (cx){a.re * b.re - a.im * b.im, a.re * b.im + a.im * b.re};
}
static inline cx cx_conj(cx a) {
    return (cx){a.re, -a.im};
}
static inline double cx_abs2(cx a) {
    return a.re * a.re + a.im * a.im;
}
static inline cx cx_div(cx a, cx b) {
    const double s = 1.0 / cx_abs2(b);
    return (cx){(a.re * b.re + a.im * b.im) * s, (a.im * b.re - a.re * b.im) * s};
}
/* Root with positive real part of a number with positive real part. */
static inline cx cx_sqrt_right(cx a) {
    const double t = sqrt(0.5 * (a.re + sqrt(cx_abs2(a))));
    return (cx){t, 0.5 * a.im / t};
}
/* exp(-a) */
static inline cx cx_exp_minus(cx a) {
    const double e = exp(-a.re);
    return a.im == 0.0 ? (cx){e, 0.0} : (cx){e * cos(a.im), -e * sin(a.im)};
}

/* ---- errors --------------------------------------------------------------------------------------- */

tw_status tw_coil__refuse(tw_ctx *ctx, const char *key, double value, const char *wanted);
tw_status tw_coil__check_gap(tw_ctx *ctx, const char *key, double gap_m);
tw_status tw_coil__check_frequency(tw_ctx *ctx, double frequency_hz);

/* ---- special functions ---------------------------------------------------------------------------- */

/* S(x) = integral from 0 to x of t J1(t) dt, x >= 0; about 1e-15 of max(1, sqrt x). */
double tw_coil__section_integral(double x);

/* Mean over radii r1..r2 of r J1(a r). */
double tw_coil__mean_source(double a, double r1, double r2);

/* Complete elliptic integrals F and E of complementary modulus squared m1 = 1 - k^2 in (0, 1]. */
void tw_coil__elliptic(double m1, double *f, double *e);

/* Ratios J1/J0 and J2/J1 at z (continued fraction), z != 0 away from real zeros. */
void tw_coil__bessel_ratios(cx z, cx *j1_j0, cx *j2_j1);

/* Gauss-Legendre rule on 0..1. */
#define TW_COIL__MOST_GAUSS 48
void tw_coil__gauss(size_t n, double *x, double *w);

/* ---- filaments ------------------------------------------------------------------------------------ */

typedef struct tw_filament {
    double radius_m, z_m, turns;
} tw_filament;

/* Heights count from the winding's lower face (SECTION) or from z = 0 (TURNS). */
double tw_coil__low_edge(const tw_winding *w);
double tw_coil__high_edge(const tw_winding *w);
double tw_coil__outer_edge(const tw_winding *w);

/* H (A/m) at radius r > 0 and height z over a loop that carries 1 A. */
void tw_coil__loop_field(double loop_radius_m, double r_m, double z_m, double *h_radial, double *h_axial);

/* ---- layers at one spatial frequency ---------------------------------------------------------------- */

/* Field in a layer: A(zeta) = top (exp(-a1 zeta) + back exp(a1 (zeta - d))) / (1 + back exp(-a1 d)); zeta from the edge
 * nearest the coil. `top` is relative to the incident wave at the stack's surface. */
typedef struct tw_layer_wave {
    cx a1, mu, back, decay; /* decay = exp(-a1 d) */
    cx top;
    bool dead; /* no field here: behind or in a perfect conductor */
} tw_layer_wave;

/* What does not depend on a, once per frequency. */
typedef struct tw_stack_at {
    size_t n;
    double w;
    bool lossless; /* no layer conducts or loses: reflection real and independent of frequency */
    struct {
        cx mu, inverse_mu, induction; /* j w mu0 mu s */
        double d, conductivity;
        bool perfect, guide, plain; /* plain: a1 = a */
    } layer[TW_COIL_MAX_LAYERS];
} tw_stack_at;

tw_stack_at tw_coil__stack_at(const tw_stack *s, double w);
cx tw_coil__reflect(const tw_stack_at *s, double a);
/* waves[s->n]; returns the reflection. */
cx tw_coil__waves(const tw_stack_at *s, double a, tw_layer_wave *waves);

/* ---- plan ------------------------------------------------------------------------------------------- */

#define TW_COIL__NODES 21 /* Gauss-Kronrod 10-21 per panel */

struct tw_coil_plan {
    tw_winding winding; /* its turns belong to the plan */
    tw_turn *turns;
    tw_stack below;
    double below_gap_m;
    tw_coil_opts opts;
    double span_m; /* between the winding's faces */
    double low_m;  /* z of the lower face in the winding's own heights */
    size_t n_panels;
    double *a;                   /* n_panels * 21: spatial frequency */
    double *weight;              /* Kronrod, panel width included */
    double *gauss;               /* embedded Gauss rule, same layout */
    double *up, *down;           /* source at the upper face, source at the lower stack */
    double *still;               /* reflection of the lower stack at frequency 0 (its conductors absent) */
    double *tail_up, *tail_down; /* sums of weight * source^2 from panel k on; n_panels + 1 */
    double air_h, still_h;       /* inductance in air; change by the lower stack at frequency 0 */
    double still_depth_m;        /* insulating layers in front of the first conductor below */
    bool below_still;            /* nothing below depends on frequency */
};

/* Sum of the rule: waves onto pan and lower stack at 1 A, all nodes; arrays from tw_alloc of plan nodes. */
typedef struct tw_waves {
    size_t n;
    cx *u, *d, *gu, *gl; /* one allocation, at u */
} tw_waves;

/* Without a pan its gap means nothing: infinitely far keeps the formulas. */
static inline double tw_coil__gap(const tw_stack *pan, double gap_m) {
    return pan == NULL || pan->n_layers == 0 ? INFINITY : gap_m;
}

tw_status tw_coil__check_call(tw_ctx *ctx, const tw_coil_plan *plan, const tw_stack *pan, double gap_m,
                              double frequency_hz);
tw_status tw_coil__waves_make(tw_ctx *ctx, const tw_coil_plan *plan, const tw_stack *pan, double gap_m,
                              double frequency_hz, tw_waves *out);
void tw_coil__waves_dispose(tw_waves *w);

/* Field (1 A) that pan and lower stack send back to radius r and height z over the lower face: A in units of mu0/2, and
 * H radial and axial; any may be NULL. */
void tw_coil__image_field(const tw_coil_plan *plan, const tw_waves *w, double gap_m, double r, double z, cx *a, cx *hr,
                          cx *hz);

#endif

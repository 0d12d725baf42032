/* coil: fields of circular coils over layered pans. Geometry and metal to impedance, losses and circuit branches.
 *
 * Models: coaxial, axially symmetric windings in air between two stacks of infinite plane layers: the pan above,
 * ferrite and shield below. Linear layers (complex permeability allowed), sinusoidal current, no displacement current.
 * Derivations and sources: docs/theory-coil.md.
 * Does not model: the rim of a finite pan (tw_coil_pan_share says how much of the loss lies outside a given radius),
 * single ferrite bars (tw_ferrite_bars: approximation), hysteresis other than through a complex permeability.
 *
 * Conventions
 *   - z points up, from the ferrite to the pan. Radii from the axis.
 *   - Currents are PEAK amplitudes of exp(j w t); R of "per ampere" quantities is P = R i^2 / 2.
 *   - Distances to a stack count from the winding's face (for round turns: from the wire's edge) to the stack's first
 *     surface. Air, glass and mica are all "gap".
 *   - Errors carry a place whose key is the field's name; layers are counted from 0 at the coil:
 * "pan.layers[1].thickness".
 *   - Thread rule: a plan is read only after its creation; several threads may solve with it, one context each.
 */
#ifndef TANKWRIGHT_COIL_H
#define TANKWRIGHT_COIL_H

#include "tankwright/base.h"

#define TW_MU0 (4e-7 * TW_PI) /* H/m */

/* ---- windings ------------------------------------------------------------------------------------- */

typedef enum tw_winding_kind {
    TW_WINDING_SECTION, /* rectangular section, current density uniform over it */
    TW_WINDING_TURNS    /* circular turns of round wire, one by one */
} tw_winding_kind;

typedef struct tw_turn {
    double radius_m; /* of the wire's centre, > wire radius */
    double z_m;      /* height of the wire's centre over any common plane */
} tw_turn;

typedef struct tw_winding {
    tw_winding_kind kind;
    /* TW_WINDING_SECTION: inner < outer (equal: current sheet), height >= 0 (0: thin disc), not both zero */
    double inner_radius_m, outer_radius_m, height_m;
    double turns; /* > 0; may be fractional */
    /* TW_WINDING_TURNS: borrowed array */
    size_t n_turns;
    const tw_turn *turn;
    double wire_radius_m; /* outside of the conductor (litz: of the bundle), > 0 */
} tw_winding;

tw_winding tw_winding_section(double inner_radius_m, double outer_radius_m, double height_m, double turns);

/* Fills turn[n_turns] with a flat spiral's turns, evenly spaced, wire centres from `inner` to `outer` at height 0
 * (n_turns = 1: at `inner`), and returns the winding that borrows the array. */
tw_winding tw_winding_spiral(size_t n_turns, double inner_centre_m, double outer_centre_m, double wire_radius_m,
                             tw_turn *turn);

/* First impossible value, by field: overlapping turns, inner over outer radius, no turns ... */
tw_status tw_winding_check(tw_ctx *ctx, const tw_winding *w) TW_MUST_USE;

/* Wire length: sum of the turns' circumferences. */
double tw_winding_length(const tw_winding *w);

/* ---- inductance in air ---------------------------------------------------------------------------- */

/* Coaxial circular filaments (Maxwell; arithmetic-geometric mean). Infinite where they coincide. */
double tw_mutual_loops(double radius_a_m, double radius_b_m, double distance_m);

/* Ring of round wire with uniform current density: mu0 R (ln(8 R / a) - 7/4), exact for a << R; with the current on the
 * skin -2 instead. */
double tw_loop_inductance(double radius_m, double wire_radius_m, bool skin_current);

/* Current sheet solenoid: Nagaoka's K of u = diameter / length, any u >= 0; and mu0 N^2 pi a^2 K / length. */
double tw_nagaoka(double diameter_over_length);
double tw_sheet_inductance(double radius_m, double length_m, double turns);

/* Wheeler (1928), in SI. Claims: 1 % for length > 0.8 radius; about 1 % where the three terms are of one size; 5 %
 * for depth > 0.2 radius. Radii are mean radii of the winding. */
double tw_wheeler_solenoid(double radius_m, double length_m, double turns);
double tw_wheeler_multilayer(double radius_m, double length_m, double depth_m, double turns);
double tw_wheeler_spiral(double radius_m, double depth_m, double turns);

/* Self-inductance in air. SECTION: mean of Maxwell's formula over the section (exact to about 1e-10); TURNS: filaments
 * plus each ring's own. error_h may be NULL: estimate by refinement. */
tw_status tw_winding_inductance(tw_ctx *ctx, const tw_winding *w, double *inductance_h, double *error_h) TW_MUST_USE;

/* Mutual inductance in air of two coaxial windings; `rise_m` is how much higher b stands: from the lower face of a to
 * the lower face of b (TURNS: z = 0 planes). Sections must not overlap. error_h may be NULL. */
tw_status tw_winding_mutual(tw_ctx *ctx, const tw_winding *a, const tw_winding *b, double rise_m, double *mutual_h,
                            double *error_h) TW_MUST_USE;

/* Back from inductance to geometry: turns of a section that give `inductance_h` (fractional), all else as in w; and the
 * largest outer radius up to max_outer_m for given turns, inner radius and height (TW_OUT_OF_RANGE: none). */
tw_status tw_winding_turns_for(tw_ctx *ctx, const tw_winding *w, double inductance_h, double *turns) TW_MUST_USE;
tw_status tw_winding_radius_for(tw_ctx *ctx, const tw_winding *w, double inductance_h, double max_outer_m,
                                double *outer_radius_m) TW_MUST_USE;

/* ---- layers --------------------------------------------------------------------------------------- */

#define TW_COIL_MAX_LAYERS 8

typedef struct tw_layer {
    double thickness_m;           /* > 0; INFINITY in the last layer only: half space */
    double conductivity_s_m;      /* >= 0; INFINITY: perfect conductor */
    double relative_permeability; /* real part, >= 1; INFINITY only without conductivity: perfect flux guide */
    double permeability_loss;     /* mu'' >= 0 of mu = mu' - j mu'' */
} tw_layer;

/* A stack of layers as seen from the coil: layers[0] is nearest. Behind the last one is air. n_layers = 0: nothing. */
typedef struct tw_stack {
    size_t n_layers;
    tw_layer layers[TW_COIL_MAX_LAYERS];
} tw_stack;

/* 1 / sqrt(pi f mu s). */
double tw_skin_depth(double frequency_hz, double conductivity_s_m, double relative_permeability);

/* Radial ferrite bars that cover a share 0..1 of the plane as one plane of another permeability. FINE: many thin bars,
 * 1 + c (mu - 1) (exact for bars much finer than their distance to the coil). COARSE: the share of the reflection,
 * c (mu - 1)/(mu + 1) (few wide bars). The truth lies between. */
typedef enum tw_bars { TW_BARS_FINE, TW_BARS_COARSE } tw_bars;
double tw_ferrite_bars(double relative_permeability, double coverage, tw_bars model);

/* Plane ferrite with, below it, a gap and a shield (thickness 0: no shield). */
tw_stack tw_stack_ferrite(double thickness_m, double relative_permeability, double shield_gap_m,
                          double shield_thickness_m, double shield_conductivity_s_m);

tw_status tw_stack_check(tw_ctx *ctx, const tw_stack *s, const char *name) TW_MUST_USE;

/* Reflection of the vector potential by the stack at spatial frequency `a` (1/m, > 0) and w (rad/s, >= 0):
 * -1 perfect conductor, +1 perfect flux guide, 0 nothing. Real and imaginary part. */
void tw_stack_reflection(const tw_stack *s, double a, double w_rad_s, double *re, double *im);

/* ---- impedance ------------------------------------------------------------------------------------ */

/* All that depends on the winding and on what is below it, made once and used for every gap, pan and frequency. */
typedef struct tw_coil_plan tw_coil_plan;

typedef struct tw_coil_opts {
    double min_gap_m;      /* smallest pan gap that will be asked for, > 0; default 1 mm; smaller costs more nodes */
    double field_radius_m; /* largest radius for fields; default 0: twice the coil's outer radius */
    double tolerance;      /* relative error allowed for the pan's part of Z; default 1e-8 */
} tw_coil_opts;

tw_coil_opts tw_coil_opts_default(void);

/* below: NULL or n_layers = 0 for air; below_gap_m >= 0 from the winding's lower face. opts NULL = default. */
tw_status tw_coil_plan_create(tw_ctx *ctx, const tw_winding *w, const tw_stack *below, double below_gap_m,
                              const tw_coil_opts *opts, tw_coil_plan **out) TW_MUST_USE;
void tw_coil_plan_destroy(tw_coil_plan *plan); /* accepts NULL */
size_t tw_coil_plan_nodes(const tw_coil_plan *plan);
double tw_coil_plan_air_inductance(const tw_coil_plan *plan);

typedef struct tw_coil_z {
    double frequency_hz, gap_m;
    double inductance_h;           /* with pan */
    double inductance_no_pan_h;    /* ferrite and shield present */
    double inductance_air_h;       /* nothing around */
    double resistance_pan_ohm;     /* loss in the stack above; winding loss is not in here (tw_wire_loss) */
    double resistance_below_ohm;   /* loss in ferrite and shield */
    double delta_r_ohm, delta_l_h; /* total change against air */
    double coupling;               /* sqrt(1 - L / L_no_pan); 0 where the pan raises L */
    double transformer_k;          /* coupled-coil model that gives the same R and L here; NaN where there is none */
    double transformer_r_ohm;      /* its R_2 referred to the coil */
    double error_ohm;              /* estimate for |delta Z| */
} tw_coil_z;

/* pan NULL or n_layers = 0: none. frequency > 0. TW_NO_CONVERGENCE tells the reached error when it exceeds the plan's
 * tolerance. */
tw_status tw_coil_solve(tw_ctx *ctx, const tw_coil_plan *plan, const tw_stack *pan, double gap_m, double frequency_hz,
                        tw_coil_z *out) TW_MUST_USE;

/* z[i * n_gaps + k] for frequency i and gap k; reflection is computed once per frequency. Reports progress. */
tw_status tw_coil_solve_table(tw_ctx *ctx, const tw_coil_plan *plan, const tw_stack *pan, size_t n_frequencies,
                              const double *frequency_hz, size_t n_gaps, const double *gap_m, tw_coil_z *z) TW_MUST_USE;

/* R_pan / (R_pan + R_below + R_winding). */
double tw_coil_efficiency(const tw_coil_z *z, double winding_resistance_ohm);

/* ---- fields --------------------------------------------------------------------------------------- */

/* What goes into each layer at peak current 1 A, by integration of the loss density over depth (closed form) and radius
 * (Parseval's theorem): independent of Re Z. */
typedef struct tw_layer_loss {
    double resistance_ohm; /* 2 P / i^2 */
    double skin_depth_m;   /* INFINITY without conductivity */
} tw_layer_loss;

/* loss[pan->n_layers] */
tw_status tw_coil_layer_losses(tw_ctx *ctx, const tw_coil_plan *plan, const tw_stack *pan, double gap_m,
                               double frequency_hz, tw_layer_loss *loss) TW_MUST_USE;

/* Induced current density in layer `layer` of the pan at depth below its upper edge nearest the coil: peak A/m^2 per
 * peak ampere, real and imaginary part, at n_r radii x n_depth depths: re[i * n_depth + k]. Power density is
 * |J|^2 / (2 s). depth within 0..thickness. */
tw_status tw_coil_current_density(tw_ctx *ctx, const tw_coil_plan *plan, const tw_stack *pan, double gap_m,
                                  double frequency_hz, size_t layer, size_t n_r, const double *r_m, size_t n_depth,
                                  const double *depth_m, double *re, double *im) TW_MUST_USE;

/* Surface of the pan: tangential field H_r (peak A/m per peak ampere, modulus) and heat flux into the whole stack
 * (W/m^2 at 1 A peak). Either output may be NULL. */
tw_status tw_coil_pan_surface(tw_ctx *ctx, const tw_coil_plan *plan, const tw_stack *pan, double gap_m,
                              double frequency_hz, size_t n_r, const double *r_m, double *h_a_m,
                              double *flux_w_m2) TW_MUST_USE;

/* Vector potential A_phi (V s/m, peak per peak ampere) between the stacks, z over the winding's lower face (TURNS: over
 * the lowest wire's edge), strictly below the pan and above the ferrite. Lines of r A = const are flux lines. */
tw_status tw_coil_potential(tw_ctx *ctx, const tw_coil_plan *plan, const tw_stack *pan, double gap_m,
                            double frequency_hz, size_t n, const double *r_m, const double *z_m, double *re,
                            double *im) TW_MUST_USE;

/* Share of the pan's loss that the infinite-pan solution puts outside `radius_m`: the validity figure for a pan of that
 * radius. Below about 0.02 the infinite pan is a fair model; above 0.1 it is not (docs/theory-coil.md). */
tw_status tw_coil_pan_share(tw_ctx *ctx, const tw_coil_plan *plan, const tw_stack *pan, double gap_m,
                            double frequency_hz, double radius_m, double *share_outside) TW_MUST_USE;
#define TW_COIL_PAN_SHARE_FAIR 0.02
#define TW_COIL_PAN_SHARE_BAD 0.1

/* Appends the warning that belongs to a share: "pan_rim" above FAIR, "pan_small" above BAD, nothing below. */
tw_status tw_coil_warn_pan(tw_ctx *ctx, double share_outside, double radius_m, tw_warnings *list) TW_MUST_USE;

/* Sense loop: `turns` turns of radius_m at height z_m (as in tw_coil_potential). Complex loop volts per coil volt; coil
 * volts include `winding_resistance_ohm` (0 for ideal). */
tw_status tw_coil_sense_gain(tw_ctx *ctx, const tw_coil_plan *plan, const tw_stack *pan, double gap_m,
                             double frequency_hz, double radius_m, double z_m, double turns,
                             double winding_resistance_ohm, double *re, double *im) TW_MUST_USE;

/* ---- winding loss --------------------------------------------------------------------------------- */

typedef struct tw_wire {
    size_t n_strands;         /* 1: solid */
    double strand_diameter_m; /* bare metal */
    double bundle_diameter_m; /* of the litz bundle; 0: strand diameter * sqrt(n_strands / 0.5) */
    double lay_factor;        /* strand length over wire length, >= 1 */
    double conductivity_20_s_m, temperature_coefficient; /* at 20 C */
    double temperature_c;
} tw_wire;

tw_wire tw_wire_copper(size_t n_strands, double strand_diameter_m, double lay_factor, double temperature_c);
tw_status tw_wire_check(tw_ctx *ctx, const tw_wire *wire) TW_MUST_USE;

/* R/R0 and Li/Li0 of a straight round wire alone, x = radius sqrt(w mu s); inductance_ratio may be NULL. */
double tw_wire_skin_ratio(double x, double *inductance_ratio);

/* Loss per metre of one round strand in a uniform transverse field of peak h (A/m), exact (Bessel). */
double tw_strand_loss(double strand_diameter_m, double conductivity_s_m, double w_rad_s, double h_peak_a_m);

typedef struct tw_wire_loss {
    double length_m;
    double dc_ohm;                    /* at temperature, lay included */
    double skin_ohm;                  /* dc with the strands' own skin effect */
    double proximity_ohm;             /* strands in the field of the coil (and of its images) */
    double bundle_ohm;                /* strands in the field of their own bundle's current */
    double ac_ohm;                    /* sum of the last three */
    double h_radial_a_m, h_axial_a_m; /* rms over the section of the peak field per peak ampere */
} tw_wire_loss;

/* Field by filaments (SECTION: a grid with about the same number of turns) with the images by pan and ferrite. pan
 * NULL: none. */
tw_status tw_coil_wire_loss(tw_ctx *ctx, const tw_coil_plan *plan, const tw_wire *wire, const tw_stack *pan,
                            double gap_m, double frequency_hz, tw_wire_loss *out) TW_MUST_USE;

/* Sullivan & Zhang (APEC 2014): eqs (3), (4), the exact effective breadth and its fit (20). */
double tw_litz_factor(double n_strands, double strand_diameter_m, double turns, double breadth_m, double skin_depth_m);
double tw_litz_first_twist(double strand_diameter_m, double skin_depth_m);
double tw_litz_breadth(double inner_radius_m, double outer_radius_m);
double tw_litz_breadth_fit(double inner_radius_m, double outer_radius_m);

/* ---- metals --------------------------------------------------------------------------------------- */

typedef struct tw_metal {
    const char *name;                                   /* key, for example "aluminium", "steel-low-carbon" */
    const char *title;                                  /* words */
    double conductivity_20_s_m;                         /* typical */
    double conductivity_low_s_m, conductivity_high_s_m; /* range of the source, equal where one value */
    double temperature_coefficient;                     /* of resistivity at 20 C, 1/K */
    double permeability_low, permeability_high;         /* range at hob fields */
    double initial_permeability, saturation_t;          /* for tw_saturation; 1 and 0: not magnetic */
    bool from_memory;                                   /* model input only, no readable source */
    const char *source;
} tw_metal;

size_t tw_metal_count(void);
const tw_metal *tw_metal_at(size_t idx);         /* NULL beyond the end */
const tw_metal *tw_metal_find(const char *name); /* NULL when unknown */
double tw_metal_conductivity(const tw_metal *m, double temperature_c);

/* A layer of the metal at its temperature; permeability NaN: geometric mean of its range at hob fields. */
tw_layer tw_metal_layer(const tw_metal *m, double thickness_m, double temperature_c, double relative_permeability);

/* Typical pan bottoms, common practice without source: "aluminium", "steel", "enamelled-steel", "cast-iron",
 * "stainless", "stainless-ferritic", "clad". false: unknown name, *out untouched. */
size_t tw_pan_count(void);
const char *tw_pan_name(size_t idx); /* NULL beyond the end */
bool tw_pan_preset(const char *name, double temperature_c, tw_stack *out);
/* Metal of the layer towards the coil; NULL: unknown name. */
const tw_metal *tw_pan_preset_metal(const char *name);

/* ---- saturation ----------------------------------------------------------------------------------- */

typedef enum tw_saturation_law {
    TW_SATURATION_FROEHLICH, /* mu_r(H) = 1 + (mu_i - 1) / (1 + (mu_i - 1) mu0 H / B_s) at the surface's peak field */
    TW_SATURATION_LIMITING   /* rectangular B-H: B = +-B_s; surface impedance as a complex permeability */
} tw_saturation_law;

typedef struct tw_saturation {
    tw_saturation_law law;
    double initial_permeability; /* > 1 */
    double saturation_t;         /* > 0 */
} tw_saturation;

double tw_froehlich_permeability(double initial_permeability, double saturation_t, double h_peak_a_m);

/* Complex permeability mu' - j mu'' = 128/(9 pi^2) B_s/(mu0 H) (1 - 0.75 j), whose half space has the limiting theory's
 * surface impedance (16/(3 pi s d))(1 + j/2), d = sqrt(2 H/(w s B_s)), at any frequency and conductivity. mu' is held
 * at 1 where H exceeds the theory's range. */
void tw_limiting_permeability(double saturation_t, double h_peak_a_m, double *real_part, double *loss_part);

typedef struct tw_coil_saturated {
    tw_coil_z z;
    double surface_field_a_m; /* loss-weighted peak field at the pan's surface */
    double relative_permeability, permeability_loss;
    size_t iterations;
    double change; /* relative change of the permeability in the last step */
} tw_coil_saturated;

/* layers[layer] (0: the surface) takes one effective permeability from its own surface field at coil current
 * `current_peak_a`. TW_NO_CONVERGENCE tells the change reached. */
tw_status tw_coil_solve_saturated(tw_ctx *ctx, const tw_coil_plan *plan, const tw_stack *pan, const tw_saturation *law,
                                  double gap_m, double frequency_hz, double current_peak_a,
                                  tw_coil_saturated *out) TW_MUST_USE;

/* ---- passive chain -------------------------------------------------------------------------------- */

#define TW_COIL_MAX_BRANCHES 12

/* R + j w L + sum over k of j w L_k R_k / (R_k + j w L_k), all parts positive (R may be 0). */
typedef struct tw_coil_chain {
    double resistance_ohm, inductance_h;
    size_t n_branches;
    double branch_resistance_ohm[TW_COIL_MAX_BRANCHES];
    double branch_inductance_h[TW_COIL_MAX_BRANCHES];
    double worst_error;            /* largest |Z_fit - Z| / |Z| over the points */
    double worst_resistance_error; /* largest |R_fit - R| / R */
    double worst_inductance_error; /* largest |L_fit - L| / L */
} tw_coil_chain;

/* re, im: Z at n >= 4 frequencies (ascending, > 0), re > 0, im > 0. max_branches 1..TW_COIL_MAX_BRANCHES. The fit
 * weighs relative errors of R and of X alike; reached errors are stated, TW_OK also when they are large. */
tw_status tw_coil_fit_chain(tw_ctx *ctx, size_t n, const double *frequency_hz, const double *re, const double *im,
                            size_t max_branches, tw_coil_chain *out) TW_MUST_USE;
void tw_coil_chain_impedance(const tw_coil_chain *chain, double frequency_hz, double *re, double *im);

#endif

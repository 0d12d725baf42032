/* Winding loss. Straight round strands, exact in Bessel functions (A. Russell 1909 for the skin effect; a cylinder in a
 * uniform transverse field: W. R. Smythe, Static and Dynamic Electricity; J. A. Ferreira, IEEE Trans. Power Electron. 9
 * (1994) 127 shows that the two add, by symmetry):
 *   skin       R/R0 = Re[z J0(z)/(2 J1(z))],  z = x exp(-j pi/4), x = radius sqrt(w mu0 s)
 *   transverse P' = -w pi mu0 H^2 radius^2 Im[J2(z)/J0(z)]   (H peak; low-frequency limit w^2 mu0^2 s pi H^2
 * radius^4/8) The field at each turn is that of all other turns as filaments, with the images by pan and lower stack;
 * in a litz bundle the mean square of the bundle's own field, (i/(2 pi r_b))^2/2, comes on top. Assumes perfect
 * transposition: no currents between strands. */
#include "coil_private.h"

/* More filaments than this stand in groups for a section's turns. */
#define MOST_FILAMENTS 400
#define FILL_OF_BUNDLE 0.5

double tw_wire_skin_ratio(double x, double *inductance_ratio) {
    if (!(x > 1e-6)) {
        if (inductance_ratio != NULL) {
            *inductance_ratio = 1.0;
        }
        return 1.0;
    }
    const cx z = cx_of(x * sqrt(0.5), -x * sqrt(0.5));
    cx j1_j0, j2_j1;
    tw_coil__bessel_ratios(z, &j1_j0, &j2_j1);
    const cx ratio = cx_div(cx_scale(z, 0.5), j1_j0);
    if (inductance_ratio != NULL) {
        *inductance_ratio = ratio.im * 8.0 / (x * x);
    }
    return ratio.re;
}

double tw_strand_loss(double strand_diameter_m, double conductivity_s_m, double w_rad_s, double h_peak_a_m) {
    const double radius = 0.5 * strand_diameter_m, x = radius * sqrt(w_rad_s * TW_MU0 * conductivity_s_m);
    if (x < 1e-3) { /* the quotient's imaginary part is x^2/8 to 1e-12 */
        return w_rad_s * TW_PI * TW_MU0 * h_peak_a_m * h_peak_a_m * radius * radius * x * x / 8.0;
    }
    const cx z = cx_of(x * sqrt(0.5), -x * sqrt(0.5));
    cx j1_j0, j2_j1;
    tw_coil__bessel_ratios(z, &j1_j0, &j2_j1);
    return -w_rad_s * TW_PI * TW_MU0 * h_peak_a_m * h_peak_a_m * radius * radius * cx_mul(j2_j1, j1_j0).im;
}

double tw_litz_factor(double n_strands, double strand_diameter_m, double turns, double breadth_m, double skin_depth_m) {
    const double d2 = strand_diameter_m * strand_diameter_m, delta2 = skin_depth_m * skin_depth_m;
    const double field = TW_PI * n_strands * turns;
    return 1.0 + field * field * d2 * d2 * d2 / (192.0 * delta2 * delta2 * breadth_m * breadth_m);
}

double tw_litz_first_twist(double strand_diameter_m, double skin_depth_m) {
    return 4.0 * skin_depth_m * skin_depth_m / (strand_diameter_m * strand_diameter_m);
}

double tw_litz_breadth(double inner_radius_m, double outer_radius_m) {
    const double q = inner_radius_m * inner_radius_m / (outer_radius_m * outer_radius_m);
    const double r2 = outer_radius_m * outer_radius_m, area = r2 - inner_radius_m * inner_radius_m;
    const double bracket = -0.5 * log(q) + q - 0.25 * q * q - 0.75;
    return TW_PI * pow(area, 1.5) / (sqrt(6.0) * r2 * sqrt(bracket));
}

double tw_litz_breadth_fit(double inner_radius_m, double outer_radius_m) {
    return TW_PI * (0.693 * inner_radius_m + 0.307 * pow(outer_radius_m, 0.91) * pow(inner_radius_m, 0.09));
}

tw_wire tw_wire_copper(size_t n_strands, double strand_diameter_m, double lay_factor, double temperature_c) {
    return (tw_wire){.n_strands = n_strands,
                     .strand_diameter_m = strand_diameter_m,
                     .lay_factor = lay_factor,
                     .conductivity_20_s_m = 58.0e6, /* IEC 28 (1925) */
                     .temperature_coefficient = 0.00393,
                     .temperature_c = temperature_c};
}

static double bundle_radius(const tw_wire *wire) {
    return 0.5 * (wire->bundle_diameter_m > 0.0
                      ? wire->bundle_diameter_m
                      : wire->strand_diameter_m * sqrt((double)wire->n_strands / FILL_OF_BUNDLE));
}

tw_status tw_wire_check(tw_ctx *ctx, const tw_wire *wire) {
    if (wire->n_strands == 0) {
        return tw_coil__refuse(ctx, "wire.strands", 0.0, "at least one strand");
    }
    if (!(isfinite(wire->strand_diameter_m) && wire->strand_diameter_m > 0.0)) {
        return tw_coil__refuse(ctx, "wire.strand_diameter", wire->strand_diameter_m, "a diameter above zero metres");
    }
    if (!(isfinite(wire->bundle_diameter_m) && wire->bundle_diameter_m >= 0.0)) {
        return tw_coil__refuse(ctx, "wire.bundle_diameter", wire->bundle_diameter_m, "a diameter, or 0 for unknown");
    }
    const double metal = wire->strand_diameter_m * sqrt((double)wire->n_strands);
    if (wire->bundle_diameter_m > 0.0 && wire->bundle_diameter_m < metal * (1.0 - 1e-9)) {
        return tw_coil__refuse(ctx, "wire.bundle_diameter", wire->bundle_diameter_m,
                               "a bundle that holds the area of its strands");
    }
    if (!(isfinite(wire->lay_factor) && wire->lay_factor >= 1.0)) {
        return tw_coil__refuse(ctx, "wire.lay_factor", wire->lay_factor, "strand length over wire length, 1 or more");
    }
    if (!(isfinite(wire->conductivity_20_s_m) && wire->conductivity_20_s_m > 0.0)) {
        return tw_coil__refuse(ctx, "wire.conductivity", wire->conductivity_20_s_m, "a conductivity above zero S/m");
    }
    const double rise = 1.0 + wire->temperature_coefficient * (wire->temperature_c - 20.0);
    if (!(isfinite(rise) && rise > 0.0)) {
        return tw_coil__refuse(ctx, "wire.temperature", wire->temperature_c, "a temperature with positive resistivity");
    }
    return TW_OK;
}

/* A section as a grid of cells about as high as wide, one turn each where there are not too many. */
static size_t section_grid(const tw_winding *w, size_t *n_r, size_t *n_z) {
    const double wide = w->outer_radius_m - w->inner_radius_m, high = w->height_m;
    const double cells = fmin(fmax(1.0, w->turns), MOST_FILAMENTS);
    double along = wide == 0.0 ? 1.0 : high == 0.0 ? cells : sqrt(cells * wide / high);
    along = fmin(fmax(1.0, floor(along + 0.5)), floor(cells + 0.5));
    *n_r = (size_t)along;
    *n_z = (size_t)fmax(1.0, floor(cells / along + 0.5));
    return *n_r * *n_z;
}

static tw_status make_filaments(tw_ctx *ctx, const tw_coil_plan *plan, size_t *n, tw_filament **out) {
    const tw_winding *w = &plan->winding;
    size_t n_r = 0, n_z = 1;
    *n = w->kind == TW_WINDING_TURNS ? w->n_turns : section_grid(w, &n_r, &n_z);
    tw_filament *f = tw_alloc(ctx, *n, sizeof *f);
    if (f == NULL) {
        return TW_NO_MEMORY;
    }
    for (size_t i = 0; i < *n; i++) {
        if (w->kind == TW_WINDING_TURNS) {
            f[i] = (tw_filament){w->turn[i].radius_m, w->turn[i].z_m - plan->low_m, 1.0};
        } else {
            const double x = ((double)(i / n_z) + 0.5) / (double)n_r, y = ((double)(i % n_z) + 0.5) / (double)n_z;
            f[i] = (tw_filament){w->inner_radius_m + x * (w->outer_radius_m - w->inner_radius_m), y * w->height_m,
                                 w->turns / (double)*n};
        }
    }
    *out = f;
    return TW_OK;
}

/* Length-weighted sums over the turns of |H|^2 of the others and the images. */
static void square_fields(const tw_coil_plan *plan, const tw_waves *v, double gap, size_t n, const tw_filament *f,
                          double *radial, double *axial) {
    *radial = *axial = 0.0;
    for (size_t i = 0; i < n; i++) {
        cx hr, hz;
        tw_coil__image_field(plan, v, gap, f[i].radius_m, f[i].z_m, NULL, &hr, &hz);
        for (size_t k = 0; k < n; k++) {
            if (k != i) {
                double r, z;
                tw_coil__loop_field(f[k].radius_m, f[i].radius_m, f[i].z_m - f[k].z_m, &r, &z);
                hr.re += f[k].turns * r;
                hz.re += f[k].turns * z;
            }
        }
        const double length = 2.0 * TW_PI * f[i].radius_m * f[i].turns;
        *radial += length * cx_abs2(hr);
        *axial += length * cx_abs2(hz);
    }
}

tw_status tw_coil_wire_loss(tw_ctx *ctx, const tw_coil_plan *plan, const tw_wire *wire, const tw_stack *pan,
                            double gap_m, double frequency_hz, tw_wire_loss *out) {
    TW_TRY(tw_wire_check(ctx, wire));
    tw_waves v;
    TW_TRY(tw_coil__waves_make(ctx, plan, pan, gap_m, frequency_hz, &v));
    tw_filament *f;
    size_t n;
    const tw_status status = make_filaments(ctx, plan, &n, &f);
    if (status != TW_OK) {
        tw_coil__waves_dispose(&v);
        return status;
    }
    double radial, axial;
    square_fields(plan, &v, tw_coil__gap(pan, gap_m), n, f, &radial, &axial);
    tw_free(f);
    tw_coil__waves_dispose(&v);

    const double w = 2.0 * TW_PI * frequency_hz, strands = (double)wire->n_strands, d = wire->strand_diameter_m;
    const double s = wire->conductivity_20_s_m / (1.0 + wire->temperature_coefficient * (wire->temperature_c - 20.0));
    const double per_field = 2.0 * strands * wire->lay_factor * tw_strand_loss(d, s, w, 1.0); /* ohm per m (A/m)^2 */
    tw_wire_loss r = {.length_m = tw_winding_length(&plan->winding)};
    r.dc_ohm = r.length_m * wire->lay_factor / (s * strands * 0.25 * TW_PI * d * d);
    r.skin_ohm = r.dc_ohm * tw_wire_skin_ratio(0.5 * d * sqrt(w * TW_MU0 * s), NULL);
    r.proximity_ohm = per_field * (radial + axial);
    if (wire->n_strands > 1) {
        const double edge = 1.0 / (2.0 * TW_PI * bundle_radius(wire));
        r.bundle_ohm = per_field * r.length_m * 0.5 * edge * edge;
    }
    r.ac_ohm = r.skin_ohm + r.proximity_ohm + r.bundle_ohm;
    r.h_radial_a_m = sqrt(radial / r.length_m);
    r.h_axial_a_m = sqrt(axial / r.length_m);
    *out = r;
    return TW_OK;
}

/* Vector potential between the stacks, and the sense loop in it. */
#include "coil_private.h"

/* The winding's own field at height z over its lower face, in units of mu0/2. Turns by Maxwell's formula (inside the
 * wire as on its edge); a section by the same integral as its inductance, with the part of the section above z and the
 * part below it each decaying away. */
static double own_potential(const tw_coil_plan *plan, double r, double z) {
    const tw_winding *w = &plan->winding;
    double sum = 0.0;
    if (r <= 0.0) {
        return 0.0;
    }
    if (w->kind == TW_WINDING_TURNS) {
        for (size_t i = 0; i < w->n_turns; i++) {
            double dr = r - w->turn[i].radius_m, dz = z + plan->low_m - w->turn[i].z_m;
            const double distance = hypot(dr, dz);
            if (distance < w->wire_radius_m) {
                dz = sqrt(w->wire_radius_m * w->wire_radius_m - dr * dr);
            }
            sum += tw_mutual_loops(r, w->turn[i].radius_m, dz);
        }
        return sum / (TW_PI * TW_MU0 * r); /* A = M/(2 pi r) */
    }
    const double h = w->height_m;
    for (size_t i = 0; i < plan->n_panels * TW_COIL__NODES; i++) {
        const double a = plan->a[i], x = a * h;
        double slice; /* mean over the section's heights of exp(-a |z - z'|) */
        if (z >= h) {
            slice = exp(-a * (z - h)) * (x > 0.0 ? -expm1(-x) / x : 1.0);
        } else if (z <= 0.0) {
            slice = exp(a * z) * (x > 0.0 ? -expm1(-x) / x : 1.0);
        } else {
            slice = -(expm1(-a * z) + expm1(-a * (h - z))) / x;
        }
        const double face = x > 0.0 ? -expm1(-x) / x : 1.0; /* plan->up holds this factor */
        sum += plan->weight[i] * plan->up[i] / face * slice * j1(a * r);
    }
    return sum;
}

static tw_status check_place(tw_ctx *ctx, const tw_coil_plan *plan, const tw_stack *pan, double gap_m, double r,
                             double z) {
    if (!(r >= 0.0 && r <= plan->opts.field_radius_m)) {
        return tw_coil__refuse(ctx, "radius", r, "a radius from zero to the largest field radius of the plan");
    }
    const bool covered = pan != NULL && pan->n_layers > 0;
    if (!isfinite(z) || (covered && z >= plan->span_m + gap_m)) {
        return tw_coil__refuse(ctx, "height", z, "a height below the pan");
    }
    if (plan->below.n_layers > 0 && z <= -plan->below_gap_m) {
        return tw_coil__refuse(ctx, "height", z, "a height above the ferrite");
    }
    return TW_OK;
}

static cx potential(const tw_coil_plan *plan, const tw_waves *v, double gap, double r, double z) {
    cx image;
    tw_coil__image_field(plan, v, gap, r, z, &image, NULL, NULL);
    return cx_scale(cx_add(image, cx_of(own_potential(plan, r, z), 0.0)), 0.5 * TW_MU0);
}

tw_status tw_coil_potential(tw_ctx *ctx, const tw_coil_plan *plan, const tw_stack *pan, double gap_m,
                            double frequency_hz, size_t n, const double *r_m, const double *z_m, double *re,
                            double *im) {
    for (size_t i = 0; i < n; i++) {
        TW_TRY(check_place(ctx, plan, pan, gap_m, r_m[i], z_m[i]));
    }
    tw_waves v;
    TW_TRY(tw_coil__waves_make(ctx, plan, pan, gap_m, frequency_hz, &v));
    for (size_t i = 0; i < n; i++) {
        const cx a = potential(plan, &v, tw_coil__gap(pan, gap_m), r_m[i], z_m[i]);
        re[i] = a.re;
        im[i] = a.im;
    }
    tw_coil__waves_dispose(&v);
    return TW_OK;
}

tw_status tw_coil_sense_gain(tw_ctx *ctx, const tw_coil_plan *plan, const tw_stack *pan, double gap_m,
                             double frequency_hz, double radius_m, double z_m, double turns,
                             double winding_resistance_ohm, double *re, double *im) {
    if (!(isfinite(turns) && turns > 0.0)) {
        return tw_coil__refuse(ctx, "loop.turns", turns, "a number of turns above zero");
    }
    if (!(isfinite(winding_resistance_ohm) && winding_resistance_ohm >= 0.0)) {
        return tw_coil__refuse(ctx, "coil.resistance", winding_resistance_ohm, "a resistance of zero or more ohms");
    }
    double a_re, a_im;
    TW_TRY(tw_coil_potential(ctx, plan, pan, gap_m, frequency_hz, 1, &radius_m, &z_m, &a_re, &a_im));
    tw_coil_z z;
    TW_TRY(tw_coil_solve(ctx, plan, pan, gap_m, frequency_hz, &z));
    const double w = 2.0 * TW_PI * frequency_hz, flux = 2.0 * TW_PI * radius_m * turns;
    const cx coil = cx_of(winding_resistance_ohm + z.delta_r_ohm, w * z.inductance_h);
    const cx gain = cx_div(cx_of(-w * flux * a_im, w * flux * a_re), coil);
    *re = gain.re;
    *im = gain.im;
    return TW_OK;
}

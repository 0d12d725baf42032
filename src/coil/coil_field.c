/* Fields of 1 A: waves between the stacks, densities in the pan's layers, losses by integration, lines of flux.
 *
 * A(r, z) = (mu0/2) integral f(a, z) J1(a r) da for every part of the field; Parseval's theorem for the Hankel
 * transform, integral |A|^2 r dr = (mu0/2)^2 integral |f|^2/a da, turns losses into one integral with the depth done in
 * closed form. */
#include "coil_private.h"

#include <stdio.h>

/* Beyond this exponent a wave from the coil adds nothing to a field. */
#define FIELD_DECAY 40.0

void tw_coil__waves_dispose(tw_waves *w) {
    tw_free(w->u);
    *w = (tw_waves){.n = 0};
}

tw_status tw_coil__waves_make(tw_ctx *ctx, const tw_coil_plan *plan, const tw_stack *pan, double gap_m,
                              double frequency_hz, tw_waves *out) {
    TW_TRY(tw_coil__check_call(ctx, plan, pan, gap_m, frequency_hz));
    const double w = 2.0 * TW_PI * frequency_hz, gap = tw_coil__gap(pan, gap_m);
    const size_t n = tw_coil_plan_nodes(plan);
    const tw_stack_at up = tw_coil__stack_at(pan, w), low = tw_coil__stack_at(&plan->below, w);
    cx *block = tw_alloc(ctx, 4 * n, sizeof *block);
    if (block == NULL) {
        return TW_NO_MEMORY;
    }
    tw_waves v = {n, block, block + n, block + 2 * n, block + 3 * n};
    for (size_t i = 0; i < n; i++) {
        const double a = plan->a[i], e = exp(-a * (gap + plan->span_m + plan->below_gap_m));
        const double u0 = plan->up[i] * exp(-a * gap), d0 = plan->down[i];
        v.gu[i] = tw_coil__reflect(&up, a);
        v.gl[i] = plan->below_still ? cx_of(plan->still[i], 0.0) : tw_coil__reflect(&low, a);
        const cx gg = cx_mul(v.gu[i], v.gl[i]);
        const cx inverse = cx_div(cx_of(1.0, 0.0), cx_of(1.0 - gg.re * e * e, -gg.im * e * e));
        v.u[i] = cx_mul(cx_add(cx_of(u0, 0.0), cx_scale(v.gl[i], e * d0)), inverse);
        v.d[i] = cx_mul(cx_add(cx_of(d0, 0.0), cx_scale(v.gu[i], e * u0)), inverse);
    }
    *out = v;
    return TW_OK;
}

/* Integral over 0..d of |exp(-a1 zeta) + c exp(a1 (zeta - d))|^2 (sign +1) or of the same with a minus (sign -1). */
static double depth_integral(cx a1, cx c, double d, double sign) {
    if (isinf(d)) {
        return 0.5 / a1.re;
    }
    const double even = -expm1(-2.0 * a1.re * d) / (2.0 * a1.re);
    const double half = a1.im * d, sinc = half != 0.0 ? sin(half) / half : 1.0;
    /* 2 Re[conj(c) exp(-conj(a1) d) integral exp(-2 j im zeta)] = 2 Re[conj(c) exp(-re d)] d sinc: the phases cancel */
    const double cross = 2.0 * c.re * exp(-a1.re * d) * d * sinc;
    return even * (1.0 + cx_abs2(c)) + sign * cross;
}

tw_status tw_coil_layer_losses(tw_ctx *ctx, const tw_coil_plan *plan, const tw_stack *pan, double gap_m,
                               double frequency_hz, tw_layer_loss *loss) {
    tw_waves v;
    TW_TRY(tw_coil__waves_make(ctx, plan, pan, gap_m, frequency_hz, &v));
    const double w = 2.0 * TW_PI * frequency_hz;
    const tw_stack_at at = tw_coil__stack_at(pan, w);
    double conduction[TW_COIL_MAX_LAYERS] = {0.0}, magnetic[TW_COIL_MAX_LAYERS] = {0.0};
    tw_layer_wave wave[TW_COIL_MAX_LAYERS];
    for (size_t i = 0; at.n > 0 && i < v.n; i++) {
        const double a = plan->a[i], incident = cx_abs2(v.u[i]) / a * plan->weight[i];
        if (a * gap_m > FIELD_DECAY) {
            break;
        }
        (void)tw_coil__waves(&at, a, wave);
        for (size_t k = 0; k < at.n && !wave[k].dead; k++) {
            const tw_layer_wave *l = &wave[k];
            const cx bottom = cx_add(cx_of(1.0, 0.0), cx_mul(l->back, l->decay));
            const double size = incident * cx_abs2(l->top) / cx_abs2(bottom);
            const double square = depth_integral(l->a1, l->back, at.layer[k].d, 1.0);
            conduction[k] += size * square;
            if (l->mu.im != 0.0) {
                const double slope = cx_abs2(l->a1) * depth_integral(l->a1, l->back, at.layer[k].d, -1.0);
                magnetic[k] += size * (slope + a * a * square) * -l->mu.im / cx_abs2(l->mu);
            }
        }
    }
    for (size_t k = 0; k < at.n; k++) {
        const tw_layer *l = &pan->layers[k];
        const double current = at.layer[k].perfect ? 0.0 : l->conductivity_s_m * w * w * conduction[k];
        loss[k].resistance_ohm = 0.5 * TW_PI * TW_MU0 * (TW_MU0 * current + w * magnetic[k]);
        loss[k].skin_depth_m = tw_skin_depth(frequency_hz, l->conductivity_s_m, l->relative_permeability);
    }
    tw_coil__waves_dispose(&v);
    return TW_OK;
}

static tw_status check_places(tw_ctx *ctx, size_t n, const double *x, double low, double high, const char *key) {
    for (size_t i = 0; i < n; i++) {
        if (!(x[i] >= low && x[i] <= high && isfinite(x[i]))) {
            const tw_place place = {.key = key};
            return tw_fail_at(ctx, TW_OUT_OF_RANGE, TW_COIL_ROOM, &place, "found %g m, expected %g to %g m", x[i], low,
                              high);
        }
    }
    return TW_OK;
}

/* Field in a layer relative to its value at the top, at one depth. */
static cx depth_factor(const tw_layer_wave *l, double d, double depth) {
    cx f = cx_exp_minus(cx_scale(l->a1, depth));
    cx bottom = cx_of(1.0, 0.0);
    if (isfinite(d)) {
        f = cx_add(f, cx_mul(l->back, cx_exp_minus(cx_scale(l->a1, d - depth))));
        bottom = cx_add(bottom, cx_mul(l->back, l->decay));
    }
    return cx_div(f, bottom);
}

tw_status tw_coil_current_density(tw_ctx *ctx, const tw_coil_plan *plan, const tw_stack *pan, double gap_m,
                                  double frequency_hz, size_t layer, size_t n_r, const double *r_m, size_t n_depth,
                                  const double *depth_m, double *re, double *im) {
    if (pan == NULL || layer >= pan->n_layers) {
        return tw_coil__refuse(ctx, "pan.layer", (double)layer, "the index of a layer of the pan");
    }
    TW_TRY(check_places(ctx, n_r, r_m, 0.0, plan->opts.field_radius_m, "radius"));
    TW_TRY(check_places(ctx, n_depth, depth_m, 0.0, pan->layers[layer].thickness_m, "depth"));
    tw_waves v;
    TW_TRY(tw_coil__waves_make(ctx, plan, pan, gap_m, frequency_hz, &v));
    cx *at_depth = tw_alloc(ctx, n_depth, sizeof *at_depth);
    if (at_depth == NULL) {
        tw_coil__waves_dispose(&v);
        return TW_NO_MEMORY;
    }
    const double w = 2.0 * TW_PI * frequency_hz, s = pan->layers[layer].conductivity_s_m;
    const tw_stack_at at = tw_coil__stack_at(pan, w);
    for (size_t k = 0; k < n_r * n_depth; k++) {
        re[k] = im[k] = 0.0;
    }
    tw_layer_wave wave[TW_COIL_MAX_LAYERS];
    for (size_t i = 0; i < v.n && plan->a[i] * gap_m <= FIELD_DECAY; i++) {
        (void)tw_coil__waves(&at, plan->a[i], wave);
        if (wave[layer].dead) {
            break; /* a perfect conductor has its current on the surface: no density */
        }
        const cx front = cx_scale(cx_mul(v.u[i], wave[layer].top), plan->weight[i]);
        for (size_t k = 0; k < n_depth; k++) {
            at_depth[k] = cx_mul(front, depth_factor(&wave[layer], pan->layers[layer].thickness_m, depth_m[k]));
        }
        for (size_t j = 0; j < n_r; j++) {
            const double bessel = j1(plan->a[i] * r_m[j]);
            for (size_t k = 0; k < n_depth; k++) {
                re[j * n_depth + k] += bessel * at_depth[k].re;
                im[j * n_depth + k] += bessel * at_depth[k].im;
            }
        }
    }
    const double scale = isinf(s) ? 0.0 : 0.5 * TW_MU0 * w * s; /* J = -j w s A */
    for (size_t k = 0; k < n_r * n_depth; k++) {
        const double real = re[k];
        re[k] = scale * im[k];
        im[k] = -scale * real;
    }
    tw_free(at_depth);
    tw_coil__waves_dispose(&v);
    return TW_OK;
}

/* Tangential field and heat flux at one radius of the pan's surface. */
static void surface_at(const tw_coil_plan *plan, const tw_waves *v, double gap_m, double w, double r, double *h_modulus,
                       double *flux) {
    cx a_sum = cx_of(0.0, 0.0), h_sum = a_sum;
    for (size_t i = 0; i < v->n && plan->a[i] * gap_m <= FIELD_DECAY; i++) {
        const cx u = cx_scale(v->u[i], plan->weight[i] * j1(plan->a[i] * r)), gu = cx_mul(u, v->gu[i]);
        a_sum = cx_add(a_sum, cx_add(u, gu));
        h_sum = cx_add(h_sum, cx_scale(cx_sub(u, gu), plan->a[i]));
    }
    /* A = (mu0/2) a_sum, H = h_sum/2; flux = Re(j w A conj(H))/2 */
    const cx product = cx_mul(a_sum, cx_conj(h_sum));
    *h_modulus = 0.5 * sqrt(cx_abs2(h_sum));
    *flux = -0.125 * w * TW_MU0 * product.im;
}

tw_status tw_coil_pan_surface(tw_ctx *ctx, const tw_coil_plan *plan, const tw_stack *pan, double gap_m,
                              double frequency_hz, size_t n_r, const double *r_m, double *h_a_m, double *flux_w_m2) {
    if (pan == NULL || pan->n_layers == 0) {
        return tw_coil__refuse(ctx, "pan.layers", 0.0, "a pan");
    }
    TW_TRY(check_places(ctx, n_r, r_m, 0.0, plan->opts.field_radius_m, "radius"));
    tw_waves v;
    TW_TRY(tw_coil__waves_make(ctx, plan, pan, gap_m, frequency_hz, &v));
    for (size_t k = 0; k < n_r; k++) {
        double h, flux;
        surface_at(plan, &v, gap_m, 2.0 * TW_PI * frequency_hz, r_m[k], &h, &flux);
        if (h_a_m != NULL) {
            h_a_m[k] = h;
        }
        if (flux_w_m2 != NULL) {
            flux_w_m2[k] = flux;
        }
    }
    tw_coil__waves_dispose(&v);
    return TW_OK;
}

tw_status tw_coil_pan_share(tw_ctx *ctx, const tw_coil_plan *plan, const tw_stack *pan, double gap_m,
                            double frequency_hz, double radius_m, double *share_outside) {
    if (!(isfinite(radius_m) && radius_m > 0.0)) {
        return tw_coil__refuse(ctx, "pan.radius", radius_m, "a radius above zero metres");
    }
    tw_coil_z z;
    TW_TRY(tw_coil_solve(ctx, plan, pan, gap_m, frequency_hz, &z));
    if (!(z.resistance_pan_ohm > 0.0)) {
        return tw_coil__refuse(ctx, "pan", z.resistance_pan_ohm, "a pan with loss");
    }
    /* Beyond the prepared radius the nodes cannot follow J1(a r); the flux falls like r^-6 there or faster. */
    const double within = fmin(radius_m, plan->opts.field_radius_m);
    double x[24], wx[24];
    tw_coil__gauss(24, x, wx);
    tw_waves v;
    TW_TRY(tw_coil__waves_make(ctx, plan, pan, gap_m, frequency_hz, &v));
    double inside = 0.0;
    for (size_t part = 0; part < 4; part++) {
        for (size_t k = 0; k < 24; k++) {
            const double r = within * 0.25 * ((double)part + x[k]);
            double h, flux;
            surface_at(plan, &v, gap_m, z.frequency_hz * 2.0 * TW_PI, r, &h, &flux);
            inside += within * 0.25 * wx[k] * flux * 2.0 * TW_PI * r;
        }
    }
    tw_coil__waves_dispose(&v);
    *share_outside = fmin(1.0, fmax(0.0, 1.0 - 2.0 * inside / z.resistance_pan_ohm));
    return TW_OK;
}

tw_status tw_coil_warn_pan(tw_ctx *ctx, double share_outside, double radius_m, tw_warnings *list) {
    if (share_outside > TW_COIL_PAN_SHARE_BAD) {
        return tw_warn(ctx, list, "pan_small",
                       "The field model takes the pan as unlimited; %.0f %% of its loss would lie outside the pan's "
                       "radius of %.0f mm, so R and L are not to be trusted for this pan",
                       100.0 * share_outside, 1e3 * radius_m);
    }
    if (share_outside > TW_COIL_PAN_SHARE_FAIR) {
        return tw_warn(ctx, list, "pan_rim",
                       "The field model takes the pan as unlimited; %.1f %% of its loss would lie outside the pan's "
                       "radius of %.0f mm: expect errors of that size and more in R and L",
                       100.0 * share_outside, 1e3 * radius_m);
    }
    return TW_OK;
}

void tw_coil__image_field(const tw_coil_plan *plan, const tw_waves *w, double gap_m, double r, double z, cx *a, cx *hr,
                          cx *hz) {
    const double to_pan = plan->span_m + gap_m - z;
    const double to_low = plan->below.n_layers > 0 ? z + plan->below_gap_m : INFINITY;
    const double nearest = fmin(to_pan, to_low);
    cx sum_a = cx_of(0.0, 0.0), sum_r = sum_a, sum_z = sum_a;
    for (size_t i = 0; i < w->n && plan->a[i] * nearest <= FIELD_DECAY; i++) {
        const double s = plan->a[i], weight = plan->weight[i], b1 = j1(s * r) * weight;
        const cx from_pan = cx_scale(cx_mul(w->gu[i], w->u[i]), exp(-s * to_pan));
        const cx from_low = cx_scale(cx_mul(w->gl[i], w->d[i]), exp(-s * to_low));
        const cx both = cx_add(from_pan, from_low);
        sum_a = cx_add(sum_a, cx_scale(both, b1));
        if (hr != NULL) {
            sum_r = cx_add(sum_r, cx_scale(cx_sub(from_low, from_pan), s * b1));
            sum_z = cx_add(sum_z, cx_scale(both, s * weight * j0(s * r)));
        }
    }
    if (a != NULL) {
        *a = sum_a;
    }
    if (hr != NULL) {
        *hr = cx_scale(sum_r, 0.5);
        *hz = cx_scale(sum_z, 0.5);
    }
}

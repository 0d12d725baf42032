/* Impedance of the coil between the two stacks.
 *
 * With u0, d0 the waves that the coil sends to the pan and to the lower stack, Gu and Gl the two reflections and
 * e = exp(-a H), H the distance between the stacks, all reflections to and fro are summed in closed form:
 *   u = (u0 + Gl e d0)/D,  d = (d0 + Gu e u0)/D,  D = 1 - Gu Gl e^2,
 *   dZ = j w pi mu0 integral (Gu u0^2 + Gl d0^2 + 2 Gu Gl e u0 d0)/D da          (docs/theory-coil.md)
 * Loss goes to the pan with |u|^2 (-Im Gu) and down with |d|^2 (-Im Gl) under the same integral. */
#include "coil_private.h"

#include <string.h>

/* The sum stops where the rest is below this part of the tolerance, so that small losses beside large reactances keep
 * their digits. */
#define CUT_SHARE 1e-3
/* exp(-UNSEEN) cannot be seen beside 1. */
#define UNSEEN 37.0
/* A reflection is known to this absolute error: that of a nearly transparent pan is all rounding. */
#define REFLECTION_ROUNDING 1e-14

typedef struct panel_reflection {
    cx up[TW_COIL__NODES], low[TW_COIL__NODES];
} panel_reflection;

typedef struct sums {
    cx change;       /* integral of dZ/(j w pi mu0) less its still part */
    cx change_gauss; /* the same by the embedded rule, this panel only */
    cx bare;         /* without pan, less its still part */
    double loss_up, loss_low;
    double mirror; /* what perfect reflection above would give: the measure of rounding */
    double error;
} sums;

static void reflect_panel(const tw_coil_plan *plan, const tw_stack_at *pan, const tw_stack_at *low, size_t p,
                          panel_reflection *g) {
    const double *a = plan->a + p * TW_COIL__NODES;
    const bool still = plan->below_still || 2.0 * a[0] * plan->still_depth_m > UNSEEN;
    for (size_t k = 0; k < TW_COIL__NODES; k++) {
        g->up[k] = tw_coil__reflect(pan, a[k]);
        g->low[k] = still ? cx_of(plan->still[p * TW_COIL__NODES + k], 0.0) : tw_coil__reflect(low, a[k]);
    }
}

static void add_panel(const tw_coil_plan *plan, size_t p, const panel_reflection *g, double gap, sums *s) {
    const double between = gap + plan->span_m + plan->below_gap_m;
    const bool both = plan->below.n_layers > 0;
    cx whole = cx_of(0.0, 0.0), coarse = whole;
    double size = 0.0;
    for (size_t k = 0; k < TW_COIL__NODES; k++) {
        const size_t i = p * TW_COIL__NODES + k;
        const double a = plan->a[i], u0 = plan->up[i] * exp(-a * gap), d0 = plan->down[i];
        const cx gu = g->up[k], gl = g->low[k];
        cx f = cx_scale(gu, u0 * u0);
        double loss_up = -gu.im * u0 * u0, loss_low = 0.0;
        if (both) {
            const double e = exp(-a * between);
            const cx gg = cx_scale(cx_mul(gu, gl), e);
            const cx inverse = cx_div(cx_of(1.0, 0.0), cx_of(1.0 - gg.re * e, -gg.im * e));
            f = cx_add(f, cx_add(cx_scale(gl, d0 * d0), cx_scale(gg, 2.0 * u0 * d0)));
            f = cx_mul(f, inverse);
            f.re -= plan->still[i] * d0 * d0;
            const cx u = cx_mul(cx_add(cx_of(u0, 0.0), cx_scale(gl, e * d0)), inverse);
            const cx d = cx_mul(cx_add(cx_of(d0, 0.0), cx_scale(gu, e * u0)), inverse);
            loss_up = -gu.im * cx_abs2(u);
            loss_low = -gl.im * cx_abs2(d);
            s->bare.re += plan->weight[i] * (gl.re - plan->still[i]) * d0 * d0;
            s->bare.im += plan->weight[i] * gl.im * d0 * d0;
        }
        whole = cx_add(whole, cx_scale(f, plan->weight[i]));
        coarse = cx_add(coarse, cx_scale(f, plan->gauss[i]));
        size += plan->weight[i] * sqrt(cx_abs2(f));
        s->mirror += plan->weight[i] * u0 * u0;
        s->loss_up += plan->weight[i] * loss_up;
        s->loss_low += plan->weight[i] * loss_low;
    }
    s->change = cx_add(s->change, whole);
    const double difference = sqrt(cx_abs2(cx_sub(whole, coarse)));
    if (size > 0.0) { /* QUADPACK's reading of the embedded rule */
        s->error += fmin(difference, size * pow(200.0 * difference / size, 1.5));
    }
}

/* Largest possible contribution of panels p, p + 1, ... */
static double rest(const tw_coil_plan *plan, size_t p, double gap) {
    const double a = plan->a[p * TW_COIL__NODES];
    double bound = 2.0 * exp(-2.0 * a * gap) * plan->tail_up[p];
    if (plan->below.n_layers > 0) {
        const double between = gap + plan->span_m + plan->below_gap_m;
        const double cross = exp(-a * (gap + between)) * sqrt(plan->tail_up[p] * plan->tail_down[p]);
        bound += 4.0 * cross;
        if (!plan->below_still) {
            bound += 2.0 * exp(-2.0 * a * plan->still_depth_m) * plan->tail_down[p];
        }
    }
    return bound;
}

static double total_size(const tw_coil_plan *plan, const sums *s) {
    const double still = plan->still_h / (TW_PI * TW_MU0);
    return hypot(s->change.re + still, s->change.im);
}

static bool enough(const tw_coil_plan *plan, size_t p, double gap, const sums *s) {
    return rest(plan, p, gap) <=
           CUT_SHARE * plan->opts.tolerance * total_size(plan, s) + REFLECTION_ROUNDING * s->mirror;
}

static void transformer(double dr, double dl, double w, double no_pan, tw_coil_z *z) {
    z->transformer_k = NAN;
    z->transformer_r_ohm = NAN;
    if (dl < 0.0 && dr > 0.0) {
        const double x = -w * dl / dr, lm = -dl * (1.0 + 1.0 / (x * x));
        if (lm < no_pan) {
            z->transformer_k = sqrt(lm / no_pan);
            z->transformer_r_ohm = w * lm / x;
        }
    }
}

static tw_status finish(tw_ctx *ctx, const tw_coil_plan *plan, double gap, double frequency, const sums *s, double cut,
                        tw_coil_z *out) {
    const double w = 2.0 * TW_PI * frequency, scale = TW_PI * TW_MU0;
    const double error = s->error + cut, size = total_size(plan, s);
    if (!isfinite(size) || error > plan->opts.tolerance * size + REFLECTION_ROUNDING * s->mirror) {
        const tw_place place = {.key = "pan.gap"};
        return tw_fail_at(ctx, TW_NO_CONVERGENCE, TW_COIL_ROOM, &place,
                          "the field integral at gap %g m and %g Hz reached a relative error of %.2g, allowed is %.2g",
                          gap, frequency, error / size, plan->opts.tolerance);
    }
    tw_coil_z z = {.frequency_hz = frequency, .gap_m = gap, .inductance_air_h = plan->air_h};
    z.delta_l_h = scale * s->change.re + plan->still_h;
    z.delta_r_ohm = -w * scale * s->change.im;
    z.inductance_h = plan->air_h + z.delta_l_h;
    z.inductance_no_pan_h = plan->air_h + plan->still_h + scale * s->bare.re;
    z.resistance_pan_ohm = w * scale * s->loss_up;
    z.resistance_below_ohm = w * scale * s->loss_low;
    z.error_ohm = w * scale * error;
    z.coupling = z.inductance_h < z.inductance_no_pan_h ? sqrt(1.0 - z.inductance_h / z.inductance_no_pan_h) : 0.0;
    transformer(z.resistance_pan_ohm, z.inductance_h - z.inductance_no_pan_h, w, z.inductance_no_pan_h, &z);
    *out = z;
    return TW_OK;
}

tw_status tw_coil__check_call(tw_ctx *ctx, const tw_coil_plan *plan, const tw_stack *pan, double gap_m,
                              double frequency_hz) {
    TW_TRY(tw_stack_check(ctx, pan, "pan"));
    TW_TRY(tw_coil__check_frequency(ctx, frequency_hz));
    if (pan == NULL || pan->n_layers == 0) {
        return TW_OK;
    }
    TW_TRY(tw_coil__check_gap(ctx, "pan.gap", gap_m));
    if (gap_m < plan->opts.min_gap_m * (1.0 - 1e-9)) {
        const tw_place place = {.key = "pan.gap"};
        return tw_fail_at(ctx, TW_OUT_OF_RANGE, TW_COIL_ROOM, &place,
                          "found %g m, below the smallest gap of %g m that this coil was prepared for", gap_m,
                          plan->opts.min_gap_m);
    }
    return TW_OK;
}

tw_status tw_coil_solve(tw_ctx *ctx, const tw_coil_plan *plan, const tw_stack *pan, double gap_m, double frequency_hz,
                        tw_coil_z *out) {
    TW_TRY(tw_coil__check_call(ctx, plan, pan, gap_m, frequency_hz));
    const double w = 2.0 * TW_PI * frequency_hz, gap = tw_coil__gap(pan, gap_m);
    const tw_stack_at up = tw_coil__stack_at(pan, w), low = tw_coil__stack_at(&plan->below, w);
    sums s = {0};
    size_t p = 0;
    for (; p < plan->n_panels && !(p > 5 && enough(plan, p, gap, &s)); p++) {
        panel_reflection g;
        reflect_panel(plan, &up, &low, p, &g);
        add_panel(plan, p, &g, gap, &s);
    }
    return finish(ctx, plan, gap_m, frequency_hz, &s, p < plan->n_panels ? rest(plan, p, gap) : rest(plan, p - 1, gap),
                  out);
}

tw_status tw_coil_solve_table(tw_ctx *ctx, const tw_coil_plan *plan, const tw_stack *pan, size_t n_frequencies,
                              const double *frequency_hz, size_t n_gaps, const double *gap_m, tw_coil_z *z) {
    double nearest = INFINITY;
    for (size_t k = 0; k < n_gaps; k++) {
        nearest = fmin(nearest, gap_m[k]);
    }
    panel_reflection *g = tw_alloc(ctx, plan->n_panels, sizeof *g);
    tw_coil_z *row = tw_alloc(ctx, n_frequencies * n_gaps, sizeof *row);
    tw_status status = g == NULL || row == NULL ? TW_NO_MEMORY : TW_OK;
    for (size_t i = 0; status == TW_OK && i < n_frequencies; i++) {
        status = tw_progress(ctx, (double)i / (double)n_frequencies, "field table");
        const double w = 2.0 * TW_PI * frequency_hz[i];
        const tw_stack_at up = tw_coil__stack_at(pan, w), low = tw_coil__stack_at(&plan->below, w);
        size_t ready = 0; /* panels whose reflection is known at this frequency */
        for (size_t k = 0; status == TW_OK && k < n_gaps; k++) {
            status = tw_coil__check_call(ctx, plan, pan, gap_m[k], frequency_hz[i]);
            if (status != TW_OK) {
                break;
            }
            const double gap = tw_coil__gap(pan, gap_m[k]);
            sums s = {0};
            size_t p = 0;
            for (; p < plan->n_panels && !(p > 5 && enough(plan, p, gap, &s)); p++) {
                if (p == ready) {
                    reflect_panel(plan, &up, &low, p, &g[p]);
                    ready++;
                }
                add_panel(plan, p, &g[p], gap, &s);
            }
            status = finish(ctx, plan, gap_m[k], frequency_hz[i], &s, rest(plan, p < plan->n_panels ? p : p - 1, gap),
                            &row[i * n_gaps + k]);
        }
    }
    if (status == TW_OK) {
        memcpy(z, row, n_frequencies * n_gaps * sizeof *z);
    }
    tw_free(g);
    tw_free(row);
    return status;
}

double tw_coil_efficiency(const tw_coil_z *z, double winding_resistance_ohm) {
    return z->resistance_pan_ohm / (z->resistance_pan_ohm + z->resistance_below_ohm + winding_resistance_ohm);
}

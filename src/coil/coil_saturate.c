/* Pans of saturable steel: one effective permeability for the surface layer, found from its own surface field.
 *
 * FROEHLICH: static law at the peak of the surface field, decreasing with the field. LIMITING: rectangular B-H loop
 * without hysteresis width (W. MacLean, J. Appl. Phys. 25 (1954) 1267; P. D. Agarwal, Trans. AIEE 78 (1959) 169), whose
 * fundamental surface impedance is that of a half space of complex permeability. The field varies over the radius; the
 * law takes its loss-weighted mean, H^2 = integral H^4 r dr / integral H^2 r dr: the loss is proportional to H^2 and
 * sits where H is large. At given coil current the surface field depends little on the permeability, so a few secant
 * steps settle it. Harmonics of the field are outside the model. */
#include "coil_private.h"

#define MOST_ITERATIONS 100
#define CONVERGED 1e-9
#define LIMITING_RATIO 0.75 /* mu''/mu' of the limiting theory */
#define N_RADII 40
#define FIELD_REACH 1.5 /* radii up to this many outer radii: beyond it H^2 is under 1e-3 of its peak */

double tw_froehlich_permeability(double initial_permeability, double saturation_t, double h_peak_a_m) {
    const double excess = initial_permeability - 1.0;
    return 1.0 + excess / (1.0 + excess * TW_MU0 * h_peak_a_m / saturation_t);
}

void tw_limiting_permeability(double saturation_t, double h_peak_a_m, double *real_part, double *loss_part) {
    const double size = 128.0 / (9.0 * TW_PI * TW_PI) * saturation_t / (TW_MU0 * h_peak_a_m);
    *real_part = fmax(1.0, size);
    *loss_part = LIMITING_RATIO * size;
}

typedef struct radii {
    double r[N_RADII], weight[N_RADII];
    double *bessel; /* n x N_RADII: a J1(a r)/2 times the node's weight */
    size_t n;
} radii;

static tw_status make_radii(tw_ctx *ctx, const tw_coil_plan *plan, double gap_m, radii *out) {
    const double reach = fmin(FIELD_REACH * tw_coil__outer_edge(&plan->winding), plan->opts.field_radius_m);
    const size_t nodes = tw_coil_plan_nodes(plan);
    double x[N_RADII], w[N_RADII];
    tw_coil__gauss(N_RADII, x, w);
    out->n = 0;
    while (out->n < nodes && plan->a[out->n] * gap_m <= 30.0) {
        out->n++;
    }
    out->bessel = tw_alloc(ctx, out->n * N_RADII, sizeof *out->bessel);
    if (out->bessel == NULL) {
        return TW_NO_MEMORY;
    }
    for (size_t k = 0; k < N_RADII; k++) {
        out->r[k] = reach * x[k];
        out->weight[k] = w[k] * out->r[k];
        for (size_t i = 0; i < out->n; i++) {
            out->bessel[i * N_RADII + k] = 0.5 * plan->a[i] * plan->weight[i] * j1(plan->a[i] * out->r[k]);
        }
    }
    return TW_OK;
}

/* Loss-weighted surface field at 1 A. */
static tw_status surface_field(tw_ctx *ctx, const tw_coil_plan *plan, const tw_stack *pan, double gap_m,
                               double frequency_hz, const radii *at, double *h) {
    tw_waves v;
    TW_TRY(tw_coil__waves_make(ctx, plan, pan, gap_m, frequency_hz, &v));
    cx sum[N_RADII] = {{0.0, 0.0}};
    for (size_t i = 0; i < at->n; i++) {
        const cx f = cx_mul(v.u[i], cx_sub(cx_of(1.0, 0.0), v.gu[i]));
        for (size_t k = 0; k < N_RADII; k++) {
            sum[k] = cx_add(sum[k], cx_scale(f, at->bessel[i * N_RADII + k]));
        }
    }
    tw_coil__waves_dispose(&v);
    double fourth = 0.0, second = 0.0;
    for (size_t k = 0; k < N_RADII; k++) {
        const double h2 = cx_abs2(sum[k]);
        second += at->weight[k] * h2;
        fourth += at->weight[k] * h2 * h2;
    }
    *h = sqrt(fourth / second);
    return TW_OK;
}

/* The law's permeability at a field: one number; limiting theory's loss part hangs on it. A weak field cannot make
 * steel better than its initial permeability. */
static double law_size(const tw_saturation *law, double h) {
    if (law->law == TW_SATURATION_FROEHLICH) {
        return tw_froehlich_permeability(law->initial_permeability, law->saturation_t, h);
    }
    double mu, loss;
    tw_limiting_permeability(law->saturation_t, h, &mu, &loss);
    return fmin(loss / LIMITING_RATIO, law->initial_permeability);
}

static void set_size(const tw_saturation *law, double size, tw_layer *steel) {
    steel->relative_permeability = fmax(1.0, size);
    steel->permeability_loss = law->law == TW_SATURATION_LIMITING ? LIMITING_RATIO * size : 0.0;
}

/* Secant steps on log(law's permeability at the field) - log(permeability), the first one plain; a secant step
 * against the plain one or over twice as long is replaced by half the plain step. */
static tw_status iterate(tw_ctx *ctx, const tw_coil_plan *plan, tw_stack *pan, const tw_saturation *law, double gap_m,
                         double frequency_hz, double current_a, const radii *at, tw_coil_saturated *r) {
    double x = log(law->initial_permeability), x_before = 0.0, excess_before = 0.0;
    for (r->iterations = 1; r->iterations <= MOST_ITERATIONS; r->iterations++) {
        set_size(law, exp(x), &pan->layers[0]);
        double h;
        TW_TRY(surface_field(ctx, plan, pan, gap_m, frequency_hz, at, &h));
        r->surface_field_a_m = h * current_a;
        const double excess = log(law_size(law, r->surface_field_a_m)) - x;
        r->change = fabs(excess);
        if (r->change < CONVERGED) {
            r->relative_permeability = pan->layers[0].relative_permeability;
            r->permeability_loss = pan->layers[0].permeability_loss;
            return TW_OK;
        }
        double step = excess;
        if (r->iterations > 1) {
            const double secant = excess * (x - x_before) / (excess_before - excess);
            step = secant / excess > 0.0 && secant / excess < 2.0 ? secant : 0.5 * excess;
        }
        x_before = x;
        excess_before = excess;
        x += step;
    }
    return tw_fail(ctx, TW_NO_CONVERGENCE, TW_COIL_ROOM,
                   "the pan's permeability still changes by %.2g of itself after %d steps", r->change, MOST_ITERATIONS);
}

tw_status tw_coil_solve_saturated(tw_ctx *ctx, const tw_coil_plan *plan, const tw_stack *pan, const tw_saturation *law,
                                  double gap_m, double frequency_hz, double current_peak_a, tw_coil_saturated *out) {
    if (pan == NULL || pan->n_layers == 0) {
        return tw_coil__refuse(ctx, "pan.layers", 0.0, "a pan whose first layer is the steel");
    }
    if (!(isfinite(law->initial_permeability) && law->initial_permeability > 1.0)) {
        return tw_coil__refuse(ctx, "pan.initial_permeability", law->initial_permeability, "a value above 1");
    }
    if (!(isfinite(law->saturation_t) && law->saturation_t > 0.0)) {
        return tw_coil__refuse(ctx, "pan.saturation", law->saturation_t, "a flux density above zero tesla");
    }
    if (!(isfinite(current_peak_a) && current_peak_a > 0.0)) {
        return tw_coil__refuse(ctx, "current", current_peak_a, "a peak current above zero amperes");
    }
    TW_TRY(tw_coil__check_call(ctx, plan, pan, gap_m, frequency_hz));
    tw_stack steel = *pan;
    tw_coil_saturated r = {.iterations = 0};
    radii at;
    TW_TRY(make_radii(ctx, plan, gap_m, &at));
    tw_status status = iterate(ctx, plan, &steel, law, gap_m, frequency_hz, current_peak_a, &at, &r);
    tw_free(at.bessel);
    TW_TRY(status);
    TW_TRY(tw_coil_solve(ctx, plan, &steel, gap_m, frequency_hz, &r.z));
    *out = r;
    return TW_OK;
}

/* The plan: nodes of the quadrature over the spatial frequency, and the winding's source at each.
 *
 * The integrand is source^2 exp(-2 a gap) G(a): G is smooth, the source oscillates like cos(a r). Panels of 6/r_outer
 * hold two periods of its square; Gauss-Kronrod 10-21 integrates them to rounding, and its embedded 10-point rule tells
 * the error. Towards a = 0 panels shrink geometrically, for wide gaps and thin foils. The far end is where exp(-a gap)
 * has fallen to e^-18 at the smallest gap, or MOST_PHASE/r_outer, whichever is less; beyond it a section's integrand
 * falls like a^-5 even at gap 0. Solving stops earlier, by the tails stored here. Rule: R. Piessens et al., QUADPACK
 * (1983), QK21. */
#include "coil_private.h"

#define PANEL_PHASE 6.0
#define FAR_DECAY 18.0
#define MOST_PHASE 6000.0
#define MOST_PANELS 50000.0
#define N_START 5 /* shrinking panels towards a = 0 */

static const double XK[11] = {0.995657163025808080735527280689003,
                              0.973906528517171720077964012084452,
                              0.930157491355708226001207180059508,
                              0.865063366688984510732096688423493,
                              0.780817726586416897063717578345042,
                              0.679409568299024406234327365114874,
                              0.562757134668604683339000099272694,
                              0.433395394129247190799265943165784,
                              0.294392862701460198131126602103866,
                              0.148874338981631210884826001129720,
                              0.0};
static const double WK[11] = {
    0.011694638867371874278064396062192, 0.032558162307964727478818972459390, 0.054755896574351996031381300244580,
    0.075039674810919952767043140916190, 0.093125454583697605535065465083366, 0.109387158802297641899210590325805,
    0.123491976262065851077958109585166, 0.134709217311473325928054001771707, 0.142775938577060080797094273138717,
    0.147739104901338491374841515972068, 0.149445554002916905664936468389821};
static const double WG[11] = {0.0, 0.066671344308688137593568809893332, 0.0, 0.149451349150580593145863396957698,
                              0.0, 0.219086362515982043995534934228163, 0.0, 0.269266719309996355091226921569469,
                              0.0, 0.295524224714752870173815619188769, 0.0};

tw_coil_opts tw_coil_opts_default(void) {
    return (tw_coil_opts){.min_gap_m = 1e-3, .field_radius_m = 0.0, .tolerance = 1e-8};
}

static double face_source(const tw_coil_plan *plan, double a, bool from_top) {
    const tw_winding *w = &plan->winding;
    if (w->kind == TW_WINDING_SECTION) {
        const double x = a * w->height_m;
        const double slice = x > 0.0 ? -expm1(-x) / x : 1.0;
        return w->turns * slice * tw_coil__mean_source(a, w->inner_radius_m, w->outer_radius_m);
    }
    double sum = 0.0;
    for (size_t i = 0; i < w->n_turns; i++) {
        const double above = w->turn[i].z_m - plan->low_m;
        sum += w->turn[i].radius_m * j1(a * w->turn[i].radius_m) * exp(-a * (from_top ? plan->span_m - above : above));
    }
    return sum;
}

static void place_nodes(tw_coil_plan *plan, size_t panel, double low, double high) {
    const double centre = 0.5 * (low + high), half = 0.5 * (high - low);
    const size_t first = panel * TW_COIL__NODES;
    for (size_t k = 0; k < TW_COIL__NODES; k++) {
        const size_t j = k < 11 ? k : 20 - k;
        const double a = centre + (k < 11 ? -half : half) * XK[j];
        plan->a[first + k] = a;
        plan->weight[first + k] = half * WK[j];
        plan->gauss[first + k] = half * WG[j];
        plan->up[first + k] = face_source(plan, a, true);
        const double down =
            plan->winding.kind == TW_WINDING_SECTION ? plan->up[first + k] : face_source(plan, a, false);
        plan->down[first + k] = down * exp(-a * plan->below_gap_m);
    }
}

static void place_panels(tw_coil_plan *plan, double length) {
    static const double START[N_START + 1] = {0.0, 1.0 / 512.0, 1.0 / 64.0, 1.0 / 10.0, 0.4, 1.0};
    for (size_t p = 0; p < plan->n_panels; p++) {
        if (p < N_START) {
            place_nodes(plan, p, START[p] * length, START[p + 1] * length);
        } else {
            place_nodes(plan, p, (double)(p - N_START + 1) * length, (double)(p - N_START + 2) * length);
        }
    }
}

/* What the lower stack does without its conductors is independent of frequency: once and for all. */
static void add_still_part(tw_coil_plan *plan) {
    const tw_stack_at still = tw_coil__stack_at(&plan->below, 0.0);
    const tw_stack_at moving = tw_coil__stack_at(&plan->below, 1.0);
    plan->below_still = moving.lossless;
    for (size_t k = 0; k < moving.n; k++) {
        if (!moving.layer[k].plain || moving.layer[k].perfect || moving.layer[k].mu.im != 0.0) {
            break;
        }
        plan->still_depth_m += moving.layer[k].d;
    }
    double sum = 0.0;
    for (size_t p = plan->n_panels; p-- > 0;) {
        double up = 0.0, down = 0.0;
        for (size_t i = p * TW_COIL__NODES; i < (p + 1) * TW_COIL__NODES; i++) {
            plan->still[i] = still.n > 0 ? tw_coil__reflect(&still, plan->a[i]).re : 0.0;
            up += plan->weight[i] * plan->up[i] * plan->up[i];
            down += plan->weight[i] * plan->down[i] * plan->down[i];
            sum += plan->weight[i] * plan->down[i] * plan->down[i] * plan->still[i];
        }
        plan->tail_up[p] = plan->tail_up[p + 1] + up;
        plan->tail_down[p] = plan->tail_down[p + 1] + down;
    }
    plan->still_h = TW_PI * TW_MU0 * sum;
}

static tw_status copy_winding(tw_ctx *ctx, tw_coil_plan *plan, const tw_winding *w) {
    plan->winding = *w;
    if (w->kind == TW_WINDING_TURNS) {
        plan->turns = tw_alloc(ctx, w->n_turns, sizeof *plan->turns);
        if (plan->turns == NULL) {
            return TW_NO_MEMORY;
        }
        for (size_t i = 0; i < w->n_turns; i++) {
            plan->turns[i] = w->turn[i];
        }
        plan->winding.turn = plan->turns;
    }
    plan->low_m = tw_coil__low_edge(w);
    plan->span_m = tw_coil__high_edge(w) - plan->low_m;
    return TW_OK;
}

static tw_status fill(tw_ctx *ctx, tw_coil_plan *plan, const tw_winding *w) {
    TW_TRY(copy_winding(ctx, plan, w));
    TW_TRY(tw_winding_inductance(ctx, w, &plan->air_h, NULL));
    const double radius = tw_coil__outer_edge(w), wire = w->kind == TW_WINDING_TURNS ? w->wire_radius_m : 0.0;
    if (plan->opts.field_radius_m == 0.0) {
        plan->opts.field_radius_m = 2.0 * radius;
    }
    const double length = 2.0 * PANEL_PHASE / (radius + fmax(radius, 0.5 * plan->opts.field_radius_m));
    double nearest = plan->opts.min_gap_m + wire;
    if (plan->below.n_layers > 0) {
        nearest = fmin(nearest, plan->below_gap_m + wire);
    }
    const double far = fmin(nearest > 0.0 ? FAR_DECAY / nearest : INFINITY, MOST_PHASE / radius);
    const double panels = ceil(fmax(far / length, 4.0));
    if (panels > MOST_PANELS) {
        const tw_place place = {.key = "field_radius"};
        return tw_fail_at(ctx, TW_TOO_LARGE, TW_COIL_ROOM, &place,
                          "a field radius of %g m beside a coil of %g m needs too many nodes",
                          plan->opts.field_radius_m, radius);
    }
    plan->n_panels = N_START + (size_t)panels;
    const size_t n = plan->n_panels * TW_COIL__NODES;
    double *block = tw_alloc(ctx, 6 * n + 2 * (plan->n_panels + 1), sizeof *block);
    if (block == NULL) {
        return TW_NO_MEMORY;
    }
    plan->a = block;
    plan->weight = block + n;
    plan->gauss = block + 2 * n;
    plan->up = block + 3 * n;
    plan->down = block + 4 * n;
    plan->still = block + 5 * n;
    plan->tail_up = block + 6 * n;
    plan->tail_down = plan->tail_up + plan->n_panels + 1;
    place_panels(plan, length);
    add_still_part(plan);
    return TW_OK;
}

tw_status tw_coil_plan_create(tw_ctx *ctx, const tw_winding *w, const tw_stack *below, double below_gap_m,
                              const tw_coil_opts *opts, tw_coil_plan **out) {
    const tw_coil_opts o = opts != NULL ? *opts : tw_coil_opts_default();
    TW_TRY(tw_winding_check(ctx, w));
    TW_TRY(tw_stack_check(ctx, below, "below"));
    TW_TRY(tw_coil__check_gap(ctx, "below.gap", below_gap_m));
    if (!(isfinite(o.min_gap_m) && o.min_gap_m > 0.0)) {
        return tw_coil__refuse(ctx, "min_gap", o.min_gap_m, "a distance above zero metres");
    }
    if (!(isfinite(o.field_radius_m) && o.field_radius_m >= 0.0)) {
        return tw_coil__refuse(ctx, "field_radius", o.field_radius_m, "a radius of zero or more metres");
    }
    if (!(o.tolerance > 0.0 && o.tolerance < 1.0)) {
        return tw_coil__refuse(ctx, "tolerance", o.tolerance, "a relative error between 0 and 1");
    }
    tw_coil_plan *plan = tw_alloc(ctx, 1, sizeof *plan);
    if (plan == NULL) {
        return TW_NO_MEMORY;
    }
    plan->opts = o;
    plan->below_gap_m = below_gap_m;
    if (below != NULL) {
        plan->below = *below;
    }
    const tw_status status = fill(ctx, plan, w);
    if (status != TW_OK) {
        tw_coil_plan_destroy(plan);
        return status;
    }
    *out = plan;
    return TW_OK;
}

void tw_coil_plan_destroy(tw_coil_plan *plan) {
    if (plan != NULL) {
        tw_free(plan->a);
        tw_free(plan->turns);
        tw_free(plan);
    }
}

size_t tw_coil_plan_nodes(const tw_coil_plan *plan) {
    return plan->n_panels * TW_COIL__NODES;
}

double tw_coil_plan_air_inductance(const tw_coil_plan *plan) {
    return plan->air_h;
}

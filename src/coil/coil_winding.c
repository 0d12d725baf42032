/* Windings: makers, extents, length, filaments' field, and back from inductance to geometry. */
#include "coil_private.h"

#include "tankwright/numeric.h"

tw_winding tw_winding_section(double inner_radius_m, double outer_radius_m, double height_m, double turns) {
    return (tw_winding){.kind = TW_WINDING_SECTION,
                        .inner_radius_m = inner_radius_m,
                        .outer_radius_m = outer_radius_m,
                        .height_m = height_m,
                        .turns = turns};
}

tw_winding tw_winding_spiral(size_t n_turns, double inner_centre_m, double outer_centre_m, double wire_radius_m,
                             tw_turn *turn) {
    for (size_t i = 0; i < n_turns; i++) {
        const double share = n_turns > 1 ? (double)i / (double)(n_turns - 1) : 0.0;
        turn[i] = (tw_turn){inner_centre_m + share * (outer_centre_m - inner_centre_m), 0.0};
    }
    return (tw_winding){.kind = TW_WINDING_TURNS, .n_turns = n_turns, .turn = turn, .wire_radius_m = wire_radius_m};
}

double tw_winding_length(const tw_winding *w) {
    if (w->kind == TW_WINDING_SECTION) {
        return TW_PI * (w->inner_radius_m + w->outer_radius_m) * w->turns;
    }
    double sum = 0.0;
    for (size_t i = 0; i < w->n_turns; i++) {
        sum += 2.0 * TW_PI * w->turn[i].radius_m;
    }
    return sum;
}

double tw_coil__low_edge(const tw_winding *w) {
    if (w->kind == TW_WINDING_SECTION) {
        return 0.0;
    }
    double low = w->turn[0].z_m;
    for (size_t i = 1; i < w->n_turns; i++) {
        low = fmin(low, w->turn[i].z_m);
    }
    return low - w->wire_radius_m;
}

double tw_coil__high_edge(const tw_winding *w) {
    if (w->kind == TW_WINDING_SECTION) {
        return w->height_m;
    }
    double high = w->turn[0].z_m;
    for (size_t i = 1; i < w->n_turns; i++) {
        high = fmax(high, w->turn[i].z_m);
    }
    return high + w->wire_radius_m;
}

double tw_coil__outer_edge(const tw_winding *w) {
    if (w->kind == TW_WINDING_SECTION) {
        return w->outer_radius_m;
    }
    double outer = 0.0;
    for (size_t i = 0; i < w->n_turns; i++) {
        outer = fmax(outer, w->turn[i].radius_m + w->wire_radius_m);
    }
    return outer;
}

void tw_coil__loop_field(double loop_radius_m, double r_m, double z_m, double *h_radial, double *h_axial) {
    /* W. R. Smythe, Static and Dynamic Electricity, 3rd ed., 7.10 (6), (7) */
    const double a = loop_radius_m, far2 = (a + r_m) * (a + r_m) + z_m * z_m;
    const double near2 = (a - r_m) * (a - r_m) + z_m * z_m;
    double f, e;
    tw_coil__elliptic(near2 / far2, &f, &e);
    const double front = 1.0 / (2.0 * TW_PI * sqrt(far2));
    *h_axial = front * (f + (a * a - r_m * r_m - z_m * z_m) / near2 * e);
    *h_radial = front * z_m / r_m * ((a * a + r_m * r_m + z_m * z_m) / near2 * e - f);
}

/* ---- back from inductance to geometry ---- */

tw_status tw_winding_turns_for(tw_ctx *ctx, const tw_winding *w, double inductance_h, double *turns) {
    if (w->kind != TW_WINDING_SECTION) {
        return tw_coil__refuse(ctx, "coil.kind", (double)w->kind, "a winding given by its section");
    }
    if (!(isfinite(inductance_h) && inductance_h > 0.0)) {
        return tw_coil__refuse(ctx, "coil.inductance", inductance_h, "an inductance above zero henries");
    }
    tw_winding one = *w;
    one.turns = 1.0;
    double l;
    TW_TRY(tw_winding_inductance(ctx, &one, &l, NULL));
    *turns = sqrt(inductance_h / l);
    return TW_OK;
}

#define SCAN_STEPS 40

typedef struct radius_search {
    tw_ctx *ctx;
    tw_winding w;
    double target;
    tw_status status;
} radius_search;

static double inductance_excess(double outer, void *user) {
    radius_search *s = user;
    s->w.outer_radius_m = outer;
    double l = NAN;
    const tw_status status = tw_winding_inductance(s->ctx, &s->w, &l, NULL);
    if (status != TW_OK && s->status == TW_OK) {
        s->status = status;
    }
    return l / s->target - 1.0;
}

tw_status tw_winding_radius_for(tw_ctx *ctx, const tw_winding *w, double inductance_h, double max_outer_m,
                                double *outer_radius_m) {
    if (w->kind != TW_WINDING_SECTION) {
        return tw_coil__refuse(ctx, "coil.kind", (double)w->kind, "a winding given by its section");
    }
    if (!(isfinite(inductance_h) && inductance_h > 0.0)) {
        return tw_coil__refuse(ctx, "coil.inductance", inductance_h, "an inductance above zero henries");
    }
    const double low = w->inner_radius_m > 0.0 ? w->inner_radius_m * (1.0 + 1e-6) : 1e-6 * max_outer_m;
    if (!(isfinite(max_outer_m) && max_outer_m > low)) {
        return tw_coil__refuse(ctx, "max_outer_radius", max_outer_m, "a radius above the inner radius");
    }
    radius_search s = {.ctx = ctx, .w = *w, .target = inductance_h};
    /* L falls first, as the turns spread, and then rises: from the outside in, the first change of sign is the largest
     * radius. */
    const double ratio = pow(low / max_outer_m, 1.0 / SCAN_STEPS);
    double outside = max_outer_m, inside = max_outer_m, least = inductance_excess(max_outer_m, &s);
    const double most = least;
    for (size_t k = 0; k < SCAN_STEPS && least > 0.0; k++) {
        outside = inside;
        inside = k + 1 == SCAN_STEPS ? low : inside * ratio;
        least = fmin(least, inductance_excess(inside, &s));
    }
    TW_TRY(s.status);
    if (most < 0.0 || least > 0.0) {
        const tw_place place = {.key = "coil.inductance"};
        return tw_fail_at(ctx, TW_OUT_OF_RANGE, TW_COIL_ROOM, &place,
                          "%g H is outside what these turns give up to a radius of %g m: %g to %g H", inductance_h,
                          max_outer_m, (least + 1.0) * inductance_h, (most + 1.0) * inductance_h);
    }
    double root;
    const tw_status status = tw_root_solve(ctx, inductance_excess, &s, inside, outside, 1e-12 * max_outer_m, &root);
    TW_TRY(s.status);
    TW_TRY(status);
    *outer_radius_m = root;
    return TW_OK;
}

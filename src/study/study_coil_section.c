/* Coil and pan cut through the axis: rectangles to scale, current density in the pan. */
#include "study_coil.h"

#include <math.h>

#define REACH 1.35 /* radii shown, in outer radii of the winding */

static double winding_height(const tw_winding *w) {
    return w->kind == TW_WINDING_TURNS ? 2.0 * w->wire_radius_m : w->height_m;
}

static double outer_radius(const tw_winding *w) {
    return w->kind == TW_WINDING_TURNS ? w->turn[w->n_turns - 1].radius_m + w->wire_radius_m : w->outer_radius_m;
}

static tw_status take_winding(tw_ctx *ctx, const tw_winding *w, tw_coil_section *out) {
    const double top = winding_height(w);
    if (w->kind == TW_WINDING_SECTION) {
        out->winding = (tw_coil_box){w->inner_radius_m, w->outer_radius_m, 0.0, top};
        return TW_OK;
    }
    out->winding = (tw_coil_box){w->turn[0].radius_m - w->wire_radius_m, outer_radius(w), 0.0, top};
    out->wire_radius_m = w->wire_radius_m;
    out->turn_r_m = tw_alloc(ctx, w->n_turns, sizeof(double));
    out->turn_z_m = tw_alloc(ctx, w->n_turns, sizeof(double));
    if (out->turn_r_m == NULL || out->turn_z_m == NULL) {
        return TW_NO_MEMORY;
    }
    out->n_turns = w->n_turns;
    for (size_t k = 0; k < w->n_turns; k++) {
        out->turn_r_m[k] = w->turn[k].radius_m;
        out->turn_z_m[k] = w->turn[k].z_m + w->wire_radius_m;
    }
    return TW_OK;
}

/* The layers that the stack below is made of: what conducts is the shield, what is permeable the ferrite. */
static void take_below(const tw_study__coil_field *f, tw_coil_section *out) {
    double z = -f->below_gap_m;
    for (size_t k = 0; k < f->below.n_layers; k++) {
        const tw_layer *l = &f->below.layers[k];
        const double thickness = isfinite(l->thickness_m) ? l->thickness_m : 5e-3;
        const tw_coil_box box = {0.0, out->r_max_m, z - thickness, z};
        if (l->conductivity_s_m > 0.0) {
            out->shield = box;
        } else if (l->relative_permeability > 1.0) {
            out->ferrite = box;
        }
        z -= thickness;
    }
}

static tw_status take_density(tw_ctx *ctx, const tw_study__coil *c, double current_peak_a, double top,
                              tw_coil_section *out) {
    const size_t cells = (size_t)TW_COIL_SECTION_R * TW_COIL_SECTION_Z;
    double r[TW_COIL_SECTION_R], depth[TW_COIL_SECTION_Z];
    double re[TW_COIL_SECTION_R * TW_COIL_SECTION_Z], im[TW_COIL_SECTION_R * TW_COIL_SECTION_Z];
    out->n_layers = c->pan.n_layers;
    if ((out->density_a_m2 = tw_alloc(ctx, out->n_layers * cells, sizeof(double))) == NULL) {
        return TW_NO_MEMORY;
    }
    for (size_t k = 0; k < TW_COIL_SECTION_R; k++) {
        r[k] = out->r_max_m * ((double)k + 0.5) / TW_COIL_SECTION_R;
    }
    double z = top + c->gap_m;
    for (size_t layer = 0; layer < out->n_layers; layer++) {
        const double thickness = c->pan.layers[layer].thickness_m;
        for (size_t k = 0; k < TW_COIL_SECTION_Z; k++) {
            depth[k] = thickness * ((double)k + 0.5) / TW_COIL_SECTION_Z;
        }
        TW_TRY(tw_coil_current_density(ctx, c->field.plan, &c->pan, c->gap_m, c->frequency_hz, layer, TW_COIL_SECTION_R,
                                       r, TW_COIL_SECTION_Z, depth, re, im));
        for (size_t k = 0; k < cells; k++) {
            out->density_a_m2[layer * cells + k] = current_peak_a * hypot(re[k], im[k]);
        }
        out->layers[layer] = (tw_coil_box){0.0, out->r_max_m, z, z + thickness};
        z += thickness;
    }
    return TW_OK;
}

tw_status tw_study__coil_section(tw_ctx *ctx, const tw_study__coil *c, tw_coil_section *out) {
    const tw_winding *w = &c->field.winding;
    const double top = winding_height(w);
    out->r_max_m = REACH * outer_radius(w);
    TW_TRY(take_winding(ctx, w, out));
    take_below(&c->field, out);
    if (c->pan.n_layers == 0) {
        return TW_OK;
    }
    const double current = isfinite(c->current_peak_a) ? c->current_peak_a : 1.0;
    return take_density(ctx, c, current, top, out);
}

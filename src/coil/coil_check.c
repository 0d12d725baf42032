/* What the room refuses before it computes, by key. */
#include "coil_private.h"

#include <stdio.h>

/* The work grows with the square of the turns. */
#define MOST_TURNS 5000

tw_status tw_coil__refuse(tw_ctx *ctx, const char *key, double value, const char *wanted) {
    const tw_place place = {.key = key};
    return tw_fail_at(ctx, TW_BAD_ARGUMENT, TW_COIL_ROOM, &place, "found %g, expected %s", value, wanted);
}

tw_status tw_coil__check_gap(tw_ctx *ctx, const char *key, double gap_m) {
    if (!(isfinite(gap_m) && gap_m >= 0.0)) {
        return tw_coil__refuse(ctx, key, gap_m, "a distance of zero or more metres: the coil cannot be inside");
    }
    return TW_OK;
}

tw_status tw_coil__check_frequency(tw_ctx *ctx, double frequency_hz) {
    if (!(isfinite(frequency_hz) && frequency_hz > 0.0)) {
        return tw_coil__refuse(ctx, "frequency", frequency_hz, "a frequency above zero hertz");
    }
    return TW_OK;
}

static tw_status check_section(tw_ctx *ctx, const tw_winding *w) {
    if (!(isfinite(w->inner_radius_m) && w->inner_radius_m >= 0.0)) {
        return tw_coil__refuse(ctx, "coil.inner_radius", w->inner_radius_m, "a radius of zero or more metres");
    }
    if (!(isfinite(w->outer_radius_m) && w->outer_radius_m >= w->inner_radius_m && w->outer_radius_m > 0.0)) {
        return tw_coil__refuse(ctx, "coil.outer_radius", w->outer_radius_m, "a radius not below the inner radius");
    }
    if (!(isfinite(w->height_m) && w->height_m >= 0.0)) {
        return tw_coil__refuse(ctx, "coil.height", w->height_m, "a height of zero or more metres");
    }
    if (w->height_m == 0.0 && w->outer_radius_m == w->inner_radius_m) {
        return tw_coil__refuse(ctx, "coil.height", 0.0,
                               "a section with an extent: an ideal filament has no inductance");
    }
    if (!(isfinite(w->turns) && w->turns > 0.0)) {
        return tw_coil__refuse(ctx, "coil.turns", w->turns, "a number of turns above zero");
    }
    return TW_OK;
}

static tw_status check_turns(tw_ctx *ctx, const tw_winding *w) {
    char key[64];
    if (w->n_turns == 0 || w->turn == NULL) {
        return tw_coil__refuse(ctx, "coil.turns", (double)w->n_turns, "at least one turn");
    }
    if (w->n_turns > MOST_TURNS) {
        return tw_coil__refuse(ctx, "coil.turns", (double)w->n_turns,
                               "at most 5000 turns one by one; give the section");
    }
    if (!(isfinite(w->wire_radius_m) && w->wire_radius_m > 0.0)) {
        return tw_coil__refuse(ctx, "coil.wire_radius", w->wire_radius_m, "a radius above zero metres");
    }
    for (size_t i = 0; i < w->n_turns; i++) {
        if (!(isfinite(w->turn[i].radius_m) && w->turn[i].radius_m > w->wire_radius_m)) {
            (void)snprintf(key, sizeof key, "coil.turns[%zu].radius", i);
            return tw_coil__refuse(ctx, key, w->turn[i].radius_m, "a radius above the wire's own");
        }
        if (!isfinite(w->turn[i].z_m)) {
            (void)snprintf(key, sizeof key, "coil.turns[%zu].z", i);
            return tw_coil__refuse(ctx, key, w->turn[i].z_m, "a height in metres");
        }
        for (size_t k = 0; k < i; k++) {
            const double distance = hypot(w->turn[i].radius_m - w->turn[k].radius_m, w->turn[i].z_m - w->turn[k].z_m);
            if (distance < 2.0 * w->wire_radius_m * (1.0 - 1e-9)) {
                const tw_place place = {.key = key};
                (void)snprintf(key, sizeof key, "coil.turns[%zu]", i);
                return tw_fail_at(ctx, TW_BAD_ARGUMENT, TW_COIL_ROOM, &place,
                                  "overlaps turn %zu: centres are %g m apart, the wire is %g m thick", k, distance,
                                  2.0 * w->wire_radius_m);
            }
        }
    }
    return TW_OK;
}

tw_status tw_winding_check(tw_ctx *ctx, const tw_winding *w) {
    return w->kind == TW_WINDING_TURNS ? check_turns(ctx, w) : check_section(ctx, w);
}

static tw_status refuse_layer(tw_ctx *ctx, const char *name, size_t k, const char *field, double value,
                              const char *wanted) {
    char key[64];
    (void)snprintf(key, sizeof key, "%s.layers[%zu].%s", name, k, field);
    return tw_coil__refuse(ctx, key, value, wanted);
}

static tw_status check_layer(tw_ctx *ctx, const char *name, size_t k, bool last, const tw_layer *l) {
    if (!(l->thickness_m > 0.0) || (isinf(l->thickness_m) && !last)) {
        return refuse_layer(ctx, name, k, "thickness", l->thickness_m,
                            "a thickness above zero metres (infinite in the last layer only)");
    }
    if (!(l->conductivity_s_m >= 0.0)) {
        return refuse_layer(ctx, name, k, "conductivity", l->conductivity_s_m, "a conductivity of zero or more S/m");
    }
    if (!(l->relative_permeability >= 1.0)) {
        return refuse_layer(ctx, name, k, "permeability", l->relative_permeability,
                            "a relative permeability of 1 or more");
    }
    if (isinf(l->relative_permeability) && (l->conductivity_s_m > 0.0 || l->permeability_loss > 0.0)) {
        return refuse_layer(ctx, name, k, "permeability", l->relative_permeability,
                            "a finite permeability in a layer that conducts or loses");
    }
    if (!(isfinite(l->permeability_loss) && l->permeability_loss >= 0.0)) {
        return refuse_layer(ctx, name, k, "permeability_loss", l->permeability_loss, "zero or more");
    }
    return TW_OK;
}

tw_status tw_stack_check(tw_ctx *ctx, const tw_stack *s, const char *name) {
    if (s == NULL) {
        return TW_OK;
    }
    if (s->n_layers > TW_COIL_MAX_LAYERS) {
        char key[64];
        (void)snprintf(key, sizeof key, "%s.layers", name);
        return tw_coil__refuse(ctx, key, (double)s->n_layers, "at most 8 layers");
    }
    for (size_t k = 0; k < s->n_layers; k++) {
        TW_TRY(check_layer(ctx, name, k, k + 1 == s->n_layers, &s->layers[k]));
    }
    return TW_OK;
}

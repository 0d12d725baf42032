/* From the rig's geometry to the field room's winding, stacks and wire.
 *
 * Turns of a flat winding are round wires side by side, evenly spaced between the two diameters; a winding with a
 * stated height, with a fraction of a turn or with more turns than are worth counting is a section filled evenly. The
 * pan is infinite in the model; how much that matters is told by tw_coil_pan_share. Radial ferrite bars are a plane of
 * the permeability that gives their share of its reflection (tw_ferrite_bars, COARSE). */
#include "study_internal.h"

#include <math.h>
#include <string.h>

/* Common practice where the rig does not say (no source). */
#define USUAL_LAY 1.02
#define USUAL_WINDING_C 60.0
#define USUAL_PAN_C 100.0

#define MOST_ROUND_TURNS 400.0

static double known_or(tw_value v, double otherwise) {
    return tw_is_known(v) ? v.value : otherwise;
}

static tw_status missing(tw_ctx *ctx, const char *key) {
    return TW_STUDY_FAIL_KEY(ctx, TW_NEEDS_OPTION, key,
                             "not known, but needed for the field of the coil: give it in the rig or with --set");
}

/* Outside of one conductor; NaN where neither wire nor strands are given. */
static double wire_diameter(const tw_rig_coil *c) {
    if (tw_is_known(c->wire_diameter_m)) {
        return c->wire_diameter_m.value;
    }
    if (tw_is_known(c->strands.diameter_m)) {
        return c->strands.diameter_m.value * sqrt(known_or(c->strands.count, 1.0) / 0.5); /* half filled bundle */
    }
    return NAN;
}

bool tw_study__has_geometry(const tw_rig *rig) {
    const tw_rig_coil *c = &rig->coil;
    return tw_is_known(c->turns) && tw_is_known(c->inner_diameter_m) &&
           (tw_is_known(c->outer_diameter_m) || tw_is_known(c->pitch_m)) &&
           (tw_is_known(c->height_m) || isfinite(wire_diameter(c)));
}

tw_status tw_study__winding(tw_ctx *ctx, const tw_rig *rig, tw_winding *out, tw_turn **turn) {
    const tw_rig_coil *c = &rig->coil;
    const double wire = wire_diameter(c);
    *turn = NULL;
    if (!tw_is_known(c->turns) || !tw_is_known(c->inner_diameter_m)) {
        return missing(ctx, tw_is_known(c->turns) ? "coil.inner_diameter" : "coil.turns");
    }
    if (!tw_is_known(c->outer_diameter_m) && !tw_is_known(c->pitch_m)) {
        return missing(ctx, "coil.outer_diameter");
    }
    if (!tw_is_known(c->height_m) && !isfinite(wire)) {
        return missing(ctx, "coil.wire_diameter");
    }
    const double turns = c->turns.value, inner = 0.5 * c->inner_diameter_m.value;
    const double outer =
        tw_is_known(c->outer_diameter_m) ? 0.5 * c->outer_diameter_m.value : inner + turns * known_or(c->pitch_m, 0.0);
    const bool countable = turns == floor(turns) && turns <= MOST_ROUND_TURNS;
    if (tw_is_known(c->height_m) || !countable) {
        *out = tw_winding_section(inner, outer, known_or(c->height_m, wire), turns);
    } else {
        const size_t n = (size_t)turns;
        if ((*turn = tw_alloc(ctx, n, sizeof **turn)) == NULL) {
            return TW_NO_MEMORY;
        }
        *out = tw_winding_spiral(n, inner + 0.5 * wire, outer - 0.5 * wire, 0.5 * wire, *turn);
    }
    const tw_status status = tw_winding_check(ctx, out);
    if (status != TW_OK) {
        tw_free(*turn);
        *turn = NULL;
    }
    return status;
}

static tw_status take_below(tw_ctx *ctx, const tw_rig_coil *c, tw_study__coil_field *out) {
    double permeability = 1.0, thickness = 0.0, gap = 0.0, sheet = 0.0, conductivity = 0.0;
    if (c->ferrite.kind != TW_FERRITE_NONE) {
        if (!tw_is_known(c->ferrite.thickness_m)) {
            return missing(ctx, "coil.ferrite.thickness");
        }
        thickness = c->ferrite.thickness_m.value;
        gap = known_or(c->ferrite.distance_m, 0.0);
        permeability = known_or(c->ferrite.permeability, TW_STUDY_FERRITE_PERMEABILITY);
        if (c->ferrite.kind == TW_FERRITE_BARS) {
            if (!tw_is_known(c->ferrite.coverage)) {
                return missing(ctx, "coil.ferrite.coverage");
            }
            permeability = tw_ferrite_bars(permeability, c->ferrite.coverage.value, TW_BARS_COARSE);
        }
    }
    const char *metal = tw_rig_metal(c->shield.metal);
    if (metal != NULL) {
        if (!tw_is_known(c->shield.thickness_m)) {
            return missing(ctx, "coil.shield.thickness");
        }
        sheet = c->shield.thickness_m.value;
        conductivity = tw_metal_conductivity(tw_metal_find(metal), known_or(c->temperature_c, USUAL_WINDING_C));
    }
    const double shield_gap = known_or(c->shield.distance_m, 0.0);
    if (thickness > 0.0) {
        out->below = tw_stack_ferrite(thickness, permeability, shield_gap, sheet, conductivity);
        out->below_gap_m = gap;
    } else if (sheet > 0.0) {
        out->below = (tw_stack){.n_layers = 1, .layers = {{sheet, conductivity, 1.0, 0.0}}};
        out->below_gap_m = shield_gap;
    }
    return TW_OK;
}

static tw_status take_layer(tw_ctx *ctx, const tw_rig *rig, size_t k, tw_layer *out) {
    const tw_rig_layer *layer = &rig->pan.layers[k];
    const char *name = tw_rig_metal(layer->metal);
    const tw_metal *metal = tw_metal_find(name);
    char key[40];
    if (name != NULL && metal == NULL) {
        return tw_fail(ctx, TW_INTERNAL, "study", "the table of metals lacks %s", name);
    }
    if (!tw_is_known(layer->thickness_m)) {
        (void)snprintf(key, sizeof key, "pan.layers.%zu.thickness", k + 1);
        return missing(ctx, key);
    }
    if (metal == NULL && !tw_is_known(layer->conductivity_s_m)) {
        (void)snprintf(key, sizeof key, "pan.layers.%zu.metal", k + 1);
        return missing(ctx, key);
    }
    tw_layer l = {.relative_permeability = 1.0};
    if (metal != NULL) {
        l = tw_metal_layer(metal, layer->thickness_m.value, known_or(rig->pan.temperature_c, USUAL_PAN_C), NAN);
    }
    l.thickness_m = layer->thickness_m.value;
    l.conductivity_s_m = known_or(layer->conductivity_s_m, l.conductivity_s_m);
    l.relative_permeability = known_or(layer->permeability, l.relative_permeability);
    *out = l;
    return TW_OK;
}

static tw_status take_pan(tw_ctx *ctx, const tw_rig *rig, tw_study__coil_field *out) {
    const size_t n = tw_rig_layer_count(rig);
    if (!tw_is_known(rig->pan.gap_m)) {
        return missing(ctx, "pan.gap");
    }
    if (n == 0) {
        return missing(ctx, "pan.layers.1.metal");
    }
    out->gap_m = rig->pan.gap_m.value;
    for (size_t k = 0; k < n; k++) {
        TW_TRY(take_layer(ctx, rig, k, &out->pan.layers[k]));
    }
    out->pan.n_layers = n;
    return TW_OK;
}

static void take_wire(const tw_rig_coil *c, tw_study__coil_field *out) {
    const double wire = wire_diameter(c);
    if (!isfinite(wire)) {
        return;
    }
    const bool litz = tw_is_known(c->strands.diameter_m);
    const double count = litz ? known_or(c->strands.count, 1.0) : 1.0;
    out->wire = tw_wire_copper((size_t)count, litz ? c->strands.diameter_m.value : wire,
                               count > 1.0 ? known_or(c->strands.lay, USUAL_LAY) : 1.0,
                               known_or(c->temperature_c, USUAL_WINDING_C));
    if (litz && count > 1.0) {
        out->wire.bundle_diameter_m = wire;
    }
    out->has_wire = true;
}

static tw_status make_parts(tw_ctx *ctx, const tw_rig *rig, bool with_pan, double least_gap_m,
                            tw_study__coil_field *f) {
    if (with_pan) {
        TW_TRY(take_pan(ctx, rig, f));
    }
    TW_TRY(take_below(ctx, &rig->coil, f));
    take_wire(&rig->coil, f);
    tw_coil_opts opts = tw_coil_opts_default();
    const double least = least_gap_m > 0.0 ? least_gap_m : with_pan ? f->gap_m : opts.min_gap_m;
    opts.min_gap_m = fmin(least, opts.min_gap_m);
    return tw_coil_plan_create(ctx, &f->winding, &f->below, f->below_gap_m, &opts, &f->plan);
}

tw_status tw_study__field_make(tw_ctx *ctx, const tw_rig *rig, bool with_pan, double least_gap_m,
                               tw_study__coil_field *out) {
    tw_study__coil_field f = {.gap_m = NAN};
    TW_TRY(tw_study__winding(ctx, rig, &f.winding, &f.turn));
    const tw_status status = make_parts(ctx, rig, with_pan, least_gap_m, &f);
    if (status != TW_OK) {
        tw_study__field_dispose(&f);
        return status;
    }
    *out = f;
    return TW_OK;
}

void tw_study__field_dispose(tw_study__coil_field *field) {
    tw_coil_plan_destroy(field->plan);
    tw_free(field->turn);
    memset(field, 0, sizeof *field);
}

/* The stage's load, from numbers or from the field of coil and pan.
 *
 * pan.kind field. Z(f) of coil and pan over the harmonics becomes a passive chain of R-L branches (tw_coil_fit_chain),
 * which the engine takes as it takes the coupled-coil model's one branch. What is stated of the coil without pan wins:
 * with s = L_stated / L_computed the load is R + j w L + s (Z_pan - Z_no pan), that is, as many turns more or fewer in
 * the same place. The coil's resistance, stated or
 * computed, holds the shield's loss without pan.
 *
 * Saturation. The first layer's permeability follows the field at its surface and so the coil's current, which follows
 * the load. Fixed point of the two, sought by a damped secant: sqrt(2) times the rms current that the stage then
 * carries is the current that the permeability was taken at. */
#include "study_internal.h"

#include <math.h>
#include <string.h>

enum { N_FREQUENCIES = 25, MOST_BRANCHES_WANTED = 10, FEWEST_BRANCHES = 2, MOST_ROUNDS = 40 };

#define LOWEST_HZ 10e3
#define HIGHEST_HZ 1e6
#define MOST_HARMONIC 30.0
#define FIT_ERROR 0.005    /* relative, of R and of L; half of what is promised */
#define ROUND_CHANGE 1e-5  /* relative, of the current */
#define MUCH 0.2           /* stated against computed */
#define CORNERS_BELOW 30.0 /* a branch with its corner so far below the lowest frequency is a resistance to 0.1 % */

static tw_status not_known(tw_ctx *ctx, const char *key) {
    return TW_STUDY_FAIL_KEY(ctx, TW_NEEDS_OPTION, key,
                             "not known, but needed for this: give it in the rig or with --set");
}

/* ---- the coil ---------------------------------------------------------------------------------------- */

tw_status tw_study__coil_resolve(tw_ctx *ctx, const tw_rig *rig, const tw_study__coil_field *field, double frequency_hz,
                                 tw_study__coil_values *out) {
    tw_study__coil_values v = {.computed_resistance_ohm = NAN};
    tw_coil_z bare;
    const tw_stack *pan = field->pan.n_layers > 0 ? &field->pan : NULL;
    TW_TRY(tw_coil_solve(ctx, field->plan, NULL, pan != NULL ? field->gap_m : 0.0, frequency_hz, &bare));
    if (field->has_wire) {
        tw_wire_loss loss;
        TW_TRY(tw_coil_wire_loss(ctx, field->plan, &field->wire, pan, field->gap_m, frequency_hz, &loss));
        v.computed_resistance_ohm = loss.ac_ohm + bare.resistance_below_ohm;
    }
    v.computed_inductance_h = bare.inductance_h;
    v.inductance_h = tw_is_known(rig->coil.inductance_h) ? rig->coil.inductance_h.value : bare.inductance_h;
    v.scale = v.inductance_h / bare.inductance_h;
    v.resistance_ohm =
        tw_is_known(rig->coil.resistance_ohm) ? rig->coil.resistance_ohm.value : v.computed_resistance_ohm * v.scale;
    *out = v;
    return isfinite(v.resistance_ohm) ? TW_OK : not_known(ctx, "coil.resistance");
}

/* Inductance and resistance of the coil without pan. */
static tw_status take_coil(tw_ctx *ctx, const tw_rig *rig, double frequency_hz, tw_study__load_notes *notes) {
    const bool stated = tw_is_known(rig->coil.inductance_h) && tw_is_known(rig->coil.resistance_ohm);
    if (!stated && tw_study__has_geometry(rig)) {
        tw_study__coil_field field;
        TW_TRY(tw_study__field_make(ctx, rig, false, 0.0, &field));
        const tw_status status = tw_study__coil_resolve(ctx, rig, &field, frequency_hz, &notes->coil);
        tw_study__field_dispose(&field);
        notes->coil_h = notes->coil.inductance_h;
        notes->coil_ohm = notes->coil.resistance_ohm;
        return status;
    }
    if (!stated) {
        return not_known(ctx, tw_is_known(rig->coil.inductance_h) ? "coil.resistance" : "coil.inductance");
    }
    notes->coil_h = rig->coil.inductance_h.value;
    notes->coil_ohm = rig->coil.resistance_ohm.value;
    return TW_OK;
}

/* ---- saturation -------------------------------------------------------------------------------------- */

/* A metal that is not magnetic has nothing to saturate. */
bool tw_study__saturates(const tw_rig *rig) {
    const tw_metal *first = tw_metal_find(tw_rig_metal(rig->pan.layers[0].metal));
    const bool magnetic = first == NULL || first->saturation_t > 0.0;
    return rig->pan.kind == TW_PAN_FIELD && rig->pan.saturation != TW_PAN_SATURATION_NONE && magnetic;
}

tw_status tw_study__saturate(tw_ctx *ctx, const tw_rig *rig, const tw_study__coil_field *field, double frequency_hz,
                             double current_peak_a, tw_stack *pan, size_t *iterations) {
    const tw_rig_layer *first = &rig->pan.layers[0];
    const tw_metal *metal = tw_metal_find(tw_rig_metal(first->metal));
    if (metal == NULL || !(metal->saturation_t > 0.0)) {
        return TW_STUDY_FAIL_KEY(ctx, TW_NEEDS_OPTION, "pan.saturation",
                                 "needs a magnetic metal as the first layer, for its flux density at saturation");
    }
    const tw_saturation law = {.law = rig->pan.saturation == TW_PAN_SATURATION_LIMITING ? TW_SATURATION_LIMITING
                                                                                        : TW_SATURATION_FROEHLICH,
                               .initial_permeability = tw_is_known(first->permeability) ? first->permeability.value
                                                                                        : metal->initial_permeability,
                               .saturation_t = metal->saturation_t};
    tw_coil_saturated found;
    *pan = field->pan;
    *iterations = 0;
    if (!(law.initial_permeability > 1.0)) {
        return TW_OK;
    }
    TW_TRY(tw_coil_solve_saturated(ctx, field->plan, &field->pan, &law, field->gap_m, frequency_hz, current_peak_a,
                                   &found));
    pan->layers[0].relative_permeability = found.relative_permeability;
    pan->layers[0].permeability_loss = found.permeability_loss;
    *iterations = found.iterations;
    return TW_OK;
}

/* ---- the chain ---------------------------------------------------------------------------------------- */

/* Z of coil with pan, as stated and scaled, without the coil's own resistance. */
static tw_status sample(tw_ctx *ctx, const tw_study__coil_field *f, const tw_stack *pan, double frequency_hz,
                        const tw_study__coil_values *coil, double *re, double *im) {
    tw_coil_z with, bare;
    TW_TRY(tw_coil_solve(ctx, f->plan, pan, f->gap_m, frequency_hz, &with));
    TW_TRY(tw_coil_solve(ctx, f->plan, NULL, f->gap_m, frequency_hz, &bare));
    const double w = 2.0 * TW_PI * frequency_hz;
    const double r = with.resistance_pan_ohm + with.resistance_below_ohm - bare.resistance_below_ohm;
    *im = w * (coil->inductance_h + coil->scale * (with.inductance_h - bare.inductance_h));
    *re = fmax(coil->scale * r, 1e-9 * *im);
    if (!(*im > 0.0)) {
        return TW_STUDY_FAIL_KEY(ctx, TW_BAD_DATA, "coil.inductance",
                                 "is too small beside what its geometry and the pan say: with the pan nothing is left");
    }
    return TW_OK;
}

/* The limiting theory's complex permeability holds for one frequency at one amplitude and has no passive counterpart
 * over others: its load is the coupled-coil model that gives the same R and L at the switching frequency, or R and L in
 * series where the inductance fell too little for that. */
static tw_status make_coupled(tw_ctx *ctx, const tw_study__coil_field *field, const tw_stack *pan, double frequency_hz,
                              const tw_study__coil_values *coil, tw_load *out, double *fit_error) {
    tw_coil_z z, bare;
    *fit_error = 0.0;
    TW_TRY(tw_coil_solve(ctx, field->plan, pan, field->gap_m, frequency_hz, &z));
    TW_TRY(tw_coil_solve(ctx, field->plan, NULL, field->gap_m, frequency_hz, &bare));
    const double below_ohm = coil->scale * (z.resistance_below_ohm - bare.resistance_below_ohm); /* as in sample() */
    if (z.transformer_k < 1.0) {                                                                 /* false for NaN */
        *out = tw_load_coupled(coil->inductance_h, coil->resistance_ohm, z.transformer_k,
                               z.transformer_r_ohm * coil->scale);
        out->resistance_ohm += below_ohm;
    } else {
        *out = (tw_load){.resistance_ohm = coil->resistance_ohm + below_ohm + coil->scale * z.resistance_pan_ohm,
                         .inductance_h = coil->inductance_h + coil->scale * (z.inductance_h - z.inductance_no_pan_h)};
    }
    return TW_OK;
}

/* As few branches as the fit needs: each costs the engine a state. */
static tw_status make_load(tw_ctx *ctx, const tw_study__coil_field *field, const tw_stack *pan, double frequency_hz,
                           const tw_study__coil_values *coil, tw_load *out, double *fit_error) {
    if (pan->layers[0].permeability_loss > 0.0) {
        return make_coupled(ctx, field, pan, frequency_hz, coil, out, fit_error);
    }
    double f[N_FREQUENCIES], re[N_FREQUENCIES], im[N_FREQUENCIES];
    const double low = fmin(LOWEST_HZ, 0.5 * frequency_hz), high = fmax(HIGHEST_HZ, MOST_HARMONIC * frequency_hz);
    for (size_t k = 0; k < N_FREQUENCIES; k++) {
        f[k] = low * pow(high / low, (double)k / (N_FREQUENCIES - 1));
        TW_TRY(sample(ctx, field, pan, f[k], coil, &re[k], &im[k]));
    }
    tw_coil_chain chain;
    for (size_t n = FEWEST_BRANCHES; n <= MOST_BRANCHES_WANTED; n += 2) {
        TW_TRY(tw_coil_fit_chain(ctx, N_FREQUENCIES, f, re, im, n, &chain));
        if (chain.worst_error < FIT_ERROR && chain.worst_resistance_error < FIT_ERROR) {
            break;
        }
    }
    tw_load load = {.resistance_ohm = coil->resistance_ohm, .inductance_h = chain.inductance_h};
    if (chain.resistance_ohm > 0.0 && chain.n_branches < TW_MAX_BRANCHES) {
        /* the pan's, not the coil's: a branch whose corner lies far below, so that its heat counts as the pan's */
        const double corner_w = 2.0 * TW_PI * low / CORNERS_BELOW;
        load.branches[load.n_branches++] = (tw_chain_branch){chain.resistance_ohm / corner_w, chain.resistance_ohm};
    } else {
        load.resistance_ohm += chain.resistance_ohm;
    }
    for (size_t k = 0; k < chain.n_branches; k++) {
        load.branches[load.n_branches++] =
            (tw_chain_branch){chain.branch_inductance_h[k], chain.branch_resistance_ohm[k]};
    }
    *out = load;
    *fit_error = fmax(chain.worst_error, chain.worst_resistance_error);
    return TW_OK;
}

/* Peak of a sine of the stage's rms current. */
static tw_status stage_current(tw_ctx *ctx, const tw_half_bridge *stage, double *peak_a) {
    tw_steady *steady = NULL;
    TW_TRY(tw_half_bridge_check(ctx, stage));
    TW_TRY(tw_steady_solve(ctx, stage, NULL, &steady));
    *peak_a = sqrt(2.0) * tw_steady_point(steady)->coil_current_rms_a;
    tw_steady_destroy(steady);
    return TW_OK;
}

static tw_status iterate_current(tw_ctx *ctx, const tw_rig *rig, const tw_study__coil_field *field,
                                 tw_half_bridge *stage, tw_study__load_notes *notes) {
    double current = 0.0, next = 0.0, last = 0.0, last_excess = 0.0;
    const bool fixed = tw_is_known(rig->pan.current_a);
    if (fixed) {
        current = rig->pan.current_a.value;
    } else {
        TW_TRY(stage_current(ctx, stage, &current));
    }
    for (size_t round = 1; round <= MOST_ROUNDS; round++) {
        tw_stack pan;
        size_t inner = 0;
        TW_TRY(tw_study__saturate(ctx, rig, field, stage->frequency_hz, current, &pan, &inner));
        tw_study__coil_field as_saturated = *field; /* shares the plan: not to be disposed of */
        as_saturated.pan = pan;
        TW_TRY(tw_study__coil_resolve(ctx, rig, &as_saturated, stage->frequency_hz, &notes->coil));
        notes->coil_ohm = notes->coil.resistance_ohm;
        TW_TRY(make_load(ctx, field, &pan, stage->frequency_hz, &notes->coil, &stage->load, &notes->fit_error));
        notes->iterations = round;
        notes->current_peak_a = current;
        notes->permeability = pan.layers[0].relative_permeability;
        if (fixed) {
            return TW_OK;
        }
        TW_TRY(stage_current(ctx, stage, &next));
        if (fabs(next / current - 1.0) < ROUND_CHANGE) {
            return TW_OK;
        }
        /* a secant in logarithms, held between standing still and twice the way to `next` */
        const double excess = log(next / current);
        double step = 0.5 * excess;
        if (round > 1 && excess != last_excess) {
            const double secant = -excess * log(current / last) / (excess - last_excess);
            step = secant * excess > 0.0 && fabs(secant) < 2.0 * fabs(excess) ? secant : step;
        }
        last = current;
        last_excess = excess;
        current *= exp(step);
        TW_TRY(tw_progress(ctx, 0.0, "current and permeability"));
    }
    return TW_STUDY_FAIL_KEY(ctx, TW_NO_CONVERGENCE, "pan.saturation",
                             "current and permeability do not settle: %.4g A against %.4g A after %d rounds; "
                             "pan.current sets the amplitude",
                             next, current, MOST_ROUNDS);
}

static tw_status take_field(tw_ctx *ctx, const tw_rig *rig, tw_half_bridge *stage, tw_study__load_notes *notes) {
    tw_study__coil_field field;
    TW_TRY(tw_study__field_make(ctx, rig, true, 0.0, &field));
    tw_status status = tw_study__coil_resolve(ctx, rig, &field, stage->frequency_hz, &notes->coil);
    notes->coil_h = notes->coil.inductance_h;
    notes->coil_ohm = notes->coil.resistance_ohm;
    if (status == TW_OK) {
        status = make_load(ctx, &field, &field.pan, stage->frequency_hz, &notes->coil, &stage->load, &notes->fit_error);
    }
    if (status == TW_OK && tw_study__saturates(rig)) {
        status = iterate_current(ctx, rig, &field, stage, notes);
    }
    tw_study__field_dispose(&field);
    return status;
}

/* ---- the load ------------------------------------------------------------------------------------------ */

tw_status tw_study__take_load(tw_ctx *ctx, const tw_rig *rig, tw_half_bridge *stage, tw_study__load_notes *notes) {
    const tw_rig_pan *pan = &rig->pan;
    *notes = (tw_study__load_notes){.coil_h = NAN,
                                    .coil_ohm = NAN,
                                    .coil = {NAN, NAN, NAN, NAN, NAN},
                                    .fit_error = NAN,
                                    .current_peak_a = NAN,
                                    .permeability = NAN};
    switch (pan->kind) {
    case TW_PAN_NONE:
        TW_TRY(take_coil(ctx, rig, stage->frequency_hz, notes));
        stage->load = (tw_load){.resistance_ohm = notes->coil_ohm, .inductance_h = notes->coil_h};
        return TW_OK;
    case TW_PAN_EQUIVALENT:
        if (!tw_is_known(pan->inductance_h) || !tw_is_known(pan->resistance_ohm)) {
            return not_known(ctx, tw_is_known(pan->inductance_h) ? "pan.resistance" : "pan.inductance");
        }
        stage->load = (tw_load){.resistance_ohm = pan->resistance_ohm.value, .inductance_h = pan->inductance_h.value};
        return TW_OK;
    case TW_PAN_COUPLED:
        TW_TRY(take_coil(ctx, rig, stage->frequency_hz, notes));
        if (!tw_is_known(pan->coupling) || !tw_is_known(pan->resistance_ohm)) {
            return not_known(ctx, tw_is_known(pan->coupling) ? "pan.resistance" : "pan.coupling");
        }
        stage->load = tw_load_coupled(notes->coil_h, notes->coil_ohm, pan->coupling.value, pan->resistance_ohm.value);
        return TW_OK;
    case TW_PAN_FIELD:
        return take_field(ctx, rig, stage, notes);
    }
    return tw_fail(ctx, TW_INTERNAL, "study", "no such pan");
}

static tw_status warn_of_difference(tw_ctx *ctx, const char *key, double stated, double computed, const char *unit,
                                    double factor, tw_warnings *list) {
    if (!isfinite(stated) || !isfinite(computed) || fabs(stated / computed - 1.0) <= MUCH) {
        return TW_OK;
    }
    return tw_warn(
        ctx, list, "coil_geometry_disagrees",
        "%s states %.4g %s, the geometry gives %.4g %s; the stated value is used, and one of the two is wrong", key,
        stated * factor, unit, computed * factor, unit);
}

tw_status tw_study__warn_field(tw_ctx *ctx, const tw_study__load_notes *notes, tw_warnings *list) {
    const tw_study__coil_values *c = &notes->coil;
    TW_TRY(warn_of_difference(ctx, "coil.inductance", c->inductance_h, c->computed_inductance_h, "uH", 1e6, list));
    TW_TRY(warn_of_difference(ctx, "coil.resistance", c->resistance_ohm, c->computed_resistance_ohm * c->scale, "mohm",
                              1e3, list));
    if (notes->fit_error > 0.01) {
        TW_TRY(tw_warn(ctx, list, "field_fit",
                       "the chain that stands for coil and pan in the circuit departs from their impedance by up to "
                       "%.2g %%",
                       notes->fit_error * 100.0));
    }
    if (notes->iterations > 0) {
        return tw_warn(ctx, list, "pan_saturation",
                       "the first layer's permeability is %.4g at a coil current of %.4g A peak (%zu rounds)",
                       notes->permeability, notes->current_peak_a, notes->iterations);
    }
    return TW_OK;
}

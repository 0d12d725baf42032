/* The field of the rig's coil and pan as results: numbers, layers, curves, the table of pans.
 *
 * All impedances of the field are multiplied by stated over computed inductance where the rig states one, as in the
 * load of the stage (study_field_load.c), so that the two agree. */
#include "study_coil.h"

#include <math.h>
#include <string.h>

enum { CURVE_POINTS = 41 };

#define GAP_BELOW 0.25
#define GAP_ABOVE 4.0
#define FREQUENCY_LOW_HZ 10e3
#define FREQUENCY_HIGH_HZ 1e6

/* ---- one point --------------------------------------------------------------------------------------- */

tw_status tw_study__coil_point(tw_ctx *ctx, const tw_study__coil *c, const tw_stack *pan, double gap_m,
                               double frequency_hz, tw_study__coil_at *out) {
    const tw_study__coil_field *f = &c->field;
    const bool loaded = pan->n_layers > 0;
    const double s = c->values.scale;
    tw_coil_z z, bare;
    tw_wire_loss wire = {.ac_ohm = NAN, .dc_ohm = NAN, .skin_ohm = NAN, .proximity_ohm = NAN, .bundle_ohm = NAN};
    TW_TRY(tw_coil_solve(ctx, f->plan, loaded ? pan : NULL, gap_m, frequency_hz, &z));
    TW_TRY(tw_coil_solve(ctx, f->plan, NULL, gap_m, frequency_hz, &bare));
    if (f->has_wire) {
        TW_TRY(tw_coil_wire_loss(ctx, f->plan, &f->wire, loaded ? pan : NULL, gap_m, frequency_hz, &wire));
    }
    tw_study__coil_at at = {.z = z, .wire = wire};
    at.air_h = s * z.inductance_air_h;
    at.bare_h = s * z.inductance_no_pan_h;
    at.loaded_h = s * z.inductance_h;
    at.pan_ohm = s * z.resistance_pan_ohm;
    /* a stated resistance holds the shield's loss without pan */
    at.below_ohm = s * (z.resistance_below_ohm - (c->stated_ohm ? bare.resistance_below_ohm : 0.0));
    at.winding_ohm = c->stated_ohm ? c->values.resistance_ohm : s * wire.ac_ohm;
    at.total_ohm = at.pan_ohm + at.below_ohm + at.winding_ohm;
    at.efficiency = at.pan_ohm / at.total_ohm;
    *out = at;
    return TW_OK;
}

/* ---- curves -------------------------------------------------------------------------------------------- */

static tw_status make_curve(tw_ctx *ctx, const tw_study__coil *c, double current_peak_a, tw_coil_curve *curve) {
    const size_t n = curve->axis.n;
    double **const arrays[] = {
        &curve->inductance_h, &curve->resistance_ohm, &curve->pan_resistance_ohm, &curve->winding_resistance_ohm,
        &curve->coupling,     &curve->efficiency,     &curve->pan_power_w};
    for (size_t k = 0; k < sizeof arrays / sizeof arrays[0]; k++) {
        if ((*arrays[k] = tw_alloc(ctx, n, sizeof(double))) == NULL) {
            return TW_NO_MEMORY;
        }
    }
    const bool gap = strcmp(curve->axis.key, "pan.gap") == 0;
    for (size_t k = 0; k < n; k++) {
        tw_study__coil_at at;
        const double x = curve->axis.values[k];
        TW_TRY(tw_study__coil_point(ctx, c, &c->pan, gap ? x : c->gap_m, gap ? c->frequency_hz : x, &at));
        curve->inductance_h[k] = at.loaded_h;
        curve->resistance_ohm[k] = at.total_ohm;
        curve->pan_resistance_ohm[k] = at.pan_ohm;
        curve->winding_resistance_ohm[k] = at.winding_ohm;
        curve->coupling[k] = at.z.coupling;
        curve->efficiency[k] = at.efficiency;
        curve->pan_power_w[k] = 0.5 * current_peak_a * current_peak_a * at.pan_ohm;
        TW_TRY(tw_progress(ctx, (double)k / (double)n, "curves"));
    }
    return TW_OK;
}

static tw_status choose_axes(tw_ctx *ctx, const tw_rig *rig, const tw_coil_study_opts *opts, tw_coil_study *out) {
    for (size_t k = 0; k < opts->n_along; k++) {
        tw_map_axis axis;
        TW_TRY(tw_study__coil_axis(ctx, opts->along[k], CURVE_POINTS, rig, &axis));
        const bool gap = strcmp(axis.key, "pan.gap") == 0;
        tw_map_axis *to = gap ? &out->along_gap.axis : &out->along_frequency.axis;
        if (to->n > 0 || (gap && !out->has_pan)) {
            const bool twice = to->n > 0;
            tw_free(axis.values);
            return tw_fail(ctx, TW_BAD_ARGUMENT, "study", twice ? "--along %s is given twice" : "--along %s: no pan",
                           gap ? "pan.gap" : "bridge.frequency");
        }
        *to = axis;
        out->csv_gap = gap;
    }
    if (out->along_gap.axis.n == 0 && out->has_pan) {
        out->along_gap.axis = (tw_map_axis){.key = "pan.gap", .label = "gap", .unit = "m"};
        TW_TRY(tw_study__fill_axis(ctx, GAP_BELOW * rig->pan.gap_m.value, GAP_ABOVE * rig->pan.gap_m.value,
                                   CURVE_POINTS, false, &out->along_gap.axis));
    }
    if (out->along_frequency.axis.n == 0) {
        out->along_frequency.axis = (tw_map_axis){.key = "bridge.frequency", .label = "frequency", .unit = "Hz"};
        TW_TRY(tw_study__fill_axis(ctx, fmin(FREQUENCY_LOW_HZ, out->frequency_hz),
                                   fmax(FREQUENCY_HIGH_HZ, out->frequency_hz), CURVE_POINTS, true,
                                   &out->along_frequency.axis));
    }
    return TW_OK;
}

/* ---- fields --------------------------------------------------------------------------------------------- */

static void put(tw_coil_study *out, const char *key, const char *label, const char *unit, double value) {
    if (isfinite(value) && out->n_fields < sizeof out->fields / sizeof out->fields[0]) {
        out->fields[out->n_fields++] = (tw_field){key, label, unit, tw_exactly(value), 0};
    }
}

static double resonance(double inductance_h, double capacitance_f) {
    return 1.0 / (2.0 * TW_PI * sqrt(inductance_h * capacitance_f));
}

static tw_status put_fields(tw_ctx *ctx, const tw_rig *rig, const tw_study__coil *c, const tw_study__coil_at *at,
                            tw_coil_study *out) {
    const tw_wire_loss *wire = &at->wire;
    put(out, "switching_frequency", "frequency", "Hz", c->frequency_hz);
    put(out, "air_inductance", "inductance, coil alone in air", "H", at->air_h);
    put(out, "bare_inductance", "with ferrite and shield, no pan", "H", at->bare_h);
    if (out->has_pan) {
        put(out, "gap", "gap to the pan", "m", c->gap_m);
        put(out, "equivalent_inductance", "with the pan", "H", at->loaded_h);
        put(out, "coupling", "coupling", "", at->z.coupling);
        put(out, "pan_resistance", "resistance that the pan adds", "ohm", at->pan_ohm);
    }
    put(out, "equivalent_resistance", "resistance in all", "ohm", at->total_ohm);
    put(out, "winding_resistance", "winding at this frequency", "ohm", at->winding_ohm);
    put(out, "winding_resistance_dc", "winding, direct current", "ohm", wire->dc_ohm);
    put(out, "winding_skin_resistance", "its strands by themselves", "ohm", wire->skin_ohm);
    put(out, "winding_proximity_resistance", "its strands in the coil's field", "ohm", wire->proximity_ohm);
    put(out, "winding_bundle_resistance", "its strands in the bundle's field", "ohm", wire->bundle_ohm);
    if (at->below_ohm > 0.0) {
        put(out, "shield_resistance", "ferrite and shield", "ohm", at->below_ohm);
    }
    if (out->has_pan) {
        double share = NAN;
        put(out, "induced_efficiency", "share of the loss that is in the pan", "", at->efficiency);
        if (tw_is_known(rig->pan.diameter_m) && at->pan_ohm > 0.0) {
            TW_TRY(tw_coil_pan_share(ctx, c->field.plan, &c->pan, c->gap_m, c->frequency_hz,
                                     0.5 * rig->pan.diameter_m.value, &share));
            put(out, "share_beyond_pan", "share of it beyond the pan's rim", "", share);
        }
        put(out, "current_per_kilowatt", "coil current for 1 kW, rms", "A", sqrt(1e3 / at->total_ohm));
        put(out, "saturation_current", "coil current of the saturation, peak", "A", c->current_peak_a);
        put(out, "saturation_rounds", "rounds of current and permeability", "",
            c->rounds > 0 ? (double)c->rounds : NAN);
        if (share > TW_COIL_PAN_SHARE_FAIR) {
            TW_TRY(tw_warn(ctx, &out->warnings, "pan_small",
                           "%.1f %% of the loss lies beyond the pan's rim, where there is no pan: R and the drop of L "
                           "are overstated%s",
                           share * 100.0, share > TW_COIL_PAN_SHARE_BAD ? " beyond use" : ""));
        }
    }
    if (tw_is_known(rig->tank.capacitance_f)) {
        const double c_f = rig->tank.capacitance_f.value;
        put(out, "resonant_frequency_bare", "resonance without pan", "Hz", resonance(at->bare_h, c_f));
        if (out->has_pan) {
            put(out, "resonant_frequency", "resonance with the pan", "Hz", resonance(at->loaded_h, c_f));
        }
    }
    put(out, "curve_current", "coil current of the curves, peak", "A", out->current_peak_a);
    put(out, "computed_inductance", "geometry alone would give", "H",
        fabs(c->values.scale - 1.0) > 1e-12 ? c->values.computed_inductance_h : NAN);
    return TW_OK;
}

/* The other limit of what the bars may do: many and thin instead of few and wide. */
static tw_status put_fine_bars(tw_ctx *ctx, const tw_rig *rig, const tw_study__coil *c, tw_coil_study *out) {
    if (rig->coil.ferrite.kind != TW_FERRITE_BARS) {
        return TW_OK;
    }
    const tw_value mu = rig->coil.ferrite.permeability;
    tw_rig fine = *rig;
    tw_study__coil_field field;
    tw_coil_z z;
    fine.coil.ferrite.kind = TW_FERRITE_PLANE;
    fine.coil.ferrite.permeability = tw_exactly(tw_ferrite_bars(
        tw_is_known(mu) ? mu.value : TW_STUDY_FERRITE_PERMEABILITY, rig->coil.ferrite.coverage.value, TW_BARS_FINE));
    TW_TRY(tw_study__field_make(ctx, &fine, false, 0.0, &field));
    const tw_status status = tw_coil_solve(ctx, field.plan, NULL, TW_STUDY_NO_GAP_M, c->frequency_hz, &z);
    tw_study__field_dispose(&field);
    if (status == TW_OK) {
        put(out, "bare_inductance_fine_bars", "the same, were the bars many and thin", "H",
            c->values.scale * z.inductance_h);
    }
    return status;
}

static tw_status put_layers(tw_ctx *ctx, const tw_rig *rig, const tw_study__coil *c, tw_coil_study *out) {
    tw_layer_loss loss[TW_COIL_MAX_LAYERS];
    double sum = 0.0;
    TW_TRY(tw_coil_layer_losses(ctx, c->field.plan, &c->pan, c->gap_m, c->frequency_hz, loss));
    for (size_t k = 0; k < c->pan.n_layers; k++) {
        sum += loss[k].resistance_ohm;
    }
    for (size_t k = 0; k < c->pan.n_layers; k++) {
        const tw_layer *l = &c->pan.layers[k];
        const char *metal = tw_rig_metal(rig->pan.layers[k].metal);
        out->layers[out->n_layers++] = (tw_coil_layer){.metal = metal != NULL ? metal : "",
                                                       .thickness_m = l->thickness_m,
                                                       .conductivity_s_m = l->conductivity_s_m,
                                                       .permeability = l->relative_permeability,
                                                       .skin_depth_m = loss[k].skin_depth_m,
                                                       .resistance_ohm = c->values.scale * loss[k].resistance_ohm,
                                                       .share = sum > 0.0 ? loss[k].resistance_ohm / sum : 0.0};
    }
    return TW_OK;
}

/* A usual pan by the law and at the current of the rig's own, so that it is held against like; without saturation as it
 * is. */
tw_status tw_study__coil_preset_saturate(tw_ctx *ctx, const tw_rig *rig, const tw_study__coil *c, const char *name,
                                         tw_stack *pan) {
    const tw_metal *metal = tw_pan_preset_metal(name);
    if (!isfinite(c->current_peak_a) || metal == NULL || !(metal->saturation_t > 0.0)) {
        return TW_OK;
    }
    tw_rig other = *rig;
    other.pan.layers[0] = (tw_rig_layer){0, tw_unknown(), tw_unknown(), tw_unknown()};
    for (int k = 1; tw_rig_metal(k) != NULL; k++) {
        other.pan.layers[0].metal = strcmp(tw_rig_metal(k), metal->name) == 0 ? k : other.pan.layers[0].metal;
    }
    tw_study__coil_field field = c->field; /* shares the plan: not to be disposed of */
    field.pan = *pan;
    field.gap_m = c->gap_m;
    size_t rounds = 0;
    return tw_study__saturate(ctx, &other, &field, c->frequency_hz, c->current_peak_a, pan, &rounds);
}

/* ---- which pan --------------------------------------------------------------------------------------------- */

static tw_status add_candidate(tw_ctx *ctx, const tw_study__coil *c, const char *name, const tw_stack *pan,
                               tw_coil_study *out) {
    tw_study__coil_at at;
    if (out->n_candidates == TW_COIL_CANDIDATES) {
        return TW_OK;
    }
    TW_TRY(tw_study__coil_point(ctx, c, pan, c->gap_m, c->frequency_hz, &at));
    tw_coil_candidate row = {name, at.loaded_h, at.total_ohm, at.z.coupling, at.efficiency, ""};
    row.why = at.total_ohm < out->r_low_ohm    ? "R too small"
              : at.total_ohm > out->r_high_ohm ? "R too large"
              : at.loaded_h < out->l_low_h     ? "L too small"
              : at.loaded_h > out->l_high_h    ? "L too large"
                                               : "";
    if (at.total_ohm < out->r_low_ohm && at.loaded_h < out->l_low_h) {
        row.why = "R and L too small";
    }
    out->candidates[out->n_candidates++] = row;
    return TW_OK;
}

static tw_status add_candidates(tw_ctx *ctx, const tw_rig *rig, const tw_study__coil *c, tw_coil_study *out) {
    const tw_stack none = {.n_layers = 0};
    const double temperature = tw_is_known(rig->pan.temperature_c) ? rig->pan.temperature_c.value : TW_STUDY_PAN_C;
    TW_TRY(add_candidate(ctx, c, "no pan", &none, out));
    if (out->has_pan) {
        TW_TRY(add_candidate(ctx, c, "this pan", &c->pan, out));
    }
    for (size_t k = 0; tw_pan_name(k) != NULL; k++) {
        tw_stack pan;
        if (tw_pan_preset(tw_pan_name(k), temperature, &pan)) {
            TW_TRY(tw_study__coil_preset_saturate(ctx, rig, c, tw_pan_name(k), &pan));
            TW_TRY(add_candidate(ctx, c, tw_pan_name(k), &pan, out));
        }
    }
    return TW_OK;
}

/* ---- the whole ------------------------------------------------------------------------------------------------ */

/* The current that a saturating pan is taken at, by the stage's own iteration unless the rig sets it. */
static tw_status take_current(tw_ctx *ctx, const tw_rig *rig, tw_study__coil *c, tw_coil_study *out) {
    c->pan = c->field.pan;
    c->current_peak_a = NAN;
    out->current_peak_a = tw_is_known(rig->pan.current_a) ? rig->pan.current_a.value : 1.0;
    if (!tw_study__saturates(rig)) {
        return TW_OK;
    }
    if (tw_is_known(rig->pan.current_a)) {
        c->current_peak_a = rig->pan.current_a.value;
    } else {
        tw_half_bridge stage;
        tw_study__load_notes notes;
        TW_TRY(tw_study__stage(ctx, rig, &stage, &notes));
        c->current_peak_a = notes.current_peak_a;
        c->rounds = notes.iterations;
    }
    out->current_peak_a = c->current_peak_a;
    size_t inner = 0;
    return tw_study__saturate(ctx, rig, &c->field, c->frequency_hz, c->current_peak_a, &c->pan, &inner);
}

static tw_status fill(tw_ctx *ctx, const tw_rig *rig, const tw_coil_study_opts *opts, tw_study__coil *c,
                      tw_coil_study *out) {
    tw_study__coil_at at;
    TW_TRY(tw_study__coil_resolve(ctx, rig, &c->field, c->frequency_hz, &c->values));
    TW_TRY(take_current(ctx, rig, c, out));
    TW_TRY(tw_study__coil_point(ctx, c, &c->pan, c->gap_m, c->frequency_hz, &at));
    TW_TRY(put_fields(ctx, rig, c, &at, out));
    TW_TRY(put_fine_bars(ctx, rig, c, out));
    if (out->has_pan) {
        TW_TRY(put_layers(ctx, rig, c, out));
        TW_TRY(make_curve(ctx, c, out->current_peak_a, &out->along_gap));
    }
    TW_TRY(make_curve(ctx, c, out->current_peak_a, &out->along_frequency));
    TW_TRY(tw_study__coil_says(ctx, rig, c, &at, out));
    if (out->has_limits) {
        TW_TRY(add_candidates(ctx, rig, c, out));
    }
    if (opts->target != NULL) {
        TW_TRY(tw_study__coil_target(ctx, opts->target, c, out));
    }
    if (opts->with_section) {
        TW_TRY(tw_study__coil_section(ctx, c, &out->section));
    }
    const tw_study__load_notes notes = {.coil = c->values, .fit_error = NAN};
    return tw_study__warn_field(ctx, &notes, &out->warnings);
}

static tw_status run(tw_ctx *ctx, const tw_rig *rig, const tw_coil_study_opts *opts, tw_coil_study *out) {
    tw_study__coil c = {.gap_m = out->has_pan ? rig->pan.gap_m.value : TW_STUDY_NO_GAP_M,
                        .frequency_hz = out->frequency_hz,
                        .stated_ohm = tw_is_known(rig->coil.resistance_ohm)};
    TW_TRY(tw_study__coil_limits(ctx, opts, out));
    TW_TRY(choose_axes(ctx, rig, opts, out));
    const double least = out->has_pan ? fmin(out->along_gap.axis.values[0], c.gap_m) : c.gap_m;
    TW_TRY(tw_study__field_make(ctx, rig, out->has_pan, least, &c.field));
    c.field.gap_m = c.gap_m;
    out->gap_m = c.gap_m;
    const tw_status status = fill(ctx, rig, opts, &c, out);
    tw_study__field_dispose(&c.field);
    return status;
}

tw_status tw_study_coil(tw_ctx *ctx, const tw_rig *rig, const tw_coil_study_opts *opts, tw_coil_study *out) {
    const tw_coil_study_opts chosen = opts != NULL ? *opts : (tw_coil_study_opts){.along = NULL};
    tw_coil_study study = {.has_pan = rig->pan.kind == TW_PAN_FIELD};
    static const char *const NEEDED[] = {"bridge.frequency", "pan.gap"};
    TW_TRY(tw_rig_check(ctx, rig));
    TW_TRY(tw_rig_require(ctx, rig, NULL, "the field of the coil", NEEDED, study.has_pan ? 2 : 1));
    memcpy(study.title, rig->title, sizeof study.title);
    study.frequency_hz = rig->bridge.frequency_hz.value;
    const tw_status status = run(ctx, rig, &chosen, &study);
    if (status != TW_OK) {
        tw_coil_study_dispose(&study);
        return status;
    }
    *out = study;
    return TW_OK;
}

const tw_field *tw_coil_study_field(const tw_coil_study *study, const char *key) {
    for (size_t k = 0; k < study->n_fields; k++) {
        if (strcmp(study->fields[k].key, key) == 0) {
            return &study->fields[k];
        }
    }
    return NULL;
}

static void dispose_curve(tw_coil_curve *curve) {
    tw_free(curve->axis.values);
    tw_free(curve->inductance_h);
    tw_free(curve->resistance_ohm);
    tw_free(curve->pan_resistance_ohm);
    tw_free(curve->winding_resistance_ohm);
    tw_free(curve->coupling);
    tw_free(curve->efficiency);
    tw_free(curve->pan_power_w);
}

void tw_coil_study_dispose(tw_coil_study *study) {
    dispose_curve(&study->along_gap);
    dispose_curve(&study->along_frequency);
    tw_free(study->section.turn_r_m);
    tw_free(study->section.turn_z_m);
    tw_free(study->section.density_a_m2);
    tw_warnings_dispose(&study->warnings);
    memset(study, 0, sizeof *study);
}

/* ---- a sense loop --------------------------------------------------------------------------------------------------
 */

static tw_status loop_of(tw_ctx *ctx, const tw_study__coil_field *f, double frequency_hz, double radius_m,
                         double height_m, double *gain, double *mutual_h) {
    double re, im;
    const tw_stack *pan = f->pan.n_layers > 0 ? &f->pan : NULL;
    TW_TRY(tw_coil_sense_gain(ctx, f->plan, pan, f->gap_m, frequency_hz, radius_m, height_m, 1.0, 0.0, &re, &im));
    *gain = hypot(re, im);
    if (mutual_h != NULL) {
        double sum = 0.0;
        tw_turn at = {.radius_m = radius_m};
        const tw_winding *w = &f->winding;
        if (w->kind == TW_WINDING_TURNS) {
            for (size_t k = 0; k < w->n_turns; k++) { /* heights count from the wires' lower edge */
                sum += tw_mutual_loops(radius_m, w->turn[k].radius_m, height_m - w->wire_radius_m);
            }
        } else {
            const double hair = 1e-4 * radius_m;
            const tw_winding loop = {.kind = TW_WINDING_TURNS, .n_turns = 1, .turn = &at, .wire_radius_m = hair};
            TW_TRY(tw_winding_mutual(ctx, w, &loop, height_m, &sum, NULL));
        }
        *mutual_h = sum;
    }
    return TW_OK;
}

tw_status tw_study_loop_gain(tw_ctx *ctx, const tw_rig *rig, double frequency_hz, double radius_m, double height_m,
                             double *gain, double *mutual_h) {
    tw_study__coil_field field;
    const bool pan = rig->pan.kind == TW_PAN_FIELD;
    TW_TRY(tw_study__field_make(ctx, rig, pan, 0.0, &field));
    if (!pan) {
        field.gap_m = TW_STUDY_NO_GAP_M;
    }
    const tw_status status = loop_of(ctx, &field, frequency_hz, radius_m, height_m, gain, mutual_h);
    tw_study__field_dispose(&field);
    return status;
}

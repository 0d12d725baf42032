/* The field of coil and pan as text, JSON and delimited text. */
#include "report_json_private.h"
#include "report_private.h"
#include "report_text_private.h"

#include <math.h>
#include <string.h>

/* ---- text ------------------------------------------------------------------------------------------------ */

enum { LABEL_WIDTH = 38, LAYER_WIDTH = 18 };

static const struct {
    const char *title, *keys[11];
} GROUPS[] = {
    {"Coil",
     {"air_inductance", "bare_inductance", "bare_inductance_fine_bars", "computed_inductance", "winding_resistance",
      "winding_resistance_dc", "winding_skin_resistance", "winding_proximity_resistance", "winding_bundle_resistance"}},
    {"Pan",
     {"gap", "equivalent_inductance", "pan_resistance", "shield_resistance", "coupling", "induced_efficiency",
      "share_beyond_pan", "current_per_kilowatt", "saturation_current", "saturation_rounds"}},
    {"Tank", {"switching_frequency", "equivalent_resistance", "resonant_frequency_bare", "resonant_frequency"}},
    {"Wanted", {"turns_wanted", "pitch_wanted"}},
};

static void put_fields(const tw_coil_study *study, const tw_report_text_opts *opts, tw_text *out) {
    for (size_t g = 0; g < sizeof GROUPS / sizeof GROUPS[0]; g++) {
        const char *title = GROUPS[g].title;
        for (size_t k = 0; k < 11 && GROUPS[g].keys[k] != NULL; k++) {
            const tw_field *f = tw_coil_study_field(study, GROUPS[g].keys[k]);
            char value[TW_QUANTITY_TEXT];
            if (f == NULL) {
                continue;
            }
            report__format_set(f->value.value, f->unit, value);
            report__text_title(out, opts, REPORT_BOLD, title);
            report__text_pad(out, f->label, LABEL_WIDTH);
            tw_text_addf(out, "%s\n", value);
            title = "";
        }
    }
}

static void put_layers(const tw_coil_study *study, const tw_report_text_opts *opts, tw_text *out) {
    for (size_t k = 0; k < study->n_layers; k++) {
        const tw_coil_layer *l = &study->layers[k];
        char thickness[TW_QUANTITY_TEXT], depth[TW_QUANTITY_TEXT];
        report__format_set(l->thickness_m, "m", thickness);
        report__format_set(l->skin_depth_m, "m", depth);
        report__text_title(out, opts, REPORT_BOLD, k == 0 ? "Layers" : "");
        report__text_pad(out, l->metal[0] != '\0' ? l->metal : "as given", LAYER_WIDTH);
        report__text_pad(out, thickness, 9);
        tw_text_addf(out, "skin depth ");
        report__text_pad(out, isfinite(l->skin_depth_m) ? depth : "-", 10);
        tw_text_addf(out, "mu_r %-6.4g %5.1f %% of the pan's heat\n", l->permeability, 100.0 * l->share);
    }
}

static void put_limit(tw_text *out, const char *name, double low, double high, const char *unit) {
    char text[2][TW_QUANTITY_TEXT];
    report__format_set(low, unit, text[0]);
    report__format_set(high, unit, text[1]);
    if (isfinite(low) && isfinite(high)) {
        tw_text_addf(out, " %s %s to %s", name, text[0], text[1]);
    } else if (isfinite(low) || isfinite(high)) {
        tw_text_addf(out, " %s %s %s", name, isfinite(low) ? "from" : "up to", text[isfinite(low) ? 0 : 1]);
    }
}

static void put_candidates(const tw_coil_study *study, const tw_report_text_opts *opts, tw_text *out) {
    if (!study->has_limits) {
        return;
    }
    report__text_title(out, opts, REPORT_BOLD, "Limits");
    tw_text_add(out, "the plate takes");
    put_limit(out, "R", study->r_low_ohm, study->r_high_ohm, "ohm");
    put_limit(out, "L", study->l_low_h, study->l_high_h, "H");
    tw_text_add(out, "\n");
    for (size_t k = 0; k < study->n_candidates; k++) {
        const tw_coil_candidate *c = &study->candidates[k];
        char l[TW_QUANTITY_TEXT], r[TW_QUANTITY_TEXT];
        report__format_set(c->inductance_h, "H", l);
        report__format_set(c->resistance_ohm, "ohm", r);
        report__text_title(out, opts, REPORT_BOLD, "");
        report__text_pad(out, c->name, 20);
        report__text_pad(out, r, 13);
        report__text_pad(out, l, 12);
        tw_text_addf(out, "%3.0f %%  ", 100.0 * c->efficiency);
        report__text_emphasis(out, opts, c->why[0] == '\0' ? REPORT_GOOD : REPORT_DOUBTFUL,
                              c->why[0] == '\0' ? "accepted" : c->why);
        tw_text_add(out, "\n");
    }
}

tw_status tw_report_text_coil(tw_ctx *ctx, const tw_coil_study *study, const tw_report_text_opts *opts, tw_text *out) {
    (void)ctx;
    for (size_t k = 0; k < study->n_says; k++) {
        report__text_title(out, opts, REPORT_BOLD, k == 0 ? "Verdict" : "");
        report__text_wrap(out, 8, study->says[k]);
    }
    report__text_clean(out, study->title[0] != '\0' ? study->title : "Untitled rig");
    tw_text_add(out, study->has_pan ? ", field of coil and pan\n" : ", field of the coil\n");
    put_fields(study, opts, out);
    put_layers(study, opts, out);
    put_candidates(study, opts, out);
    report__text_warnings(out, &study->warnings, opts);
    return out->status;
}

/* ---- JSON -------------------------------------------------------------------------------------------------- */

static json_t *layers_of(const tw_coil_study *study) {
    json_t *array = json_array();
    for (size_t k = 0; k < study->n_layers; k++) {
        const tw_coil_layer *l = &study->layers[k];
        (void)json_array_append_new(
            array, json_pack("{s:s, s:o, s:f, s:f, s:o, s:o, s:f}", "metal", l->metal, "thickness",
                             tw_report__json_physical(tw_exactly(l->thickness_m), "m"), "conductivity",
                             l->conductivity_s_m, "permeability", l->permeability, "skin_depth",
                             tw_report__json_physical(tw_exactly(l->skin_depth_m), "m"), "resistance",
                             tw_report__json_physical(tw_exactly(l->resistance_ohm), "ohm"), "share", l->share));
    }
    return array;
}

static json_t *curve_of(const tw_coil_curve *c) {
    const size_t n = c->axis.n;
    return n == 0 ? json_null()
                  : json_pack("{s:s, s:s, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o}", "key", c->axis.key, "unit",
                              c->axis.unit, "values", tw_report__json_numbers(c->axis.values, n),
                              "equivalent_inductance", tw_report__json_numbers(c->inductance_h, n),
                              "equivalent_resistance", tw_report__json_numbers(c->resistance_ohm, n), "pan_resistance",
                              tw_report__json_numbers(c->pan_resistance_ohm, n), "winding_resistance",
                              tw_report__json_numbers(c->winding_resistance_ohm, n), "coupling",
                              tw_report__json_numbers(c->coupling, n), "induced_efficiency",
                              tw_report__json_numbers(c->efficiency, n), "pan_power",
                              tw_report__json_numbers(c->pan_power_w, n));
}

static json_t *candidates_of(const tw_coil_study *study) {
    json_t *array = json_array();
    for (size_t k = 0; k < study->n_candidates; k++) {
        const tw_coil_candidate *c = &study->candidates[k];
        (void)json_array_append_new(array, json_pack("{s:s, s:b, s:s, s:o, s:o, s:f, s:f}", "pan", c->name, "accepted",
                                                     c->why[0] == '\0', "reason", c->why, "equivalent_resistance",
                                                     tw_report__json_physical(tw_exactly(c->resistance_ohm), "ohm"),
                                                     "equivalent_inductance",
                                                     tw_report__json_physical(tw_exactly(c->inductance_h), "H"),
                                                     "coupling", c->coupling, "induced_efficiency", c->efficiency));
    }
    return array;
}

static json_t *texts_of(tw_ctx *ctx, const tw_coil_study *study) {
    json_t *array = json_array();
    for (size_t k = 0; k < study->n_says; k++) {
        (void)json_array_append_new(array, tw_report__json_text(ctx, study->says[k]));
    }
    return array;
}

tw_status tw_report_json_coil(tw_ctx *ctx, const tw_coil_study *study, tw_text *out) {
    json_t *object = json_pack("{s:s, s:o}", "kind", "coil", "title", tw_report__json_text(ctx, study->title));
    bool good = object != NULL;
    for (size_t k = 0; k < study->n_fields && good; k++) {
        const tw_field *f = &study->fields[k];
        good = json_object_set_new(object, f->key, tw_report__json_physical(f->value, f->unit)) == 0;
    }
    const struct {
        const char *key;
        json_t *value;
    } PARTS[] = {{"verdict", texts_of(ctx, study)},
                 {"layers", layers_of(study)},
                 {"along_gap", curve_of(&study->along_gap)},
                 {"along_frequency", curve_of(&study->along_frequency)},
                 {"pans", study->has_limits ? candidates_of(study) : json_null()},
                 {"warnings", tw_report__json_warnings(ctx, &study->warnings)}};
    for (size_t k = 0; k < sizeof PARTS / sizeof PARTS[0]; k++) {
        good = json_object_set_new(object, PARTS[k].key, PARTS[k].value) == 0 && good;
    }
    return tw_report__json_finish(ctx, object, good, out);
}

/* ---- delimited text ------------------------------------------------------------------------------------------ */

tw_status tw_report_write_coil(tw_ctx *ctx, const tw_coil_study *study, const char *path) {
    const tw_coil_curve *c = study->csv_gap ? &study->along_gap : &study->along_frequency;
    tw_output out;
    TW_TRY(tw_output_open(ctx, path, &out));
    fprintf(out.stream,
            "%s (%s),equivalent_inductance (H),equivalent_resistance (ohm),pan_resistance (ohm),winding_resistance "
            "(ohm),coupling,induced_efficiency,pan_power (W)\n",
            c->axis.key, c->axis.unit);
    for (size_t k = 0; k < c->axis.n; k++) {
        const double row[] = {c->axis.values[k],
                              c->inductance_h[k],
                              c->resistance_ohm[k],
                              c->pan_resistance_ohm[k],
                              c->winding_resistance_ohm[k],
                              c->coupling[k],
                              c->efficiency[k],
                              c->pan_power_w[k]};
        for (size_t i = 0; i < sizeof row / sizeof row[0]; i++) {
            char text[TW_NUMBER_TEXT] = "";
            const int n = isfinite(row[i]) ? snprintf(text, sizeof text, "%.9g", row[i]) : 0;
            for (int at = 0; at < n; at++) {
                text[at] = (char)(text[at] == ',' ? '.' : text[at]);
            }
            fprintf(out.stream, "%s%s", i > 0 ? "," : "", text);
        }
        fputc('\n', out.stream);
    }
    return tw_output_commit(ctx, &out);
}

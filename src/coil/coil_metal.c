/* Metals, typical pan bottoms. Rows without a readable source are marked from_memory: inputs of the model, to be
 * replaced by measured values where they matter. */
#include "coil_private.h"

#include <string.h>

static const tw_metal METALS[] = {
    {"copper", "copper, annealed", 58.0e6, 58.0e6, 58.0e6, 0.00393, 1, 1, 1, 0, false,
     "IEC 28 (1925); NBS Handbook 100"},
    {"aluminium", "aluminium, commercial", 34.80e6, 34.80e6, 35.38e6, 0.00403, 1, 1, 1, 0, false,
     "60 and 61 % IACS, Agrawal, Industrial Power Engineering Handbook, Table 30.1"},
    {"steel-low-carbon", "low-carbon steel", 5.0e6, 5.0e6, 10.0e6, 0.005, 50, 300, 300, 2.0, true,
     "from memory: 0.10 to 0.20 uohm m; maxima of mu_r above 1000"},
    {"cast-iron", "grey cast iron", 1.4e6, 1.0e6, 2.0e6, 0.002, 100, 600, 300, 1.5, true,
     "from memory: 0.5 to 1.0 uohm m"},
    {"stainless-304", "austenitic stainless steel AISI 304", 1.39e6, 1.37e6, 1.41e6, 0.00094, 1, 1.02, 1, 0, false,
     "conductivity: Asian Physics Olympiad 2025, experimental problem 1; the rest from memory"},
    {"stainless-430", "ferritic stainless steel AISI 430", 1.667e6, 1.6e6, 1.72e6, 0.0013, 100, 1500, 1000, 1.5, true,
     "from memory: 0.60 uohm m, small-signal mu_r 500 to 1500, falling with field"},
    {"stainless-410", "martensitic stainless steel AISI 410", 1.754e6, 1.7e6, 1.8e6, 0.0013, 100, 700, 700, 1.5, true,
     "mu_r about 700: Asian Physics Olympiad 2025; conductivity from memory, 0.57 uohm m"},
    {"brass", "brass CuZn37", 15.5e6, 14.0e6, 16.5e6, 0.0015, 1, 1, 1, 0, true, "from memory"},
};
#define N_METALS (sizeof METALS / sizeof *METALS)

size_t tw_metal_count(void) {
    return N_METALS;
}

const tw_metal *tw_metal_at(size_t idx) {
    return idx < N_METALS ? &METALS[idx] : NULL;
}

const tw_metal *tw_metal_find(const char *name) {
    for (size_t k = 0; name != NULL && k < N_METALS; k++) {
        if (strcmp(METALS[k].name, name) == 0) {
            return &METALS[k];
        }
    }
    return NULL;
}

double tw_metal_conductivity(const tw_metal *m, double temperature_c) {
    return m->conductivity_20_s_m / (1.0 + m->temperature_coefficient * (temperature_c - 20.0));
}

tw_layer tw_metal_layer(const tw_metal *m, double thickness_m, double temperature_c, double relative_permeability) {
    const double mu =
        isnan(relative_permeability) ? sqrt(m->permeability_low * m->permeability_high) : relative_permeability;
    return (tw_layer){.thickness_m = thickness_m,
                      .conductivity_s_m = tw_metal_conductivity(m, temperature_c),
                      .relative_permeability = mu};
}

/* Common practice, no source: sheet thicknesses as one finds them. */
static const struct {
    const char *name;
    size_t n;
    struct {
        const char *metal;
        double thickness_m;
    } layer[3];
} PANS[] = {
    {"aluminium", 1, {{"aluminium", 3.0e-3}}},
    {"steel", 1, {{"steel-low-carbon", 1.5e-3}}},
    {"enamelled-steel", 1, {{"steel-low-carbon", 2.5e-3}}}, /* the enamel is part of the gap */
    {"cast-iron", 1, {{"cast-iron", 4.0e-3}}},
    {"stainless", 1, {{"stainless-304", 0.8e-3}}},
    {"stainless-ferritic", 1, {{"stainless-430", 0.8e-3}}},
    {"clad", 3, {{"stainless-430", 0.5e-3}, {"aluminium", 4.0e-3}, {"stainless-304", 0.5e-3}}},
};
#define N_PANS (sizeof PANS / sizeof *PANS)

size_t tw_pan_count(void) {
    return N_PANS;
}

const char *tw_pan_name(size_t idx) {
    return idx < N_PANS ? PANS[idx].name : NULL;
}

const tw_metal *tw_pan_preset_metal(const char *name) {
    for (size_t k = 0; name != NULL && k < N_PANS; k++) {
        if (strcmp(PANS[k].name, name) == 0) {
            return tw_metal_find(PANS[k].layer[0].metal);
        }
    }
    return NULL;
}

bool tw_pan_preset(const char *name, double temperature_c, tw_stack *out) {
    for (size_t k = 0; name != NULL && k < N_PANS; k++) {
        if (strcmp(PANS[k].name, name) == 0) {
            tw_stack s = {.n_layers = PANS[k].n};
            for (size_t i = 0; i < s.n_layers; i++) {
                s.layers[i] = tw_metal_layer(tw_metal_find(PANS[k].layer[i].metal), PANS[k].layer[i].thickness_m,
                                             temperature_c, NAN);
            }
            *out = s;
            return true;
        }
    }
    return false;
}

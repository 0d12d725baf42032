/* Coil with pan as a one-port. Equations: docs/theory.md, "Coil with pan". */
#include <math.h>

#include "circuit_half_bridge.h"

tw_load tw_load_coupled(double coil_inductance_h, double coil_resistance_ohm, double coupling,
                        double pan_resistance_ohm) {
    tw_load load = {.resistance_ohm = coil_resistance_ohm, .inductance_h = coil_inductance_h};
    const double magnetizing_h = coupling * coupling * coil_inductance_h;
    if (coupling != 0.0) {
        load.inductance_h = coil_inductance_h * (1.0 - coupling) * (1.0 + coupling); /* no cancellation near 1 */
        load.n_branches = 1;
        load.branches[0] = (tw_chain_branch){.inductance_h = magnetizing_h, .resistance_ohm = pan_resistance_ohm};
    }
    return load;
}

void tw_load_impedance(const tw_load *load, double w_rad_s, double *re, double *im) {
    *re = load->resistance_ohm;
    *im = w_rad_s * load->inductance_h;
    for (size_t k = 0; k < load->n_branches; k++) {
        /* j x R/(R + j x) = (R x^2 + j R^2 x)/(R^2 + x^2) */
        const double r = load->branches[k].resistance_ohm, x = w_rad_s * load->branches[k].inductance_h;
        const double size = hypot(r, x);
        if (size > 0.0) {
            *re += r * (x / size) * (x / size);
            *im += x * (r / size) * (r / size);
        }
    }
}

double tw_load__resonance_hz(const tw_load *load, double capacitance_f) {
    /* w Im Z = u L_s + sum u L_k/(1 + u (L_k/R_k)^2) with u = w^2 rises steadily and is concave, so the resonance is
     * unique and Newton from the left, where all inductances count in full, climbs to it. */
    double total_h = load->inductance_h;
    for (size_t k = 0; k < load->n_branches; k++) {
        total_h += load->branches[k].inductance_h;
    }
    const double goal = 1.0 / capacitance_f;
    double u = goal / total_h;
    for (int step = 0; step < 200 && isfinite(u) && u > 0.0; step++) {
        double f = u * load->inductance_h - goal, slope = load->inductance_h;
        for (size_t k = 0; k < load->n_branches; k++) {
            const double l = load->branches[k].inductance_h, tau = l / load->branches[k].resistance_ohm;
            const double q = 1.0 + u * tau * tau;
            f += u * l / q;
            slope += l / (q * q);
        }
        const double next = u - f / slope;
        const bool settled = fabs(next - u) <= 1e-15 * u;
        u = next;
        if (settled) {
            break;
        }
    }
    const double f = sqrt(u) / (2.0 * TW_PI);
    return f >= 1.0 && f <= 1e8 ? f : NAN;
}

tw_status tw_load_resonance(tw_ctx *ctx, const tw_load *load, double capacitance_f, double *frequency_hz) {
    if (!(capacitance_f > 0.0) || !isfinite(capacitance_f)) {
        return tw_fail(ctx, TW_OUT_OF_RANGE, "circuit", "capacitance %.9g F is not positive", capacitance_f);
    }
    const double f = tw_load__resonance_hz(load, capacitance_f);
    if (isnan(f)) {
        return tw_fail(ctx, TW_OUT_OF_RANGE, "circuit", "no resonance between 1 Hz and 100 MHz");
    }
    *frequency_hz = f;
    return TW_OK;
}

/* Layers: reflection by admittances, from the far side to the coil (Cheng, Dodd & Deeds 1971; the recursion is that of
 * transmission lines).
 *
 * At spatial frequency a each layer carries exp(-+a1 zeta), a1^2 = a^2 + j w mu0 mu s. With y = -(dA/dzeta)/(mu A) at a
 * layer's near edge: a half space has y = a1/mu, air y = a, and a layer of thickness d before something with y'
 *   rho = (a1/mu - y')/(a1/mu + y'),  y = (a1/mu)(1 - rho q)/(1 + rho q),  q = exp(-2 a1 d);
 * the stack reflects G = (a - y)/(a + y). Only decaying exponentials occur, so thick layers are harmless. */
#include "coil_private.h"

/* Admittance of a perfect conductor: large enough that (y - Y)/(y + Y) is 1 to the last bit, small enough to square. */
#define PERFECT 1e60
/* exp(-2 a1 d) below 1e-17 cannot change a sum with 1. */
#define OPAQUE 20.0

double tw_skin_depth(double frequency_hz, double conductivity_s_m, double relative_permeability) {
    return 1.0 / sqrt(TW_PI * frequency_hz * TW_MU0 * relative_permeability * conductivity_s_m);
}

double tw_ferrite_bars(double relative_permeability, double coverage, tw_bars model) {
    if (model == TW_BARS_FINE) {
        return 1.0 + coverage * (relative_permeability - 1.0);
    }
    const double g = isinf(relative_permeability)
                         ? coverage
                         : coverage * (relative_permeability - 1.0) / (relative_permeability + 1.0);
    return (1.0 + g) / (1.0 - g);
}

tw_stack tw_stack_ferrite(double thickness_m, double relative_permeability, double shield_gap_m,
                          double shield_thickness_m, double shield_conductivity_s_m) {
    tw_stack s = {.n_layers = 1};
    s.layers[0] = (tw_layer){.thickness_m = thickness_m, .relative_permeability = relative_permeability};
    if (shield_thickness_m > 0.0) {
        if (shield_gap_m > 0.0) {
            s.layers[s.n_layers++] = (tw_layer){.thickness_m = shield_gap_m, .relative_permeability = 1.0};
        }
        s.layers[s.n_layers++] = (tw_layer){.thickness_m = shield_thickness_m,
                                            .conductivity_s_m = shield_conductivity_s_m,
                                            .relative_permeability = 1.0};
    }
    return s;
}

tw_stack_at tw_coil__stack_at(const tw_stack *s, double w) {
    tw_stack_at at = {.w = w, .lossless = true};
    for (size_t k = 0; s != NULL && k < s->n_layers; k++) {
        const tw_layer *l = &s->layers[k];
        at.layer[k].d = l->thickness_m;
        at.layer[k].conductivity = l->conductivity_s_m;
        at.layer[k].perfect = isinf(l->conductivity_s_m) && w > 0.0;
        at.layer[k].guide = isinf(l->relative_permeability);
        at.layer[k].plain = l->conductivity_s_m == 0.0 || w == 0.0;
        at.layer[k].mu = cx_of(l->relative_permeability, -l->permeability_loss);
        at.layer[k].inverse_mu = at.layer[k].guide ? cx_of(0.0, 0.0) : cx_div(cx_of(1.0, 0.0), at.layer[k].mu);
        const double k2 = at.layer[k].plain || at.layer[k].perfect ? 0.0 : w * TW_MU0 * l->conductivity_s_m;
        at.layer[k].induction =
            k2 == 0.0 ? cx_of(0.0, 0.0) : cx_of(k2 * l->permeability_loss, k2 * l->relative_permeability);
        at.lossless = at.lossless && at.layer[k].plain && l->permeability_loss == 0.0;
        at.n = k + 1;
        if (at.layer[k].perfect) {
            at.lossless = false; /* real, but absent at frequency 0 */
        }
    }
    return at;
}

cx tw_coil__reflect(const tw_stack_at *s, double a) {
    if (s->n == 0) {
        return cx_of(0.0, 0.0);
    }
    cx y = cx_of(a, 0.0);
    for (size_t k = s->n; k-- > 0;) {
        if (s->layer[k].perfect) {
            y = cx_of(PERFECT, 0.0);
            continue;
        }
        if (s->layer[k].guide) {
            y = cx_of(0.0, 0.0);
            continue;
        }
        cx a1 = cx_of(a, 0.0);
        if (!s->layer[k].plain) {
            a1 = cx_sqrt_right(cx_of(a * a + s->layer[k].induction.re, s->layer[k].induction.im));
        }
        const cx own = cx_mul(a1, s->layer[k].inverse_mu);
        const double d = s->layer[k].d;
        if (a1.re * d > OPAQUE) {
            y = own;
            continue;
        }
        const cx q = cx_exp_minus(cx_scale(a1, 2.0 * d));
        const cx rho_q = cx_mul(cx_div(cx_sub(own, y), cx_add(own, y)), q);
        y = cx_mul(own, cx_div(cx_sub(cx_of(1.0, 0.0), rho_q), cx_add(cx_of(1.0, 0.0), rho_q)));
    }
    return cx_div(cx_sub(cx_of(a, 0.0), y), cx_add(cx_of(a, 0.0), y));
}

cx tw_coil__waves(const tw_stack_at *s, double a, tw_layer_wave *waves) {
    cx y = cx_of(a, 0.0);
    for (size_t k = s->n; k-- > 0;) {
        tw_layer_wave *l = &waves[k];
        *l = (tw_layer_wave){.mu = s->layer[k].mu, .a1 = cx_of(a, 0.0)};
        if (s->layer[k].perfect || s->layer[k].guide) {
            l->dead = true;
            y = cx_of(s->layer[k].perfect ? PERFECT : 0.0, 0.0);
            continue;
        }
        if (!s->layer[k].plain) {
            l->a1 = cx_sqrt_right(cx_of(a * a + s->layer[k].induction.re, s->layer[k].induction.im));
        }
        const cx own = cx_mul(l->a1, s->layer[k].inverse_mu), one = cx_of(1.0, 0.0);
        if (isinf(s->layer[k].d)) {
            y = own;
            continue;
        }
        l->decay = cx_exp_minus(cx_scale(l->a1, s->layer[k].d));
        l->back = cx_mul(cx_div(cx_sub(own, y), cx_add(own, y)), l->decay);
        const cx rho_q = cx_mul(l->back, l->decay);
        y = cx_mul(own, cx_div(cx_sub(one, rho_q), cx_add(one, rho_q)));
    }
    const cx g = cx_div(cx_sub(cx_of(a, 0.0), y), cx_add(cx_of(a, 0.0), y));
    cx top = cx_add(cx_of(1.0, 0.0), g);
    bool dead = false;
    for (size_t k = 0; k < s->n; k++) {
        dead = dead || waves[k].dead;
        waves[k].dead = dead;
        waves[k].top = top;
        const cx rho_q = cx_mul(waves[k].back, waves[k].decay);
        top = cx_mul(top, cx_div(cx_add(waves[k].decay, waves[k].back), cx_add(cx_of(1.0, 0.0), rho_q)));
    }
    return g;
}

void tw_stack_reflection(const tw_stack *s, double a, double w_rad_s, double *re, double *im) {
    const tw_stack_at at = tw_coil__stack_at(s, w_rad_s);
    const cx g = tw_coil__reflect(&at, a);
    *re = g.re;
    *im = g.im;
}

/* The periodic burden voltage of a current transformer with an optional clamp across the burden.
 *
 * With u = i/N linear between samples and y = i_m the only state,
 *     L_m dy/dt = R_w i_s + V_s X(R_b i_s/V_s),   i_s = u - y,   v_b = V_s X(R_b i_s/V_s),
 * X the bend of the clamp law (pickup_clamp.c), X(z) = z without clamp. Split into the linear network, solved exactly
 * over a step with the phi functions, and the voltage g(i_s) = R_b i_s - v_b that the clamp takes away, integrated by
 * the classical fourth-order Runge-Kutta rule with integrating factor (Lawson): exact wherever g is nil.
 *
 * Steady state: D(y0) = flux gained over one period starting from y0; D falls with y0, its slope is
 * -S phi1(S/L_m) with S = integral of (R_w + dv_b/di_s), so Newton inside a shrinking bracket finds the root; the
 * linear case takes one step. Flux instead of current keeps every formula finite as L_m -> infinity, where the limit of
 * the steady state is meant: no droop, and no direct current passes. Derivation: docs/theory.md "Pick-ups".
 *
 * Accuracy: rounding without clamp; with clamp 1e-9 of the peak (tests/unit/test_pickup_transformer.c compares with
 * small steps).
 */
#include "pickup_private.h"

#include <math.h>

/* Steps inside one sample interval: the law's argument z moves by at most this much (the law bends on the scale 1) ...
 */
#define MOST_Z_STEP 0.25
/* ... and the linear network relaxes by at most this fraction of its time constant. */
#define MOST_A_STEP 0.02
/* Beyond this many times the linear limit no clamp is a clamp any more. */
#define MOST_OVERLOAD 1000.0
/* Inner steps a period beyond one a sample: a fraction of a second of work each time round. */
#define MOST_INNER_STEPS 1e6
#define MOST_ITERATIONS 60
/* Newton stops when the state moves by less than this fraction of the peak secondary current. */
#define STATE_TOLERANCE 1e-13
#define SAMPLES_BETWEEN_PROGRESS 65536

/* The network with its samples. */
typedef struct model {
    const double *i_a;
    size_t n;
    double interval_s;
    double turns, mean_a; /* the mean of the samples is taken off: the steady state does not see it */
    double burden_ohm, winding_ohm;
    double per_henry; /* 1/L_m, 0 for an ideal one */
    bool clamped;
    double scale_v; /* V_s of the clamp law */
    double peak_a;  /* of the secondary current with nothing lost */
} model;

/* What the exact solution needs for steps of one length. */
typedef struct step {
    size_t parts; /* of the sample interval; 0: not filled yet */
    double h_s;
    double phi1, phi2, half_phi1, half_phi2;
    double decay, half_decay;
} step;

typedef struct state {
    double y_a;      /* magnetizing current */
    double flux_vs;  /* gained since the start of the period */
    double slope_vs; /* integral of R_w + dv_b/di_s */
} state;

static double primary(const model *m, size_t k) {
    return (m->i_a[k == m->n ? 0 : k] - m->mean_a) / m->turns;
}

static double burden_voltage(const model *m, double i_s) {
    if (!m->clamped) {
        return m->burden_ohm * i_s;
    }
    double slope, excess;
    return m->scale_v * tw_pickup__clamp_bend(m->burden_ohm * i_s / m->scale_v, &slope, &excess);
}

/* Voltage that the clamp takes away; adds the differential resistance of the whole loop with `weight`. */
static double lost_voltage(const model *m, double i_s, double weight, double *slope_vs) {
    double slope, excess;
    (void)tw_pickup__clamp_bend(m->burden_ohm * i_s / m->scale_v, &slope, &excess);
    *slope_vs += weight * (m->winding_ohm + m->burden_ohm * slope);
    return m->scale_v * excess;
}

static size_t parts_for(const model *m, double du) {
    if (!m->clamped) {
        return 1;
    }
    const double by_z = fabs(du) * m->burden_ohm / m->scale_v / MOST_Z_STEP;
    const double by_a = m->interval_s * (m->burden_ohm + m->winding_ohm) * m->per_henry / MOST_A_STEP;
    return (size_t)fmax(1, ceil(fmax(by_z, by_a)));
}

static void fill_step(const model *m, size_t parts, step *s) {
    if (s->parts == parts) {
        return;
    }
    s->parts = parts;
    s->h_s = m->interval_s / (double)parts;
    const double a = s->h_s * (m->burden_ohm + m->winding_ohm) * m->per_henry;
    s->phi1 = tw_pickup__phi1(a);
    s->phi2 = tw_pickup__phi2(a);
    s->half_phi1 = tw_pickup__phi1(a / 2);
    s->half_phi2 = tw_pickup__phi2(a / 2);
    s->decay = exp(-a);
    s->half_decay = exp(-a / 2);
}

static void advance(const model *m, const step *s, double u0, double du, state *x) {
    const double r_ohm = m->burden_ohm + m->winding_ohm, h = s->h_s, y0 = x->y_a;
    double flux = r_ohm * h * ((u0 - y0) * s->phi1 + du * s->phi2);
    if (m->clamped) {
        const double per_h = m->per_henry, um = u0 + du / 2, u1 = u0 + du;
        const double ym = y0 + per_h * r_ohm * (h / 2) * ((u0 - y0) * s->half_phi1 + du / 2 * s->half_phi2);
        const double y1 = y0 + per_h * flux;
        double unused = 0;
        const double g1 = lost_voltage(m, u0 - y0, h / 6, &x->slope_vs);
        const double g2 = lost_voltage(m, um - (ym - per_h * (h / 2) * s->half_decay * g1), 0, &unused);
        const double g3 = lost_voltage(m, um - (ym - per_h * (h / 2) * g2), h * 4 / 6, &x->slope_vs);
        const double g4 = lost_voltage(m, u1 - (y1 - per_h * h * s->half_decay * g3), h / 6, &x->slope_vs);
        flux -= h / 6 * (s->decay * g1 + 2 * s->half_decay * (g2 + g3) + g4);
    } else {
        x->slope_vs += r_ohm * h;
    }
    x->y_a = y0 + m->per_henry * flux;
    x->flux_vs += flux;
}

/* One period from y0. Writes the burden voltage where v is not NULL (then it cannot fail). */
static tw_status run_period(tw_ctx *ctx, const model *m, double y0, double fraction, state *x, double *v) {
    step s = {.parts = 0};
    *x = (state){.y_a = y0};
    double u0 = primary(m, 0);
    const double u_first = u0;
    for (size_t k = 0; k < m->n; k++) {
        const double u1 = k + 1 == m->n ? u_first : primary(m, k + 1);
        if (v != NULL) {
            v[k] = burden_voltage(m, u0 - x->y_a);
        } else if (m->clamped && k % SAMPLES_BETWEEN_PROGRESS == 0) {
            TW_TRY(tw_progress(ctx, fraction, "current transformer"));
        }
        const size_t parts = parts_for(m, u1 - u0);
        fill_step(m, parts, &s);
        const double du = (u1 - u0) / (double)parts;
        for (size_t p = 0; p < parts; p++) {
            advance(m, &s, u0 + (double)p * du, du, x);
        }
        u0 = u1;
    }
    return TW_OK;
}

static tw_status find_steady(tw_ctx *ctx, const model *m, double *y0) {
    double low = -2 * m->peak_a, high = 2 * m->peak_a, y = 0;
    for (int round = 0; round < MOST_ITERATIONS; round++) {
        state x;
        TW_TRY(run_period(ctx, m, y, (double)round / MOST_ITERATIONS, &x, NULL));
        const double move = x.flux_vs / (x.slope_vs * tw_pickup__phi1(x.slope_vs * m->per_henry));
        if (!isfinite(move)) {
            break;
        }
        if (fabs(move) <= STATE_TOLERANCE * m->peak_a) {
            *y0 = y + move;
            return TW_OK;
        }
        if (move > 0) {
            low = y;
        } else {
            high = y;
        }
        y += move;
        if (!(y > low && y < high)) {
            y = low + (high - low) / 2;
        }
    }
    return tw_fail(ctx, TW_NO_CONVERGENCE, TW_PICKUP_ROOM,
                   "no periodic magnetizing current found for this transformer and period");
}

static tw_status check_forward(tw_ctx *ctx, const tw_transformer *ct, double period_s, const double *i, size_t n,
                               const double *v) {
    if (ct == NULL || i == NULL || v == NULL) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, TW_PICKUP_ROOM, "transformer or samples missing");
    }
    TW_TRY(tw_pickup__check_transformer(ctx, ct));
    if (!(isfinite(period_s) && period_s > 0)) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, TW_PICKUP_ROOM, "period_s: found %g, expected a positive time in seconds",
                       period_s);
    }
    if (n < 2) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, TW_PICKUP_ROOM, "n: found %zu, expected two samples or more", n);
    }
    for (size_t k = 0; k < n; k++) {
        if (!isfinite(i[k])) {
            return tw_fail(ctx, TW_BAD_DATA, TW_PICKUP_ROOM, "i: sample %zu of the primary current is no number", k);
        }
    }
    return TW_OK;
}

/* Fills the model and refuses what would overflow or take for ever. */
static tw_status prepare(tw_ctx *ctx, const tw_transformer *ct, double period_s, const double *i, size_t n, model *m) {
    *m = (model){.i_a = i,
                 .n = n,
                 .interval_s = period_s / (double)n,
                 .turns = ct->turns,
                 .burden_ohm = ct->burden_ohm,
                 .winding_ohm = ct->winding_resistance_ohm,
                 .per_henry = 1 / ct->magnetizing_inductance_h,
                 .clamped = !isnan(ct->clamp_onset_v),
                 .scale_v = TW_PICKUP_CLAMP_SCALE * ct->clamp_onset_v};
    for (size_t k = 0; k < n; k++) {
        m->mean_a += i[k] / (double)n;
    }
    for (size_t k = 0; k < n; k++) {
        m->peak_a = fmax(m->peak_a, fabs(primary(m, k)));
    }
    const double r_ohm = m->burden_ohm + m->winding_ohm;
    if (!isfinite(4 * r_ohm * (1 + period_s) * (1 + m->peak_a)) || !isfinite(r_ohm * period_s * m->per_henry)) {
        return tw_fail(ctx, TW_OUT_OF_RANGE, TW_PICKUP_ROOM,
                       "period, resistances, inductance and current together exceed all numbers");
    }
    if (!m->clamped) {
        return TW_OK;
    }
    const double overload = m->peak_a * m->burden_ohm / ct->clamp_onset_v;
    if (!(overload <= MOST_OVERLOAD)) {
        return tw_fail(ctx, TW_OUT_OF_RANGE, TW_PICKUP_ROOM,
                       "the primary current peaks at %.3g times the clamp's linear limit, at most %g is modelled",
                       overload, MOST_OVERLOAD);
    }
    double steps = r_ohm * period_s * m->per_henry / MOST_A_STEP;
    for (size_t k = 0; k < n; k++) {
        steps += fabs(primary(m, k + 1) - primary(m, k)) * m->burden_ohm / m->scale_v / MOST_Z_STEP;
    }
    if (!(steps <= MOST_INNER_STEPS)) {
        return tw_fail(ctx, TW_TOO_LARGE, TW_PICKUP_ROOM,
                       "the clamped transformer needs %.3g steps a period, at most %g", steps, MOST_INNER_STEPS);
    }
    return TW_OK;
}

tw_status tw_transformer_forward(tw_ctx *ctx, const tw_transformer *ct, double period_s, const double *i, size_t n,
                                 double *v) {
    TW_TRY(check_forward(ctx, ct, period_s, i, n, v));
    model m;
    TW_TRY(prepare(ctx, ct, period_s, i, n, &m));
    double y0 = 0;
    if (m.peak_a > 0) {
        TW_TRY(find_steady(ctx, &m, &y0));
    }
    state end;
    return run_period(ctx, &m, y0, 1, &end, v);
}

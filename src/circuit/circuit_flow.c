/* Exact propagation: sums of exponentials, or the matrix exponential where the modes are defective.
 * Method and accuracy: circuit_flow.h. */
#include "circuit_flow.h"

#include <float.h>
#include <math.h>
#include <string.h>

#include "tankwright/numeric.h"

/* Rounding of a sum of exponentials, relative to its amplitudes. */
static const double rounding = 64.0 * DBL_EPSILON;

void tw_flow_start(tw_flow *flow, const tw_network *net, const tw_mode *mode, const double *x, tw_counts *counts) {
    const tw_decomposition *dec = &net->decompositions[mode->decomposition];
    const size_t n = dec->n;
    flow->net = net;
    flow->mode = mode;
    flow->dec = dec;
    flow->counts = counts;
    flow->n_turns = 0;
    flow->beyond.t = 0.0;
    flow->step_s = 0.0;
    flow->last.t = 0.0;
    double dynamic[TW_N];
    for (size_t j = 0; j < n; j++) {
        dynamic[j] = x[dec->index[j]];
    }
    for (size_t j = 0; j < n; j++) {
        if (dec->modal) {
            double sum = 0.0;
            for (size_t i = 0; i < n; i++) {
                sum += dec->w[j][i] * dynamic[i];
            }
            flow->u[j] = sum - mode->equilibrium[j];
        } else {
            flow->u[j] = dynamic[j];
        }
    }
}

/* exp(z) and the like by their series where |z| is this small; error below 1e-17. */
static const double small_turn = 0.03;

static void turn_term(const tw_decomposition *dec, size_t j, double t, tw_turn *out) {
    const double re = dec->re[j] * t, im = dec->im[j] * t;
    double e, c = 1.0, s = 0.0;
    if (fabs(re) < small_turn) {
        e = 1.0 / 120 + re * (1.0 / 720 + re * (1.0 / 5040 + re * (1.0 / 40320)));
        e = 1.0 + re * (1.0 + re * (1.0 / 2 + re * (1.0 / 6 + re * (1.0 / 24 + re * e))));
    } else {
        e = exp(re);
    }
    if (im != 0.0) {
        if (fabs(im) < small_turn) {
            const double q = im * im;
            c = 1.0 - q * (1.0 / 2 - q * (1.0 / 24 - q * (1.0 / 720 - q * (1.0 / 40320))));
            s = im * (1.0 - q * (1.0 / 6 - q * (1.0 / 120 - q * (1.0 / 5040))));
        } else {
            sincos(im, &s, &c);
        }
    }
    out->e[j] = e;
    out->c[j] = e * c;
    out->s[j] = e * s;
}

static void make_turn(const tw_flow *flow, double t, tw_turn *out) {
    const tw_decomposition *dec = flow->dec;
    out->t = t;
    for (size_t k = 0; k < dec->n_terms; k++) {
        turn_term(dec, dec->term[k], t, out);
    }
}

static void multiply_turns(const tw_decomposition *dec, const tw_turn *a, const tw_turn *b, tw_turn *out) {
    for (size_t k = 0; k < dec->n_terms; k++) {
        const size_t j = dec->term[k];
        const double c = a->c[j], s = a->s[j];
        out->e[j] = a->e[j] * b->e[j];
        out->c[j] = c * b->c[j] - s * b->s[j];
        out->s[j] = c * b->s[j] + s * b->c[j];
    }
}

/* Steps from a known time to one close by before the exponentials are computed afresh: each costs a rounding. */
static const unsigned most_nudges = 4;

const tw_turn *tw_flow_turn(tw_flow *flow, double t) {
    tw_turn *last = &flow->last;
    if (last->t == t && t != 0.0) {
        return last;
    }
    const double d = t - last->t;
    if (last->t != 0.0 && fabs(d) * flow->dec->fastest < small_turn && flow->n_nudged < most_nudges) {
        tw_turn step;
        make_turn(flow, d, &step);
        multiply_turns(flow->dec, last, &step, last);
        last->t = t;
        flow->n_nudged++;
    } else {
        make_turn(flow, t, last);
        flow->n_nudged = 0;
        flow->counts->exponentials += flow->dec->n_terms;
    }
    return last;
}

/* Angle that a cell of the grid should not exceed by much: there the bounds of the event search are tight. */
static const double cell_angle = 0.5;
/* Cells of a grid at most. */
static const double most_cells = 256.0;

void tw_flow_lay_grid(tw_flow *flow, double span_s) {
    if (flow->step_s > 0.0) {
        return;
    }
    const double cells = ceil(flow->dec->fastest * span_s / cell_angle);
    flow->step_s = cells > most_cells ? span_s / most_cells : (cells > 1.0 ? span_s / cells : span_s);
}

const tw_turn *tw_flow_grid(tw_flow *flow, size_t k) {
    if (flow->n_turns == 0) {
        make_turn(flow, flow->step_s, &flow->grid[0]);
        flow->n_turns = 1;
        flow->counts->exponentials += flow->dec->n_terms;
    }
    for (; flow->n_turns < k && flow->n_turns < TW_GRID; flow->n_turns++) {
        tw_turn *next = &flow->grid[flow->n_turns];
        multiply_turns(flow->dec, next - 1, &flow->grid[0], next);
        next->t = flow->step_s * (double)(flow->n_turns + 1);
    }
    if (k <= flow->n_turns) {
        return &flow->grid[k - 1];
    }
    make_turn(flow, flow->step_s * (double)k, &flow->beyond);
    flow->counts->exponentials += flow->dec->n_terms;
    return &flow->beyond;
}

/* Largest growth exponent that the matrix route follows: far from overflow, and 0 in any passive network. */
static const double most_growth = 500.0;

/* phi = exp([A b; 0 0] t), n + 1 x n + 1. Where it could overflow it is NaN, and the run's own check stops there. */
static void matrix_exponential(const tw_flow *flow, double t, double *phi) {
    const size_t n = flow->dec->n, m = n + 1;
    double a[TW_N * TW_N];
    for (size_t i = 0; i < n; i++) {
        for (size_t j = 0; j < n; j++) {
            a[i * m + j] = flow->mode->a[flow->dec->index[i]][flow->dec->index[j]];
        }
        a[i * m + n] = flow->mode->b[flow->dec->index[i]];
        a[n * m + i] = 0.0;
    }
    a[n * m + n] = 0.0;
    const bool safe = isfinite(t) && flow->dec->growth * t < most_growth;
    if (!safe || tw_matrix_exp(NULL, m, a, t, phi) != TW_OK) {
        for (size_t i = 0; i < m * m; i++) {
            phi[i] = NAN;
        }
    }
    flow->counts->exponentials += m;
}

static void matrix_state(const tw_flow *flow, double t, double *dynamic) {
    const size_t n = flow->dec->n, m = n + 1;
    if (t == 0.0) {
        memcpy(dynamic, flow->u, n * sizeof *dynamic);
        return;
    }
    double phi[TW_N * TW_N];
    matrix_exponential(flow, t, phi);
    for (size_t i = 0; i < n; i++) {
        dynamic[i] = phi[i * m + n];
        for (size_t j = 0; j < n; j++) {
            dynamic[i] += phi[i * m + j] * flow->u[j];
        }
    }
}

void tw_flow_state(tw_flow *flow, double t, double *x) {
    const tw_decomposition *dec = flow->dec;
    const size_t n = flow->net->n;
    if (!dec->modal) {
        double dynamic[TW_N];
        matrix_state(flow, t, dynamic);
        for (size_t i = 0; i < dec->n; i++) {
            x[dec->index[i]] = dynamic[i];
        }
        tw_mode_enslave(flow->mode, n, x);
        return;
    }
    const tw_turn *turn = tw_flow_turn(flow, t);
    double y[TW_N];
    for (size_t j = 0; j < dec->n; j++) {
        if (dec->im[j] > 0.0) {
            const double a = flow->u[j], b = flow->u[j + 1];
            y[j] = turn->c[j] * a + turn->s[j] * b;
            y[j + 1] = turn->c[j] * b - turn->s[j] * a;
            j++;
        } else {
            y[j] = dec->size[j] > 0.0 ? turn->c[j] * flow->u[j] : flow->u[j];
        }
    }
    for (size_t k = 0; k < dec->n; k++) {
        const size_t i = dec->index[k];
        double sum = flow->mode->fixed[i] + flow->mode->moving[i] * t;
        for (size_t j = 0; j < dec->n; j++) {
            sum += dec->v[i][j] * y[j];
        }
        x[i] = sum;
    }
    tw_mode_enslave(flow->mode, n, x);
}

static void carry_by_matrix(const tw_flow *flow, double t, size_t n_columns, double s[TW_N][TW_N]) {
    const tw_decomposition *dec = flow->dec;
    const size_t m = dec->n + 1;
    double phi[TW_N * TW_N], column[TW_N];
    matrix_exponential(flow, t, phi);
    for (size_t c = 0; c < n_columns; c++) {
        for (size_t i = 0; i < dec->n; i++) {
            column[i] = 0.0;
            for (size_t j = 0; j < dec->n; j++) {
                column[i] += phi[i * m + j] * s[dec->index[j]][c];
            }
        }
        for (size_t i = 0; i < dec->n; i++) {
            s[dec->index[i]][c] = column[i];
        }
    }
}

void tw_flow_carry(tw_flow *flow, double t, size_t n_columns, double s[TW_N][TW_N]) {
    const tw_decomposition *dec = flow->dec;
    const size_t n = flow->net->n, nd = dec->n;
    if (!dec->modal) {
        carry_by_matrix(flow, t, n_columns, s);
    } else {
        double y[TW_N][TW_N];
        const tw_turn *turn = tw_flow_turn(flow, t);
        for (size_t j = 0; j < nd; j++) {
            for (size_t c = 0; c < n_columns; c++) {
                double sum = 0.0;
                for (size_t i = 0; i < nd; i++) {
                    sum += dec->w[j][i] * s[dec->index[i]][c];
                }
                y[j][c] = sum;
            }
        }
        for (size_t j = 0; j < nd; j++) {
            const bool pair = dec->im[j] > 0.0;
            if (dec->size[j] == 0.0) {
                continue;
            }
            const double co = turn->c[j], si = turn->s[j];
            for (size_t c = 0; c < n_columns; c++) {
                const double a = y[j][c], b = pair ? y[j + 1][c] : 0.0;
                y[j][c] = co * a + si * b;
                if (pair) {
                    y[j + 1][c] = co * b - si * a;
                }
            }
            j += pair;
        }
        for (size_t i = 0; i < nd; i++) {
            for (size_t c = 0; c < n_columns; c++) {
                double sum = 0.0;
                for (size_t j = 0; j < nd; j++) {
                    sum += dec->v[dec->index[i]][j] * y[j][c];
                }
                s[dec->index[i]][c] = sum;
            }
        }
    }
    for (size_t k = 0; k < flow->mode->n_slaved; k++) {
        const tw_slave *slave = &flow->mode->slave[k];
        for (size_t c = 0; c < n_columns; c++) {
            double sum = 0.0;
            for (size_t j = 0; j < n; j++) {
                sum += slave->law.c[j] * s[j][c];
            }
            s[slave->state][c] = sum;
        }
    }
}

static void make_row(tw_wave *wave, tw_flow *flow, const tw_functional *f) {
    const tw_decomposition *dec = flow->dec;
    double row[TW_N];
    memcpy(row, f->c, sizeof row);
    wave->k0 = f->d;
    wave->k1 = 0.0;
    for (size_t k = 0; k < flow->mode->n_slaved; k++) {
        const tw_slave *s = &flow->mode->slave[k];
        const double weight = row[s->state];
        row[s->state] = 0.0;
        wave->k0 += weight * s->law.d;
        for (size_t j = 0; j < flow->net->n; j++) {
            row[j] += weight * s->law.c[j];
        }
    }
    wave->amplitude = fabs(wave->k0);
    for (size_t i = 0; i < dec->n; i++) {
        wave->p[i] = row[dec->index[i]];
        wave->amplitude += fabs(wave->p[i] * flow->u[i]);
    }
}

static void make_modal(tw_wave *wave, tw_flow *flow, const tw_modal_row *f) {
    const tw_decomposition *dec = flow->dec;
    const double *row = f->row;
    wave->flow = flow;
    wave->k0 = f->k0;
    wave->k1 = f->k1;
    wave->amplitude = fabs(wave->k0);
    for (size_t j = 0; j < dec->n; j++) {
        if (dec->im[j] > 0.0) {
            wave->p[j] = row[j] * flow->u[j] + row[j + 1] * flow->u[j + 1];
            wave->p[j + 1] = row[j] * flow->u[j + 1] - row[j + 1] * flow->u[j];
            wave->amplitude += fabs(wave->p[j]) + fabs(wave->p[j + 1]);
            j++;
        } else {
            wave->p[j] = row[j] * flow->u[j];
            wave->amplitude += fabs(wave->p[j]);
            if (dec->size[j] == 0.0) { /* a conserved quantity is a constant */
                wave->k0 += wave->p[j];
                wave->p[j] = 0.0;
            }
        }
    }
}

void tw_wave_make(tw_wave *wave, tw_flow *flow, const tw_functional *f) {
    wave->flow = flow;
    if (!flow->dec->modal) {
        make_row(wave, flow, f);
        return;
    }
    tw_modal_row modal;
    tw_functional_to_modal(flow->net, flow->mode, f, &modal);
    make_modal(wave, flow, &modal);
}

void tw_wave_watch(tw_wave *wave, tw_flow *flow, size_t valve) {
    if (flow->dec->modal) {
        make_modal(wave, flow, &flow->mode->watch[valve]);
        return;
    }
    const bool on = (flow->mode->on & (1u << valve)) != 0;
    tw_wave_make(wave, flow, on ? &flow->mode->current[valve] : &flow->net->valves[valve].excess);
}

void tw_wave_state(tw_wave *wave, tw_flow *flow, size_t state) {
    wave->flow = flow;
    if (!flow->dec->modal) {
        tw_functional f = {.d = 0.0};
        f.c[state] = 1.0;
        make_row(wave, flow, &f);
        return;
    }
    tw_modal_row row;
    row.k0 = flow->mode->fixed[state];
    row.k1 = flow->mode->moving[state];
    memcpy(row.row, flow->dec->v[state], flow->dec->n * sizeof *row.row);
    make_modal(wave, flow, &row);
}

void tw_wave_combine(tw_wave *out, double a, const tw_wave *f, double b, const tw_wave *g) {
    const size_t n = f->flow->dec->n;
    out->flow = f->flow;
    out->k0 = a * f->k0 + b * g->k0;
    out->k1 = a * f->k1 + b * g->k1;
    out->amplitude = fabs(a) * f->amplitude + fabs(b) * g->amplitude;
    for (size_t j = 0; j < n; j++) {
        out->p[j] = a * f->p[j] + b * g->p[j];
    }
}

void tw_wave_rate(tw_wave *out, const tw_wave *f) {
    const tw_decomposition *dec = f->flow->dec;
    out->flow = f->flow;
    out->k0 = f->k1;
    out->k1 = 0.0;
    out->amplitude = fabs(out->k0);
    for (size_t j = 0; j < dec->n; j++) {
        const double p = f->p[j];
        if (dec->im[j] > 0.0) {
            const double q = f->p[j + 1];
            out->p[j] = dec->re[j] * p + dec->im[j] * q;
            out->p[j + 1] = dec->re[j] * q - dec->im[j] * p;
            out->amplitude += dec->size[j] * (fabs(p) + fabs(q));
            j++;
        } else {
            out->p[j] = dec->re[j] * p;
            out->amplitude += fabs(out->p[j]);
        }
    }
}

static double row_value(const tw_wave *wave, const double *dynamic) {
    double g = wave->k0;
    for (size_t i = 0; i < wave->flow->dec->n; i++) {
        g += wave->p[i] * dynamic[i];
    }
    return g;
}

double tw_wave_value(const tw_wave *wave, double t) {
    const tw_decomposition *dec = wave->flow->dec;
    if (!dec->modal) {
        double dynamic[TW_N];
        matrix_state(wave->flow, t, dynamic);
        return row_value(wave, dynamic);
    }
    double g = wave->k0 + wave->k1 * t;
    const tw_turn *turn = t != 0.0 ? tw_flow_turn(wave->flow, t) : NULL;
    for (size_t k = 0; k < dec->n_terms; k++) {
        const size_t j = dec->term[k];
        g += turn == NULL ? wave->p[j]
                          : wave->p[j] * turn->c[j] + (dec->im[j] > 0.0 ? wave->p[j + 1] * turn->s[j] : 0.0);
    }
    return g;
}

/* Matrix route: |c exp(A s) z| <= |c| exp(growth s) |z| in energy coordinates. */
static void eval_by_matrix(const tw_wave *wave, double t, double t_end, tw_wave_point *out) {
    const tw_flow *flow = wave->flow;
    const tw_decomposition *dec = flow->dec;
    const double *scale = flow->net->scale;
    double z[4][TW_N], norm[4] = {0.0}, row_norm = 0.0;
    matrix_state(flow, t, z[0]);
    out->g = row_value(wave, z[0]);
    double d[4] = {0.0};
    for (size_t k = 1; k < 4; k++) {
        for (size_t i = 0; i < dec->n; i++) {
            double sum = k == 1 ? flow->mode->b[dec->index[i]] : 0.0;
            for (size_t j = 0; j < dec->n; j++) {
                sum += flow->mode->a[dec->index[i]][dec->index[j]] * z[k - 1][j];
            }
            z[k][i] = sum;
            d[k] += wave->p[i] * sum;
            norm[k] = hypot(norm[k], sum * scale[dec->index[i]]);
        }
    }
    for (size_t i = 0; i < dec->n; i++) {
        row_norm = hypot(row_norm, wave->p[i] / scale[dec->index[i]]);
    }
    const double grow = exp(dec->growth * (t_end - t)) * (1.0 + 1e-9); /* rounding of the norms */
    out->g1 = d[1];
    out->g2 = d[2];
    out->m2 = row_norm * norm[2] * grow;
    out->m3 = row_norm * norm[3] * grow;
    out->scale1 = row_norm * norm[1];
}

/* At t = 0 `turn` is NULL: no exponentials. Without `bounds` only value and derivatives. */
static inline void eval_terms(const tw_wave *wave, double t, const tw_turn *turn, double t_end, bool bounds,
                              tw_wave_point *out) {
    const tw_decomposition *dec = wave->flow->dec;
    double g = wave->k0 + wave->k1 * t, g1 = wave->k1, g2 = 0.0, m2 = 0.0, m3 = 0.0, scale1 = fabs(wave->k1);
    for (size_t k = 0; k < dec->n_terms; k++) {
        const size_t j = dec->term[k];
        const double re = dec->re[j], im = dec->im[j], p = wave->p[j];
        double amplitude, value = p, slope;
        if (im > 0.0) {
            double turned = wave->p[j + 1];
            amplitude = fabs(p) + fabs(turned);
            if (turn != NULL) {
                value = turn->c[j] * p + turn->s[j] * turned;
                turned = turn->c[j] * turned - turn->s[j] * p;
            }
            slope = re * value + im * turned;
            g2 += re * slope + im * (re * turned - im * value);
        } else {
            amplitude = fabs(p);
            value = turn != NULL ? turn->c[j] * p : p;
            slope = re * value;
            g2 += re * slope;
        }
        g += value;
        g1 += slope;
        if (bounds) {
            const double size = dec->size[j];
            const double a = amplitude * size * (re > 0.0 ? exp(re * t_end) : (turn != NULL ? turn->e[j] : 1.0));
            scale1 += a;
            m2 += a * size;
            m3 += a * size * size;
        }
    }
    *out = (tw_wave_point){.g = g, .g1 = g1, .g2 = g2, .m2 = m2, .m3 = m3, .scale1 = scale1};
}

void tw_wave_eval(const tw_wave *wave, double t, double t_end, tw_wave_point *out) {
    wave->flow->counts->root_steps++;
    if (!wave->flow->dec->modal) {
        eval_by_matrix(wave, t, t_end, out);
    } else if (t == 0.0) {
        eval_terms(wave, t, NULL, t_end, true, out);
    } else {
        eval_terms(wave, t, tw_flow_turn(wave->flow, t), t_end, true, out);
    }
}

void tw_wave_eval_plain(const tw_wave *wave, double t, tw_wave_point *out) {
    wave->flow->counts->root_steps++;
    eval_terms(wave, t, tw_flow_turn(wave->flow, t), t, false, out);
}

void tw_wave_eval_turn(const tw_wave *wave, const tw_turn *turn, double t_end, tw_wave_point *out) {
    wave->flow->counts->root_steps++;
    eval_terms(wave, turn->t, turn, t_end, true, out);
}

int tw_wave_start_sign(const tw_wave *wave) {
    tw_wave_point at;
    tw_wave_eval(wave, 0.0, 0.0, &at);
    if (fabs(at.g) > rounding * wave->amplitude) {
        return at.g > 0.0 ? 1 : -1;
    }
    if (fabs(at.g1) > rounding * at.scale1) {
        return at.g1 > 0.0 ? 1 : -1;
    }
    return at.g2 > 0.0 ? 1 : (at.g2 < 0.0 ? -1 : 0);
}

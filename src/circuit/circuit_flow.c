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
    flow->net = net;
    flow->mode = mode;
    flow->dec = dec;
    flow->counts = counts;
    for (size_t j = 0; j < dec->n; j++) {
        if (dec->modal) {
            double sum = 0.0;
            for (size_t i = 0; i < dec->n; i++) {
                sum += dec->w[j][i] * x[dec->index[i]];
            }
            flow->y0[j] = sum;
            flow->u[j] = sum - mode->equilibrium[j];
        } else {
            flow->u[j] = x[dec->index[j]];
        }
    }
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

/* exp(D t) u, per real mode or pair. */
static void rotate(const tw_decomposition *dec, double t, const double *u, double *out, tw_counts *counts) {
    for (size_t j = 0; j < dec->n; j++) {
        const double e = dec->re[j] == 0.0 ? 1.0 : exp(dec->re[j] * t);
        counts->exponentials += dec->size[j] > 0.0;
        if (dec->im[j] > 0.0) {
            const double c = cos(dec->im[j] * t), s = sin(dec->im[j] * t);
            const double a = u[j], b = u[j + 1];
            out[j] = e * (c * a + s * b);
            out[j + 1] = e * (c * b - s * a);
            j++;
        } else {
            out[j] = e * u[j];
        }
    }
}

void tw_flow_state(const tw_flow *flow, double t, double *x) {
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
    double y[TW_N];
    rotate(dec, t, flow->u, y, flow->counts);
    for (size_t i = 0; i < n; i++) {
        double sum = flow->mode->fixed[i] + flow->mode->moving[i] * t;
        for (size_t j = 0; j < dec->n; j++) {
            sum += dec->v[i][j] * y[j];
        }
        x[i] = sum;
    }
    tw_mode_enslave(flow->mode, n, x); /* exactly on the law, not only to rounding */
}

static void carry_by_matrix(const tw_flow *flow, double t, double s[TW_N][TW_N]) {
    const tw_decomposition *dec = flow->dec;
    const size_t n = flow->net->n, m = dec->n + 1;
    double phi[TW_N * TW_N], column[TW_N];
    matrix_exponential(flow, t, phi);
    for (size_t c = 0; c < n; c++) {
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

void tw_flow_carry(const tw_flow *flow, double t, double s[TW_N][TW_N]) {
    const tw_decomposition *dec = flow->dec;
    const size_t n = flow->net->n, nd = dec->n;
    if (!dec->modal) {
        carry_by_matrix(flow, t, s);
    } else {
        double y[TW_N][TW_N];
        for (size_t j = 0; j < nd; j++) {
            for (size_t c = 0; c < n; c++) {
                double sum = 0.0;
                for (size_t i = 0; i < nd; i++) {
                    sum += dec->w[j][i] * s[dec->index[i]][c];
                }
                y[j][c] = sum;
            }
        }
        for (size_t j = 0; j < nd; j++) {
            const double e = dec->re[j] == 0.0 ? 1.0 : exp(dec->re[j] * t);
            const bool pair = dec->im[j] > 0.0;
            double co = e, si = 0.0;
            if (pair) {
                co = e * cos(dec->im[j] * t);
                si = e * sin(dec->im[j] * t);
            }
            for (size_t c = 0; c < n; c++) {
                const double a = y[j][c], b = pair ? y[j + 1][c] : 0.0;
                y[j][c] = co * a + si * b;
                if (pair) {
                    y[j + 1][c] = co * b - si * a;
                }
            }
            j += pair;
        }
        for (size_t i = 0; i < nd; i++) {
            for (size_t c = 0; c < n; c++) {
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
        for (size_t c = 0; c < n; c++) {
            double sum = 0.0;
            for (size_t j = 0; j < n; j++) {
                sum += slave->law.c[j] * s[j][c];
            }
            s[slave->state][c] = sum;
        }
    }
}

static void make_row(tw_wave *wave, const tw_flow *flow, const tw_functional *f) {
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

static void make_modal(tw_wave *wave, const tw_flow *flow, const tw_modal_row *f) {
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

void tw_wave_make(tw_wave *wave, const tw_flow *flow, const tw_functional *f) {
    wave->flow = flow;
    if (!flow->dec->modal) {
        make_row(wave, flow, f);
        return;
    }
    tw_modal_row modal;
    tw_functional_to_modal(flow->net, flow->mode, f, &modal);
    make_modal(wave, flow, &modal);
}

void tw_wave_watch(tw_wave *wave, const tw_flow *flow, size_t valve) {
    if (flow->dec->modal) {
        make_modal(wave, flow, &flow->mode->watch[valve]);
        return;
    }
    const bool on = (flow->mode->on & (1u << valve)) != 0;
    tw_wave_make(wave, flow, on ? &flow->mode->current[valve] : &flow->net->valves[valve].excess);
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
    for (size_t j = 0; j < dec->n; j++) {
        if (wave->p[j] == 0.0 && dec->im[j] == 0.0) {
            continue;
        }
        const double e = t == 0.0 || dec->re[j] == 0.0 ? 1.0 : exp(dec->re[j] * t);
        if (dec->im[j] > 0.0) {
            double c = 1.0, s = 0.0;
            if (t != 0.0) {
                c = cos(dec->im[j] * t);
                s = sin(dec->im[j] * t);
            }
            g += e * (wave->p[j] * c + wave->p[j + 1] * s);
            j++;
        } else {
            g += e * wave->p[j];
        }
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

void tw_wave_eval(const tw_wave *wave, double t, double t_end, tw_wave_point *out) {
    const tw_decomposition *dec = wave->flow->dec;
    wave->flow->counts->root_steps++;
    if (!dec->modal) {
        eval_by_matrix(wave, t, t_end, out);
        return;
    }
    double g = wave->k0 + wave->k1 * t, g1 = wave->k1, g2 = 0.0, m2 = 0.0, m3 = 0.0, scale1 = fabs(wave->k1);
    for (size_t j = 0; j < dec->n; j++) {
        const double re = dec->re[j], im = dec->im[j], size = dec->size[j];
        if (im == 0.0 && wave->p[j] == 0.0) {
            continue;
        }
        const double e = t == 0.0 || re == 0.0 ? 1.0 : exp(re * t);
        const double most = re > 0.0 ? exp(re * t_end) : e;
        double amplitude, value, slope;
        if (im > 0.0) {
            double c = 1.0, s = 0.0;
            if (t != 0.0) {
                c = cos(im * t);
                s = sin(im * t);
            }
            const double p = wave->p[j], q = wave->p[j + 1];
            value = e * (p * c + q * s);
            const double turned = e * (q * c - p * s);
            slope = re * value + im * turned;
            g2 += (re * re - im * im) * value + 2.0 * re * im * turned;
            amplitude = fabs(p) + fabs(q);
            j++;
        } else {
            value = e * wave->p[j];
            slope = re * value;
            g2 += re * slope;
            amplitude = fabs(wave->p[j]);
        }
        g += value;
        g1 += slope;
        const double a = amplitude * most * size;
        scale1 += a;
        m2 += a * size;
        m3 += a * size * size;
    }
    wave->flow->counts->exponentials += t == 0.0 ? 0 : dec->n;
    *out = (tw_wave_point){.g = g, .g1 = g1, .g2 = g2, .m2 = m2, .m3 = m3, .scale1 = scale1};
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

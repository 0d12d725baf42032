/* A passive chain for a measured or computed Z(f).
 *
 * Z(w) = R + j w L + sum r_k j w t_k/(1 + j w t_k), t_k = L_k/R_k: eddy currents in linear, reciprocal bodies have
 * exactly this form with positive r_k (their relaxation spectrum). On a fixed grid of t_k the unknowns are linear and
 * non-negative: C. L. Lawson & R. J. Hanson, Solving Least Squares Problems (1974), ch. 23. Grid neighbours of one
 * relaxation are joined, then all parts are refined together by Levenberg-Marquardt in their logarithms, which keeps
 * them positive. */
#include "coil_private.h"

#include "tankwright/numeric.h"

#include <string.h>

#define PER_DECADE 10
#define BEYOND 30.0 /* the grid reaches this factor beyond the frequencies' ends */
#define MOST_COLUMNS 120

typedef struct chain_fit {
    tw_ctx *ctx;
    size_t n_f, n_rows, n_cols;
    const double *f, *re, *im;
    double tau[MOST_COLUMNS]; /* of columns 2.. ; column 0 is R, column 1 is L */
    double scale[MOST_COLUMNS];
    double x[MOST_COLUMNS];
    double *matrix;  /* n_rows x n_cols, weighted, columns of unit length */
    double *passive; /* scratch, n_rows x n_cols */
    double *residual, *ones;
} chain_fit;

static void basis(const chain_fit *c, size_t col, double w, double *re, double *im) {
    *re = col == 0 ? 1.0 : 0.0;
    *im = col == 1 ? w : 0.0;
    if (col > 1) {
        const double x = w * c->tau[col];
        *re = x * x / (1.0 + x * x);
        *im = x / (1.0 + x * x);
    }
}

static void fill_matrix(chain_fit *c) {
    const double low = 1.0 / (2.0 * TW_PI * c->f[c->n_f - 1] * BEYOND), high = BEYOND / (2.0 * TW_PI * c->f[0]);
    const double decades = log10(high / low);
    const size_t n_tau = (size_t)fmin(ceil(decades * PER_DECADE) + 1.0, MOST_COLUMNS - 2.0);
    c->n_cols = 2 + n_tau;
    for (size_t k = 0; k < n_tau; k++) {
        c->tau[2 + k] = low * pow(high / low, (double)k / (double)(n_tau - 1));
    }
    for (size_t col = 0; col < c->n_cols; col++) {
        double square = 0.0;
        for (size_t i = 0; i < c->n_f; i++) {
            double re, im;
            basis(c, col, 2.0 * TW_PI * c->f[i], &re, &im);
            c->matrix[(2 * i) * c->n_cols + col] = re / c->re[i];
            c->matrix[(2 * i + 1) * c->n_cols + col] = im / c->im[i];
            square += re * re / (c->re[i] * c->re[i]) + im * im / (c->im[i] * c->im[i]);
        }
        c->scale[col] = 1.0 / sqrt(square);
        for (size_t i = 0; i < c->n_rows; i++) {
            c->matrix[i * c->n_cols + col] *= c->scale[col];
        }
    }
}

/* Unconstrained solution on the passive columns into y (zeros elsewhere). */
static tw_status solve_passive(chain_fit *c, const bool *in, double *y) {
    size_t place[MOST_COLUMNS], n = 0;
    for (size_t col = 0; col < c->n_cols; col++) {
        y[col] = 0.0;
        if (in[col]) {
            place[n++] = col;
        }
    }
    for (size_t i = 0; i < c->n_rows; i++) {
        for (size_t k = 0; k < n; k++) {
            c->passive[i * n + k] = c->matrix[i * c->n_cols + place[k]];
        }
    }
    double x[MOST_COLUMNS];
    TW_TRY(tw_lsq_solve_matrix(c->ctx, c->n_rows, n, c->passive, c->ones, NULL, x, NULL, NULL));
    for (size_t k = 0; k < n; k++) {
        y[place[k]] = x[k];
    }
    return TW_OK;
}

/* Column whose growth would lower the residual most; n_cols when none would. */
static size_t steepest(chain_fit *c, const bool *in, const bool *barred) {
    double best = 1e-9;
    size_t found = c->n_cols;
    for (size_t i = 0; i < c->n_rows; i++) {
        double sum = 1.0;
        for (size_t col = 0; col < c->n_cols; col++) {
            sum -= c->matrix[i * c->n_cols + col] * c->x[col];
        }
        c->residual[i] = sum;
    }
    for (size_t col = 0; col < c->n_cols; col++) {
        double slope = 0.0;
        for (size_t i = 0; !in[col] && !barred[col] && i < c->n_rows; i++) {
            slope += c->matrix[i * c->n_cols + col] * c->residual[i];
        }
        if (slope > best) {
            best = slope;
            found = col;
        }
    }
    return found;
}

static tw_status nonnegative(chain_fit *c) {
    bool in[MOST_COLUMNS] = {false}, barred[MOST_COLUMNS] = {false};
    double y[MOST_COLUMNS];
    for (size_t step = 0; step < 3 * c->n_cols; step++) {
        const size_t enter = steepest(c, in, barred);
        size_t n_in = 0;
        for (size_t col = 0; col < c->n_cols; col++) {
            n_in += in[col];
        }
        if (enter == c->n_cols || n_in + 1 >= c->n_rows) {
            break;
        }
        in[enter] = true;
        for (;;) {
            const tw_status status = solve_passive(c, in, y);
            if (status == TW_SINGULAR) { /* indistinguishable from those that are in */
                tw_ctx_clear_error(c->ctx);
                in[enter] = false;
                barred[enter] = true;
                break;
            }
            TW_TRY(status);
            double step_length = 1.0;
            size_t leave = c->n_cols;
            for (size_t col = 0; col < c->n_cols; col++) {
                if (in[col] && y[col] <= 0.0) {
                    const double possible = c->x[col] / (c->x[col] - y[col]);
                    if (leave == c->n_cols || possible < step_length) {
                        step_length = possible;
                        leave = col;
                    }
                }
            }
            if (leave == c->n_cols) {
                memcpy(c->x, y, sizeof y);
                break;
            }
            for (size_t col = 0; col < c->n_cols; col++) {
                c->x[col] += in[col] ? step_length * (y[col] - c->x[col]) : 0.0;
            }
            c->x[leave] = 0.0;
            in[leave] = false;
            barred[leave] = leave == enter; /* rounding let it in: do not try again */
        }
    }
    return TW_OK;
}

/* Joins the closest neighbours until the limit is met and no two stand on neighbouring grid points. */
static void join(const chain_fit *c, size_t max_branches, tw_coil_chain *out) {
    double r[MOST_COLUMNS], t[MOST_COLUMNS];
    size_t n = 0;
    for (size_t col = 2; col < c->n_cols; col++) {
        if (c->x[col] > 0.0) {
            r[n] = c->x[col] * c->scale[col];
            t[n++] = log(c->tau[col]);
        }
    }
    const double neighbours = 1.5 * log(10.0) / PER_DECADE;
    while (n > 1) {
        size_t k = 0;
        for (size_t i = 1; i + 1 < n; i++) {
            k = t[i + 1] - t[i] < t[k + 1] - t[k] ? i : k;
        }
        if (n <= max_branches && t[k + 1] - t[k] > neighbours) {
            break;
        }
        t[k] = (r[k] * t[k] + r[k + 1] * t[k + 1]) / (r[k] + r[k + 1]);
        r[k] += r[k + 1];
        for (size_t i = k + 1; i + 1 < n; i++) {
            r[i] = r[i + 1];
            t[i] = t[i + 1];
        }
        n--;
    }
    *out = (tw_coil_chain){
        .resistance_ohm = c->x[0] * c->scale[0], .inductance_h = c->x[1] * c->scale[1], .n_branches = n};
    for (size_t k = 0; k < n; k++) {
        out->branch_resistance_ohm[k] = r[k];
        out->branch_inductance_h[k] = r[k] * exp(t[k]);
    }
}

void tw_coil_chain_impedance(const tw_coil_chain *chain, double frequency_hz, double *re, double *im) {
    const double w = 2.0 * TW_PI * frequency_hz;
    *re = chain->resistance_ohm;
    *im = w * chain->inductance_h;
    for (size_t k = 0; k < chain->n_branches; k++) {
        const double r = chain->branch_resistance_ohm[k], x = w * chain->branch_inductance_h[k] / r;
        *re += r * x * x / (1.0 + x * x);
        *im += r * x / (1.0 + x * x);
    }
}

static void judge(const chain_fit *c, tw_coil_chain *out) {
    out->worst_error = out->worst_resistance_error = out->worst_inductance_error = 0.0;
    for (size_t i = 0; i < c->n_f; i++) {
        double re, im;
        tw_coil_chain_impedance(out, c->f[i], &re, &im);
        const double dr = re - c->re[i], dx = im - c->im[i];
        out->worst_error = fmax(out->worst_error, hypot(dr, dx) / hypot(c->re[i], c->im[i]));
        out->worst_resistance_error = fmax(out->worst_resistance_error, fabs(dr) / c->re[i]);
        out->worst_inductance_error = fmax(out->worst_inductance_error, fabs(dx) / c->im[i]);
    }
}

/* ---- refinement ---- */

typedef struct refinement {
    const chain_fit *c;
    tw_coil_chain chain;
    bool has_r, has_l;
} refinement;

static void unpack(refinement *m, const double *p) {
    size_t k = 0;
    m->chain.resistance_ohm = m->has_r ? exp(p[k++]) : 0.0;
    m->chain.inductance_h = m->has_l ? exp(p[k++]) : 0.0;
    for (size_t i = 0; i < m->chain.n_branches; i++) {
        m->chain.branch_resistance_ohm[i] = exp(p[k]);
        m->chain.branch_inductance_h[i] = exp(p[k] + p[k + 1]);
        k += 2;
    }
}

static tw_status deviations(const double *p, double *r, void *user) {
    refinement *m = user;
    unpack(m, p);
    for (size_t i = 0; i < m->c->n_f; i++) {
        double re, im;
        tw_coil_chain_impedance(&m->chain, m->c->f[i], &re, &im);
        r[2 * i] = re / m->c->re[i] - 1.0;
        r[2 * i + 1] = im / m->c->im[i] - 1.0;
    }
    return TW_OK;
}

static tw_status refine(const chain_fit *c, tw_coil_chain *chain) {
    refinement m = {c, *chain, chain->resistance_ohm > 0.0, chain->inductance_h > 0.0};
    double start[2 + 2 * TW_COIL_MAX_BRANCHES], best[2 + 2 * TW_COIL_MAX_BRANCHES];
    size_t n = 0;
    if (m.has_r) {
        start[n++] = log(chain->resistance_ohm);
    }
    if (m.has_l) {
        start[n++] = log(chain->inductance_h);
    }
    for (size_t i = 0; i < chain->n_branches; i++) {
        start[n++] = log(chain->branch_resistance_ohm[i]);
        start[n++] = log(chain->branch_inductance_h[i] / chain->branch_resistance_ohm[i]);
    }
    if (n == 0 || n > c->n_rows) {
        return TW_OK;
    }
    const tw_fit_problem problem = {.n_rows = c->n_rows, .n_params = n, .residual = deviations, .user = &m};
    tw_fit_result result;
    const tw_status status = tw_fit_solve(c->ctx, &problem, NULL, start, best, NULL, &result);
    if (status == TW_NO_MEMORY) {
        return status;
    }
    if (status != TW_OK) { /* the start stands; its error is stated */
        tw_ctx_clear_error(c->ctx);
        return TW_OK;
    }
    unpack(&m, best);
    judge(c, &m.chain);
    const double before = fmax(chain->worst_resistance_error, chain->worst_inductance_error);
    if (fmax(m.chain.worst_resistance_error, m.chain.worst_inductance_error) < before) {
        *chain = m.chain;
    }
    return TW_OK;
}

static tw_status check_points(tw_ctx *ctx, size_t n, const double *f, const double *re, const double *im) {
    if (n < 4) {
        return tw_coil__refuse(ctx, "frequencies", (double)n, "at least four");
    }
    for (size_t i = 0; i < n; i++) {
        TW_TRY(tw_coil__check_frequency(ctx, f[i]));
        if (i > 0 && !(f[i] > f[i - 1])) {
            return tw_coil__refuse(ctx, "frequency", f[i], "ascending frequencies");
        }
        if (!(isfinite(re[i]) && re[i] > 0.0)) {
            return tw_coil__refuse(ctx, "resistance", re[i], "a positive resistance at every frequency");
        }
        if (!(isfinite(im[i]) && im[i] > 0.0)) {
            return tw_coil__refuse(ctx, "reactance", im[i], "a positive reactance at every frequency");
        }
    }
    return TW_OK;
}

tw_status tw_coil_fit_chain(tw_ctx *ctx, size_t n, const double *frequency_hz, const double *re, const double *im,
                            size_t max_branches, tw_coil_chain *out) {
    TW_TRY(check_points(ctx, n, frequency_hz, re, im));
    if (max_branches < 1 || max_branches > TW_COIL_MAX_BRANCHES) {
        return tw_coil__refuse(ctx, "max_branches", (double)max_branches, "1 to 12");
    }
    chain_fit c = {.ctx = ctx, .n_f = n, .n_rows = 2 * n, .f = frequency_hz, .re = re, .im = im};
    c.matrix = tw_alloc(ctx, 2 * n * MOST_COLUMNS, 2 * sizeof *c.matrix);
    c.residual = tw_alloc(ctx, 2 * n, 2 * sizeof *c.residual);
    tw_status status = c.matrix == NULL || c.residual == NULL ? TW_NO_MEMORY : TW_OK;
    tw_coil_chain chain;
    if (status == TW_OK) {
        c.passive = c.matrix + 2 * n * MOST_COLUMNS;
        c.ones = c.residual + 2 * n;
        for (size_t i = 0; i < 2 * n; i++) {
            c.ones[i] = 1.0;
        }
        fill_matrix(&c);
        status = nonnegative(&c);
    }
    if (status == TW_OK) {
        join(&c, max_branches, &chain);
        judge(&c, &chain);
        status = refine(&c, &chain);
    }
    tw_free(c.matrix);
    tw_free(c.residual);
    if (status == TW_OK) {
        *out = chain;
    }
    return status;
}

/* Network table: decomposition of the modes, functionals, mirror. See circuit_network.h. */
#include "circuit_network.h"

#include <math.h>
#include <string.h>

#include "tankwright/numeric.h"

/* Above this condition of the eigenvectors (in energy coordinates) the modal form loses too many digits against the
 * goal of 1e-10, and the matrix exponential takes over. */
static const double condition_limit = 1e4;

/* An eigenvalue this small against the largest one is rounding of a zero (a conserved charge). */
static const double zero_ratio = 1e-14;

double tw_functional_value(const tw_network *net, const tw_functional *f, const double *x) {
    double sum = f->d;
    for (size_t j = 0; j < net->n; j++) {
        sum += f->c[j] * x[j];
    }
    return sum;
}

size_t tw_network_find_mode(const tw_network *net, unsigned on) {
    size_t m = 0;
    while (m < net->n_modes && net->modes[m].on != on) {
        m++;
    }
    return m;
}

void tw_mode_enslave(const tw_mode *mode, size_t n, double *x) {
    for (size_t k = 0; k < mode->n_slaved; k++) {
        const tw_slave *s = &mode->slave[k];
        double value = s->law.d;
        for (size_t j = 0; j < n; j++) {
            value += s->law.c[j] * x[j];
        }
        x[s->state] = value;
    }
}

void tw_mode_rate(const tw_network *net, const tw_mode *mode, const double *x, double *rate) {
    for (size_t i = 0; i < net->n; i++) {
        double sum = mode->b[i];
        for (size_t j = 0; j < net->n; j++) {
            sum += mode->a[i][j] * x[j];
        }
        rate[i] = sum;
    }
    for (size_t k = 0; k < mode->n_slaved; k++) {
        const tw_slave *s = &mode->slave[k];
        double sum = 0.0;
        for (size_t j = 0; j < net->n; j++) {
            sum += s->law.c[j] * rate[j];
        }
        rate[s->state] = sum;
    }
}

void tw_functional_rate(const tw_network *net, const tw_mode *mode, const tw_functional *f, tw_functional *out) {
    /* Substitute the slaved states, then differentiate. */
    double c[TW_N];
    memcpy(c, f->c, sizeof c);
    for (size_t k = 0; k < mode->n_slaved; k++) {
        const tw_slave *s = &mode->slave[k];
        const double weight = c[s->state];
        c[s->state] = 0.0;
        for (size_t j = 0; j < net->n; j++) {
            c[j] += weight * s->law.c[j];
        }
    }
    *out = (tw_functional){.d = 0.0};
    for (size_t i = 0; i < net->n; i++) {
        if (c[i] != 0.0) {
            out->d += c[i] * mode->b[i];
            for (size_t j = 0; j < net->n; j++) {
                out->c[j] += c[i] * mode->a[i][j];
            }
        }
    }
}

void tw_functional_mirror(const tw_network *net, const tw_functional *f, tw_functional *out) {
    tw_functional r = {.d = f->d};
    for (size_t j = 0; j < net->n; j++) {
        r.d += f->c[j] * net->mirror.offset[j];
        r.c[j] = f->c[j] * net->mirror.sign[j];
    }
    *out = r;
}

void tw_network_mirror_state(const tw_network *net, const double *x, double *out) {
    for (size_t j = 0; j < net->n; j++) {
        out[j] = net->mirror.sign[j] * x[j] + net->mirror.offset[j];
    }
}

static bool is_slaved(const tw_mode *mode, size_t state) {
    for (size_t k = 0; k < mode->n_slaved; k++) {
        if (mode->slave[k].state == state) {
            return true;
        }
    }
    return false;
}

static bool same_motion(size_t n, const tw_mode *p, const tw_mode *q) {
    if (p->n_slaved != q->n_slaved) {
        return false;
    }
    for (size_t i = 0; i < n; i++) {
        if (memcmp(p->a[i], q->a[i], n * sizeof p->a[i][0]) != 0) {
            return false;
        }
    }
    for (size_t k = 0; k < p->n_slaved; k++) {
        if (p->slave[k].state != q->slave[k].state ||
            memcmp(p->slave[k].law.c, q->slave[k].law.c, n * sizeof p->slave[k].law.c[0]) != 0) {
            return false;
        }
    }
    return true;
}

/* Largest eigenvalue of the symmetric part: |exp(A t)| <= exp(growth t) in energy coordinates (Dahlquist's logarithmic
 * norm). 0 for a passive network. */
static tw_status find_growth(tw_ctx *ctx, size_t n, const double *scaled, double *growth) {
    double s[TW_N * TW_N], re[TW_N], im[TW_N], v[TW_N * TW_N], w[TW_N * TW_N];
    for (size_t i = 0; i < n; i++) {
        for (size_t j = 0; j < n; j++) {
            s[i * n + j] = 0.5 * (scaled[i * n + j] + scaled[j * n + i]);
        }
    }
    TW_TRY(tw_eigen_decompose(ctx, n, s, re, im, v, w, NULL));
    *growth = 0.0;
    for (size_t i = 0; i < n; i++) {
        *growth = fmax(*growth, re[i]);
    }
    return TW_OK;
}

static void store_modal(const tw_network *net, const tw_mode *mode, tw_decomposition *dec, const double *v,
                        const double *w) {
    const size_t n = dec->n;
    for (size_t i = 0; i < n; i++) {
        for (size_t j = 0; j < n; j++) {
            dec->v[dec->index[i]][j] = v[i * n + j] / net->scale[dec->index[i]];
            dec->w[i][j] = w[i * n + j] * net->scale[dec->index[j]];
        }
    }
    for (size_t k = 0; k < mode->n_slaved; k++) {
        const tw_slave *s = &mode->slave[k];
        for (size_t j = 0; j < n; j++) {
            double sum = 0.0;
            for (size_t i = 0; i < n; i++) {
                sum += s->law.c[dec->index[i]] * dec->v[dec->index[i]][j];
            }
            dec->v[s->state][j] = sum;
        }
    }
    double largest = 0.0;
    for (size_t j = 0; j < n; j++) {
        dec->size[j] = hypot(dec->re[j], dec->im[j]);
        largest = fmax(largest, dec->size[j]);
    }
    for (size_t j = 0; j < n; j++) {
        if (dec->im[j] == 0.0 && dec->size[j] <= zero_ratio * largest) {
            dec->re[j] = dec->size[j] = 0.0;
        }
    }
    dec->fastest = largest;
    dec->n_terms = 0;
    for (size_t j = 0; j < n; j++) {
        if (dec->size[j] > 0.0) {
            dec->term[dec->n_terms++] = j;
        }
        j += dec->im[j] > 0.0;
    }
}

static tw_status decompose(tw_ctx *ctx, const tw_network *net, const tw_mode *mode, tw_decomposition *dec) {
    double a[TW_N * TW_N], v[TW_N * TW_N], w[TW_N * TW_N], condition = 0.0;
    dec->n = 0;
    for (size_t i = 0; i < net->n; i++) {
        if (!is_slaved(mode, i)) {
            dec->index[dec->n++] = i;
        }
    }
    const size_t n = dec->n;
    for (size_t i = 0; i < n; i++) {
        for (size_t j = 0; j < n; j++) {
            const size_t r = dec->index[i], c = dec->index[j];
            a[i * n + j] = mode->a[r][c] * (net->scale[r] / net->scale[c]);
        }
    }
    if (tw_star_decompose(n, a, dec->re, dec->im, v, w, &condition) && condition <= condition_limit) {
        dec->modal = true;
        store_modal(net, mode, dec, v, w);
        return TW_OK;
    }
    const bool clean = tw_ctx_error(ctx)->status == TW_OK;
    const tw_status status = tw_eigen_decompose(ctx, n, a, dec->re, dec->im, v, w, &condition);
    dec->modal = status == TW_OK && condition <= condition_limit;
    if (dec->modal) {
        store_modal(net, mode, dec, v, w);
        return TW_OK;
    }
    if (status != TW_OK && status != TW_SINGULAR && status != TW_NO_CONVERGENCE) {
        return status;
    }
    if (status != TW_OK && clean) {
        tw_ctx_clear_error(ctx); /* a defective matrix is no failure here: the matrix exponential takes over */
    }
    for (size_t j = 0; j < n; j++) {
        dec->re[j] = dec->im[j] = 0.0;
    }
    return find_growth(ctx, n, a, &dec->growth);
}

/* Equilibrium of the modal coordinates under the mode's b; along a zero eigenvalue the coordinate drifts instead. */
static void settle_affine(const tw_network *net, const tw_decomposition *dec, tw_mode *mode) {
    const size_t n = dec->n;
    mode->drifts = false;
    for (size_t i = 0; i < net->n; i++) {
        mode->fixed[i] = mode->moving[i] = 0.0;
    }
    for (size_t k = 0; k < mode->n_slaved; k++) {
        mode->fixed[mode->slave[k].state] = mode->slave[k].law.d;
    }
    if (!dec->modal) {
        return;
    }
    double beta[TW_N];
    for (size_t j = 0; j < n; j++) {
        beta[j] = 0.0;
        for (size_t i = 0; i < n; i++) {
            beta[j] += dec->w[j][i] * mode->b[dec->index[i]];
        }
    }
    for (size_t j = 0; j < n; j++) {
        mode->equilibrium[j] = mode->drift[j] = 0.0;
        if (dec->im[j] > 0.0) { /* block [re im; -im re] */
            const double q = dec->size[j] * dec->size[j];
            mode->equilibrium[j] = -(dec->re[j] * beta[j] - dec->im[j] * beta[j + 1]) / q;
            mode->equilibrium[j + 1] = -(dec->im[j] * beta[j] + dec->re[j] * beta[j + 1]) / q;
            mode->drift[j + 1] = 0.0;
            j++;
        } else if (dec->size[j] > 0.0) {
            mode->equilibrium[j] = -beta[j] / dec->re[j];
        } else {
            mode->drift[j] = beta[j];
            mode->drifts = mode->drifts || beta[j] != 0.0;
        }
    }
    for (size_t i = 0; i < net->n; i++) {
        for (size_t j = 0; j < n; j++) {
            mode->fixed[i] += dec->v[i][j] * mode->equilibrium[j];
            mode->moving[i] += dec->v[i][j] * mode->drift[j];
        }
    }
}

void tw_functional_to_modal(const tw_network *net, const tw_mode *mode, const tw_functional *f, tw_modal_row *out) {
    const tw_decomposition *dec = &net->decompositions[mode->decomposition];
    out->k0 = f->d;
    out->k1 = 0.0;
    for (size_t j = 0; j < dec->n; j++) {
        out->row[j] = 0.0;
    }
    for (size_t i = 0; i < net->n; i++) {
        const double c = f->c[i];
        if (c != 0.0) {
            out->k0 += c * mode->fixed[i];
            out->k1 += c * mode->moving[i];
            for (size_t j = 0; j < dec->n; j++) {
                out->row[j] += c * dec->v[i][j];
            }
        }
    }
}

static void watch_valves(const tw_network *net, tw_mode *mode) {
    for (size_t w = 0; w < net->n_valves; w++) {
        const bool on = (mode->on & (1u << w)) != 0;
        if (on || !(mode->on & net->valves[w].replaces)) {
            tw_functional_to_modal(net, mode, on ? &mode->current[w] : &net->valves[w].excess, &mode->watch[w]);
        }
    }
}

static void clear_functional(size_t n, tw_functional *f) {
    memset(f->c, 0, n * sizeof f->c[0]);
    f->d = 0.0;
}

void tw_network_clear(tw_network *net, size_t n, size_t n_modes, size_t n_valves) {
    net->n = n;
    net->n_modes = n_modes;
    net->n_valves = n_valves;
    net->n_decompositions = 0;
    for (size_t m = 0; m < n_modes; m++) {
        tw_mode *mode = &net->modes[m];
        mode->on = 0;
        mode->n_slaved = 0;
        for (size_t i = 0; i < n; i++) {
            memset(mode->a[i], 0, n * sizeof mode->a[i][0]);
            mode->b[i] = 0.0;
        }
        for (size_t k = 0; k < TW_MAX_SLAVED; k++) {
            mode->slave[k].state = 0;
            clear_functional(n, &mode->slave[k].law);
        }
        for (size_t w = 0; w < n_valves; w++) {
            clear_functional(n, &mode->current[w]);
        }
    }
    for (size_t w = 0; w < n_valves; w++) {
        net->valves[w].name = "valve";
        net->valves[w].gated = false;
        net->valves[w].replaces = net->valves[w].mates = 0;
        net->valves[w].node = TW_NO_NODE;
        net->valves[w].n_jumping = 0;
        clear_functional(n, &net->valves[w].voltage);
    }
    for (size_t j = 0; j < n; j++) {
        net->mirror.sign[j] = 1.0;
        net->mirror.offset[j] = 0.0;
    }
}

tw_status tw_network_prepare(tw_ctx *ctx, tw_network *net) {
    net->n_decompositions = 0;
    for (size_t m = 0; m < net->n_modes; m++) {
        tw_mode *mode = &net->modes[m];
        size_t earlier = 0;
        while (earlier < m && !same_motion(net->n, &net->modes[earlier], mode)) {
            earlier++;
        }
        if (earlier < m) {
            mode->decomposition = net->modes[earlier].decomposition;
        } else {
            mode->decomposition = net->n_decompositions++;
            TW_TRY(decompose(ctx, net, mode, &net->decompositions[mode->decomposition]));
        }
        settle_affine(net, &net->decompositions[mode->decomposition], mode);
        if (net->decompositions[mode->decomposition].modal) {
            watch_valves(net, mode);
        }
    }
    return TW_OK;
}

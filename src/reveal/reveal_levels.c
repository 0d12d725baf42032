/* The two levels of the midpoint in the record.
 *
 * While a device conducts the midpoint sits on a rail, so that over these spans du = -alpha dq. The slopes -du/dq of
 * all sample pairs a fixed step apart agree but for the pairs with an edge between them; their median, weighted by
 * |dq|, is a first guess of alpha that a tenth or two of outliers cannot move far (weighted median: P. S. de Laplace;
 * see Bloomfield & Steiger, Least Absolute Deviations, 1983). u + alpha q then has two levels.
 */
#include "reveal_internal.h"

#include <math.h>
#include <stdlib.h>

static const char ROOM[] = "reveal";

typedef struct weighted {
    double value, weight;
} weighted;

static int by_value(const void *a, const void *b) {
    const double x = ((const weighted *)a)->value, y = ((const weighted *)b)->value;
    return (x > y) - (x < y);
}

static double weighted_median(weighted *items, size_t n) {
    qsort(items, n, sizeof *items, by_value);
    double total = 0, sum = 0;
    for (size_t k = 0; k < n; k++) {
        total += items[k].weight;
    }
    for (size_t k = 0; k < n; k++) {
        sum += items[k].weight;
        if (sum >= 0.5 * total) {
            return items[k].value;
        }
    }
    return 0.0;
}

static tw_status guess_alpha(tw_ctx *ctx, const tw_reveal__work *w, double *alpha) {
    const size_t step = (size_t)fmax(1.0, w->period_s / w->interval_s / 24.0);
    const size_t stride = w->n > 40000 ? w->n / 20000 : 1;
    weighted *items = tw_alloc(ctx, w->n / stride + 1, sizeof *items);
    if (items == NULL) {
        return TW_NO_MEMORY;
    }
    size_t count = 0;
    for (size_t k = 0; k + step < w->n; k += stride) {
        const double dq = w->q_v[k + step] - w->q_v[k];
        if (dq != 0) {
            items[count].value = -(w->u[k + step] - w->u[k]) / dq;
            items[count++].weight = fabs(dq);
        }
    }
    *alpha = weighted_median(items, count);
    tw_free(items);
    return TW_OK;
}

static double two_level(const tw_reveal__work *w, size_t k) {
    return w->u[k] + w->alpha * w->q_v[k];
}

/* Means of u + alpha q in up to 512 equal bins of the period, ascending, into out (w->scratch); returns their count.
 * Far less noisy than samples, which in a tank of high quality are mostly noise beside the rail. */
static size_t fold_levels(const tw_reveal__work *w, double *out) {
    const size_t n = w->n / 8 < 512 ? w->n / 8 + 1 : 512;
    double sum[513] = {0}, count[513] = {0};
    for (size_t k = 0; k < w->n; k++) {
        if (!w->gap[k]) {
            const size_t b = (size_t)(tw_reveal__phase(w, k) * (double)n) % n;
            sum[b] += two_level(w, k);
            count[b] += 1.0;
        }
    }
    size_t used = 0;
    for (size_t b = 0; b < n; b++) {
        if (count[b] > 0) {
            out[used++] = sum[b] / count[b];
        }
    }
    tw_sort(used, out);
    return used;
}

/* Medians of the upper and lower cluster of u + alpha q, and how narrow they are. */
static tw_status find_clusters(tw_ctx *ctx, tw_reveal__work *w, double *spread) {
    double *const v = w->scratch;
    const size_t n = fold_levels(w, v);
    const double middle = 0.5 * (tw_quantile_sorted(n, v, 0.05) + tw_quantile_sorted(n, v, 0.95));
    size_t split = 0;
    while (split < n && v[split] < middle) {
        split++;
    }
    if (split < 4 || n - split < 4) {
        return tw_fail(ctx, TW_BAD_DATA, ROOM, "no switching found: the midpoint does not show two levels");
    }
    w->low = tw_quantile_sorted(split, v, 0.5);
    w->high = tw_quantile_sorted(n - split, v + split, 0.5);
    const double low_spread = tw_quantile_sorted(split, v, 0.75) - tw_quantile_sorted(split, v, 0.25);
    const double high_spread =
        tw_quantile_sorted(n - split, v + split, 0.75) - tw_quantile_sorted(n - split, v + split, 0.25);
    *spread = 0.5 * (low_spread + high_spread) / (w->high - w->low);
    return TW_OK;
}

tw_status tw_reveal__find_levels(tw_ctx *ctx, tw_reveal__work *w) {
    TW_TRY(guess_alpha(ctx, w, &w->alpha));
    double spread = NAN;
    TW_TRY(find_clusters(ctx, w, &spread));
    /* two sines of the same frequency leave a cluster width of about 0.3 of their distance */
    if (!(spread < 0.2)) {
        return tw_fail(
            ctx, TW_BAD_DATA, ROOM,
            "no switching found: over a period the voltage channel does not follow a bridge that changes between two "
            "rails (spread of the levels %.2g of their distance)",
            spread);
    }
    return TW_OK;
}

/* ---- classes ---- */

static double share(const tw_reveal__work *w, size_t k) {
    return (two_level(w, k) - w->low) / (w->high - w->low);
}

/* Where rise and fall are expected: a pulse of duty D has its fundamental's peak in its middle, its edges D/2 of a
 * period before and after. The fundamental hardly notices what the midpoint does in the dead times. */
static tw_status find_edges(tw_ctx *ctx, tw_reveal__work *w) {
    double re = 0, im = 0, mean = 0;
    size_t crossings = 0, moving = 0;
    int side = 0; /* -1 low, +1 high: with hysteresis so that noise counts once */
    for (size_t k = 0; k < w->n; k++) {
        const double m = share(w, k);
        moving += m > 0.1 && m < 0.9 ? 1 : 0;
        const int now = m > 0.75 ? 1 : m < 0.25 ? -1 : side;
        crossings += side != 0 && now != side ? 1 : 0;
        side = now;
        if (k < w->whole) {
            const double angle = 2.0 * TW_PI * (double)k * w->interval_s * w->frequency_hz;
            const double kept = fmin(fmax(m, 0.0), 1.0);
            re += kept * cos(angle);
            im += kept * sin(angle);
            mean += kept;
        }
    }
    if (crossings < 2 * w->cycles - 1) {
        return tw_fail(ctx, TW_BAD_DATA, ROOM, "no switching found: %zu changes of the midpoint in %zu cycles",
                       crossings, w->cycles);
    }
    w->fall_phase = mean / (double)w->whole;
    const double rise = atan2(im, re) / (2.0 * TW_PI) - 0.5 * w->fall_phase;
    w->phase_origin = rise - floor(rise);
    w->swing_samples = moving / crossings;
    return TW_OK;
}

/* The midpoint's share of the rail in equal bins of the period: the mean over cycles and neighbouring bins. */
typedef struct folded {
    size_t n, smooth; /* bins; bins on each side that join the mean */
    double *share, *count;
    bool *moving;
} folded;

static void folded_dispose(folded *f) {
    tw_free(f->share);
    tw_free(f->count);
    tw_free(f->moving);
}

/* Share with the conducting device's drop taken out, so that a rail is flat. */
static double corrected_share(const tw_reveal__work *w, double gain, size_t k) {
    const double m = share(w, k);
    return m + gain * tw_reveal__drop(&w->prior, m > 0.5, w->i_v[k]) / (w->high - w->low);
}

static tw_status fold_shares(tw_ctx *ctx, const tw_reveal__work *w, double gain, folded *f) {
    f->n = (size_t)fmin(fmax((double)w->n / 4.0, 48.0), fmin(2.0 * w->period_s / w->interval_s + 1.0, 8192.0));
    f->share = tw_alloc(ctx, f->n, sizeof *f->share);
    f->count = tw_alloc(ctx, f->n, sizeof *f->count);
    f->moving = tw_alloc(ctx, f->n, sizeof *f->moving);
    if (f->share == NULL || f->count == NULL || f->moving == NULL) {
        return TW_NO_MEMORY;
    }
    for (size_t k = 0; k < w->n; k++) {
        if (!w->gap[k]) {
            const size_t b = (size_t)(tw_reveal__phase(w, k) * (double)f->n) % f->n;
            f->share[b] += corrected_share(w, gain, k);
            f->count[b] += 1.0;
        }
    }
    return TW_OK;
}

/* Marks the bins where the midpoint is on neither rail by more than the noise of the mean, or by `floor`. */
static void mark_moving(const tw_reveal__work *w, folded *f, double floor_share) {
    const double noise = w->noise_u / (w->high - w->low);
    f->smooth = (size_t)fmax(1.0, fmin((double)w->swing_samples / 8.0, 0.002 * (double)f->n));
    for (size_t b = 0; b < f->n; b++) {
        double sum = 0, count = 0;
        for (size_t j = 0; j <= 2 * f->smooth; j++) {
            const size_t at = (b + f->n + j - f->smooth) % f->n;
            sum += f->share[at];
            count += f->count[at];
        }
        const double m = count > 0 ? sum / count : 0.0;
        const double away = fmin(fabs(m), fabs(m - 1.0));
        f->moving[b] = count > 0 && away > fmax(floor_share, 4.0 * noise / sqrt(count));
    }
}

/* A move begins and ends gently: widens every marked run by a part of its own length and by the smoothing. */
static void widen(const folded *f, const bool *marked, bool *out) {
    for (size_t b = 0; b < f->n; b++) {
        if (!marked[b] || marked[(b + f->n - 1) % f->n]) {
            continue;
        }
        size_t run = 1;
        while (run < f->n && marked[(b + run) % f->n]) {
            run++;
        }
        /* a lone noisy bin is not a move */
        const size_t extra = run <= 2 ? 0 : f->smooth + 2 + run / 4;
        for (size_t j = 0; run > 2 && j < run + 2 * extra && j < f->n; j++) {
            out[(b + f->n - extra % f->n + j) % f->n] = true;
        }
    }
}

tw_status tw_reveal__classify(tw_ctx *ctx, tw_reveal__work *w, double gain, bool coarse) {
    TW_TRY(find_edges(ctx, w));
    folded f = {.n = 0};
    tw_status status = fold_shares(ctx, w, gain, &f);
    bool *moving = status == TW_OK ? tw_alloc(ctx, f.n, sizeof *moving) : NULL;
    if (moving == NULL) {
        folded_dispose(&f);
        return TW_NO_MEMORY;
    }
    mark_moving(w, &f, coarse ? 0.06 : 0.012);
    widen(&f, f.moving, moving);
    const double outlier = fmax(coarse ? 0.1 : 0.06, 6.0 * w->noise_u / (w->high - w->low));
    for (size_t k = 0; k < w->n; k++) {
        const double m = corrected_share(w, gain, k);
        const size_t b = (size_t)(tw_reveal__phase(w, k) * (double)f.n) % f.n;
        const bool off = w->gap[k] || moving[b] || fmin(fabs(m), fabs(m - 1.0)) > outlier;
        w->level[k] = (uint8_t)(off ? LEVEL_MOVING : m > 0.5 ? LEVEL_HIGH : LEVEL_LOW);
    }
    tw_free(moving);
    folded_dispose(&f);
    return status;
}

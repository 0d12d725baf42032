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

/* Medians of the upper and lower cluster of u + alpha q, and how narrow they are. */
static tw_status find_clusters(tw_ctx *ctx, tw_reveal__work *w, double *spread) {
    double *const v = w->scratch;
    for (size_t k = 0; k < w->n; k++) {
        v[k] = two_level(w, k);
    }
    tw_sort(w->n, v);
    const double middle = 0.5 * (tw_quantile_sorted(w->n, v, 0.05) + tw_quantile_sorted(w->n, v, 0.95));
    size_t split = 0;
    while (split < w->n && v[split] < middle) {
        split++;
    }
    if (split < 4 || w->n - split < 4) {
        return tw_fail(ctx, TW_BAD_DATA, ROOM, "no switching found: the midpoint does not show two levels");
    }
    w->low = tw_quantile_sorted(split, v, 0.5);
    w->high = tw_quantile_sorted(w->n - split, v + split, 0.5);
    const double low_spread = tw_quantile_sorted(split, v, 0.75) - tw_quantile_sorted(split, v, 0.25);
    const double high_spread =
        tw_quantile_sorted(w->n - split, v + split, 0.75) - tw_quantile_sorted(w->n - split, v + split, 0.25);
    *spread = 0.5 * (low_spread + high_spread) / (w->high - w->low);
    return TW_OK;
}

tw_status tw_reveal__find_levels(tw_ctx *ctx, tw_reveal__work *w) {
    TW_TRY(guess_alpha(ctx, w, &w->alpha));
    double spread;
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

tw_status tw_reveal__classify(tw_ctx *ctx, tw_reveal__work *w) {
    TW_TRY(find_edges(ctx, w));
    const double tolerance = fmax(0.06, 5.0 * w->noise_u / (w->high - w->low));
    for (size_t k = 0; k < w->n; k++) {
        const double m = share(w, k);
        w->level[k] = (uint8_t)(fabs(m) < tolerance         ? LEVEL_LOW
                                : fabs(m - 1.0) < tolerance ? LEVEL_HIGH
                                                            : LEVEL_MOVING);
        if (w->gap[k]) {
            w->level[k] = LEVEL_MOVING;
        }
    }
    /* the start of a swing is gentle: keep away from every move by half a swing and two samples, the move itself being
     * longer than noise, i.e. a change of level */
    const size_t guard = 2 + w->swing_samples / 2;
    uint8_t settled = LEVEL_MOVING;
    size_t since = 0;
    double *const mark = w->scratch; /* 1: too close to an edge */
    for (size_t k = 0; k < w->n; k++) {
        mark[k] = 0;
    }
    for (size_t k = 0; k < w->n; k++) {
        if (w->level[k] == LEVEL_MOVING) {
            continue;
        }
        if (settled != LEVEL_MOVING && w->level[k] != settled) {
            const size_t from = since > guard ? since - guard : 0;
            const size_t to = k + guard < w->n ? k + guard : w->n;
            for (size_t j = from; j < to; j++) {
                mark[j] = 1;
            }
        }
        settled = w->level[k];
        since = k;
    }
    for (size_t k = 0; k < w->n; k++) {
        if (mark[k] > 0) {
            w->level[k] = LEVEL_MOVING;
        }
    }
    return TW_OK;
}

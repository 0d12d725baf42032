/* The cycles laid over each other: averages in equal bins of the period, on the voltage clock. */
#include "reveal_internal.h"

#include <math.h>
#include <string.h>

double tw_reveal__midpoint(const tw_reveal__work *w, const tw_reveal__solution *s, const tw_reveal__calibration *cal,
                           size_t k) {
    return (w->u[k] - cal->offset + cal->alpha * w->q_v[k] - cal->beta * w->i_v[k]) / s->p[P_GAIN];
}

void tw_reveal__fold_dispose(tw_reveal__fold *fold) {
    tw_free(fold->time_s);
    tw_free(fold->u);
    tw_free(fold->i);
    tw_free(fold->q);
    tw_free(fold->v);
    tw_free(fold->count);
    memset(fold, 0, sizeof *fold);
}

/* Bins fine enough for the edges: half a sample where ten cycles interleave, a sample at least. */
size_t tw_reveal__bin_count(const tw_reveal__work *w) {
    const double per = w->period_s / w->interval_s;
    const double wanted = fmin(2.0 * per, fmax(per, (double)w->n / 5.0));
    return (size_t)fmin(fmax(wanted, 48.0), 8192.0);
}

/* Empty bins take the straight line between their neighbours (the period is a ring). */
static void fill_empty(const tw_reveal__fold *f, double *y) {
    for (size_t b = 0; b < f->n; b++) {
        if (f->count[b] > 0) {
            continue;
        }
        size_t before = 1, after = 1;
        while (before < f->n && f->count[(b + f->n - before) % f->n] == 0) {
            before++;
        }
        while (after < f->n && f->count[(b + after) % f->n] == 0) {
            after++;
        }
        const double a = y[(b + f->n - before) % f->n], c = y[(b + after) % f->n];
        y[b] = a + (c - a) * (double)before / (double)(before + after);
    }
}

tw_status tw_reveal__fold_make(tw_ctx *ctx, const tw_reveal__work *w, const tw_reveal__solution *s,
                               const tw_reveal__calibration *cal, tw_reveal__fold *fold) {
    memset(fold, 0, sizeof *fold);
    fold->n = tw_reveal__bin_count(w);
    double **const columns[] = {&fold->time_s, &fold->u, &fold->i, &fold->q, &fold->v, &fold->count};
    for (size_t c = 0; c < sizeof columns / sizeof columns[0]; c++) {
        *columns[c] = tw_alloc(ctx, fold->n, sizeof(double));
        if (*columns[c] == NULL) {
            return TW_NO_MEMORY;
        }
    }
    for (size_t k = 0; k < w->n; k++) {
        if (w->gap[k]) {
            continue;
        }
        const size_t b = (size_t)(tw_reveal__phase(w, k) * (double)fold->n) % fold->n;
        fold->u[b] += w->u[k];
        fold->i[b] += w->i_v[k];
        fold->q[b] += w->q_v[k];
        fold->v[b] += tw_reveal__midpoint(w, s, cal, k);
        fold->count[b] += 1.0;
    }
    for (size_t b = 0; b < fold->n; b++) {
        const double n = fmax(fold->count[b], 1.0);
        fold->time_s[b] = ((double)b + 0.5) / (double)fold->n * w->period_s;
        fold->u[b] /= n;
        fold->i[b] /= n;
        fold->q[b] /= n;
        fold->v[b] /= n;
    }
    fill_empty(fold, fold->u);
    fill_empty(fold, fold->i);
    fill_empty(fold, fold->q);
    fill_empty(fold, fold->v);
    return TW_OK;
}

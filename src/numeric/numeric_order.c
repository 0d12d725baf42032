/* Sorting, median, quantile. The median uses C. A. R. Hoare's selection (Commun. ACM 4 (1961) 321): linear time on
 * average. */
#include "numeric_private.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static int ascending(const void *a, const void *b) {
    const double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

void tw_sort(size_t n, double *x) {
    qsort(x, n, sizeof *x, ascending);
}

double tw_quantile_sorted(size_t n, const double *sorted, double p) {
    const double position = fmin(fmax(p, 0.0), 1.0) * (double)(n - 1);
    const size_t k = (size_t)position;
    if (k + 1 >= n) {
        return sorted[n - 1];
    }
    return sorted[k] + (position - (double)k) * (sorted[k + 1] - sorted[k]);
}

/* Rearranges x so that x[k] is what it would be after sorting, nothing larger before and nothing smaller after it. */
static double select_at(size_t n, double *x, size_t k) {
    size_t low = 0, high = n - 1;
    while (low < high) {
        const double pivot = x[low + (high - low) / 2];
        size_t i = low, j = high;
        for (;;) {
            while (x[i] < pivot) {
                i++;
            }
            while (x[j] > pivot) {
                j--;
            }
            if (i >= j) {
                break;
            }
            const double t = x[i];
            x[i++] = x[j];
            x[j--] = t;
        }
        /* Here x[low .. i-1] <= pivot <= x[j+1 .. high], and i - j is 0 or 1. */
        if (k < i) {
            high = i - 1;
        } else if (k > j) {
            low = j + 1;
        } else {
            break; /* i == j == k: in place */
        }
    }
    return x[k];
}

static double median_of(size_t n, double *x) {
    const double upper = select_at(n, x, n / 2);
    if (n % 2 == 1) {
        return upper;
    }
    double lower = x[0];
    for (size_t i = 1; i < n / 2; i++) {
        lower = fmax(lower, x[i]);
    }
    return lower + (upper - lower) / 2.0;
}

tw_status tw_median_mad(tw_ctx *ctx, size_t n, const double *x, double *median, double *mad) {
    if (n == 0) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "median of no numbers");
    }
    TW_TRY(tw_numeric__check_finite(ctx, n, x, "median"));
    double *work = tw_alloc(ctx, n, sizeof *work);
    if (work == NULL) {
        return TW_NO_MEMORY;
    }
    memcpy(work, x, n * sizeof *work);
    *median = median_of(n, work);
    if (mad != NULL) {
        for (size_t i = 0; i < n; i++) {
            work[i] = fabs(work[i] - *median);
        }
        *mad = median_of(n, work);
    }
    tw_free(work);
    return TW_OK;
}

tw_status tw_median(tw_ctx *ctx, size_t n, const double *x, double *median) {
    return tw_median_mad(ctx, n, x, median, NULL);
}

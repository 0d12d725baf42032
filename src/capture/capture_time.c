/* Time stamps to start and interval.
 *
 * Stamps are what the file shows: rounded to a few digits (long runs of equal values), in steps of 32-bit floats, one
 * of them wrong, rows missing, starting again in every block. The interval is therefore never a difference of two
 * neighbours: a robust slope (median over long windows) finds what is wrong or missing, and a straight line by least
 * squares through all good stamps gives start and interval. With stamps rounded to q and n rows the interval's
 * standard error is about q / n^1.5.
 */
#include "capture_private.h"

#include <math.h>
#include <stdlib.h>

static int compare_doubles(const void *a, const void *b) {
    const double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* Median of up to 1001 slopes over windows of an eighth of the rows. */
static double robust_slope(const double *t, size_t n) {
    enum { MOST = 1001 };
    double slopes[MOST];
    const size_t window = n > 16 ? n / 8 : 1;
    const size_t places = n - window;
    const size_t taken = places < MOST ? places : MOST;
    size_t count = 0;
    for (size_t k = 0; k < taken; k++) {
        const size_t i = taken < 2 ? 0 : k * (places - 1) / (taken - 1);
        const double slope = (t[i + window] - t[i]) / (double)window;
        if (isfinite(slope)) {
            slopes[count++] = slope;
        }
    }
    if (count == 0) {
        return (double)NAN;
    }
    qsort(slopes, count, sizeof slopes[0], compare_doubles);
    return slopes[count / 2];
}

/* Steps between different stamps, sorted, from all over the column. */
enum { MOST_STEPS = 4001 };

static size_t sorted_steps(const double *t, size_t n, double *steps) {
    size_t all = 0, seen = 0, count = 0;
    for (size_t i = 1; i < n; i++) {
        all += t[i] > t[i - 1];
    }
    const size_t stride = all / MOST_STEPS + 1;
    for (size_t i = 1; i < n && count < MOST_STEPS; i++) {
        const double d = t[i] - t[i - 1];
        if (d > 0 && isfinite(d) && seen++ % stride == 0) {
            steps[count++] = d;
        }
    }
    qsort(steps, count, sizeof *steps, compare_doubles);
    return count;
}

/* Several rows share a stamp. */
static bool has_runs(const double *t, size_t n) {
    size_t zeros = 0;
    for (size_t i = 1; i < n; i++) {
        zeros += t[i] == t[i - 1];
    }
    return zeros * 20 > n;
}

bool tw_capture__is_index(const double *t, size_t n) {
    for (size_t i = 1; i < n; i++) {
        if (!(t[i] - t[i - 1] == 1.0)) {
            return false;
        }
    }
    return n > 1 && t[0] == floor(t[0]);
}

/* First row of the next block: where the stamps fall back to about the first one. n where there is none. */
static size_t block_end(const double *t, size_t n) {
    for (size_t i = 4; i < n; i++) { /* a block has four rows at least: less is a disordered column */
        const double span = t[i - 1] - t[0];
        /* below earlier stamps too: else the last ones stand too far ahead */
        if (t[i] < t[i - 1] && t[i] < t[i - (i < 8 ? 2 : 4)] && span > 0 &&
            fabs(t[i] - t[0]) <= 1.01 * span / (double)(i - 1) && (i + 1 >= n || t[i + 1] < t[i - 1])) {
            return i;
        }
    }
    return n;
}

bool tw_capture__looks_like_time(const double *t, size_t n) {
    const size_t all = n;
    n = block_end(t, n);
    if (n < 2 || (n < all && n < 16) || !isfinite(t[0])) {
        return false;
    }
    const double slope = robust_slope(t, n), span = slope * (double)(n - 1);
    if (!(slope > 0)) {
        return false;
    }
    const double grid = has_runs(t, n) ? 20 * slope : 0.3 * slope;
    size_t falling = 0, far = 0, bad = 0, changes = 0;
    for (size_t i = 1; i < n; i++) {
        falling += t[i] < t[i - 1];
        changes += t[i] != t[i - 1];
        bad += isfinite(t[i]) ? 0 : 1;
        far += fabs(t[i] - t[0] - slope * (double)i) > 0.02 * span + grid;
    }
    return falling * 100 <= n && bad * 20 <= n && far * (n < 32 ? n + 1 : 4) <= n && changes >= (n < 3 ? 1U : 2U);
}

/* The first and the last stamp have a neighbour on one side only: wrong beyond doubt where time would fall, or where
 * more rows would be missing than there are. */
static bool mend_end(double *end, double from, double step, size_t n) {
    const double steps = (*end - from) / step;
    if (isfinite(*end) && steps > -0.5 && steps < (double)n + 1.5) {
        return false;
    }
    *end = from + step;
    return true;
}

/* Stamps that stand off while their neighbours agree with each other: at most three next to each other. *first is the
 * row of the first one. */
static size_t mend_stamps(double *t, size_t n, double step, double tolerance, size_t *first) {
    enum { MOST_TOGETHER = 3 };
    size_t mended = 0;
    const bool steady = n > 4 && fabs(t[2] - t[1] - step) <= tolerance && fabs(t[3] - t[2] - step) <= tolerance;
    if (steady && mend_end(&t[0], t[1], -step, n)) {
        *first = 0;
        mended++;
    }
    for (size_t i = 1; i < n; i++) {
        if (fabs(t[i] - t[i - 1] - step) <= tolerance) {
            continue;
        }
        size_t together = 0;
        for (size_t k = 1; k <= MOST_TOGETHER && i + k < n && together == 0; k++) {
            const double across = t[i + k] - t[i - 1];
            together = fabs(across - (double)(k + 1) * step) <= 0.5 * tolerance ? k : 0;
        }
        if (together == 0 && i + 1 == n && n > 4) {
            together = mend_end(&t[i], t[i - 1], step, n) ? 1 : 0;
        } else {
            const double across = together > 0 ? (t[i + together] - t[i - 1]) / (double)(together + 1) : 0;
            const double before = t[i - 1];
            for (size_t k = 0; k < together; k++) {
                t[i + k] = before + (double)(k + 1) * across;
            }
        }
        *first = mended == 0 && together > 0 ? i : *first;
        mended += together;
        i += together;
    }
    return mended;
}

/* Least squares through (k_i, t_i), k_i = i + gaps. Centred sums keep the digits. */
static void fit_line(const double *t, const size_t *shift, size_t n, capture_axis *axis) {
    const double k_mean = 0.5 * (double)(n - 1);
    double s_k = 0, s_t = 0;
    size_t good = 0;
    for (size_t i = 0; i < n; i++) {
        if (isfinite(t[i])) {
            s_k += (double)(i + (shift != NULL ? shift[i] : 0)) - k_mean;
            s_t += t[i] - t[0];
            good++;
        }
    }
    const double km = s_k / (double)good, tm = s_t / (double)good;
    double skk = 0, skt = 0;
    for (size_t i = 0; i < n; i++) {
        if (isfinite(t[i])) {
            const double k = (double)(i + (shift != NULL ? shift[i] : 0)) - k_mean - km;
            skk += k * k;
            skt += k * (t[i] - t[0] - tm);
        }
    }
    axis->step = skt / skk;
    axis->start = t[0] + tm - axis->step * (km + k_mean);
    axis->scatter = 0;
    for (size_t i = 0; i < n; i++) {
        const double k = (double)(i + (shift != NULL ? shift[i] : 0));
        const double off = fabs(t[i] - axis->start - axis->step * k) / axis->step;
        axis->scatter = off > axis->scatter ? off : axis->scatter; /* NaN never is */
    }
}

static tw_status unusable(tw_ctx *ctx, const char *file, size_t first_line, const double *t, size_t n) {
    size_t falling = 0, at = 0;
    for (size_t i = 1; i < n; i++) {
        if (t[i] < t[i - 1]) {
            at = falling == 0 ? i : at;
            falling++;
        }
    }
    if (falling > 0) {
        return tw_capture__fail(
            ctx, TW_BAD_DATA, file, first_line + at,
            "time does not only grow (%zu of %zu steps fall); if this column is not time, say which "
            "one is with --time-column or use --no-time-column",
            falling, n - 1);
    }
    size_t worst = n > 1 ? 1 : 0;
    const double mean = n > 1 ? (t[n - 1] - t[0]) / (double)(n - 1) : 0;
    for (size_t i = 2; i < n; i++) {
        worst = fabs(t[i] - t[i - 1] - mean) > fabs(t[worst] - t[worst - 1] - mean) ? i : worst;
    }
    return tw_capture__fail(
        ctx, TW_BAD_DATA, file, first_line + worst,
        "the samples are not evenly spaced in time; with --no-time-column and --sample-interval the "
        "time column is left out");
}

/* Rows that the stamps say are missing: steps of a whole number of intervals. */
static tw_status fit_with_gaps(tw_ctx *ctx, const char *file, size_t first_line, double *t, size_t n, double slope,
                               double most, capture_axis *axis) {
    size_t *shift = tw_alloc(ctx, n, sizeof *shift);
    if (shift == NULL) {
        return TW_NO_MEMORY;
    }
    bool fine = slope > 0;
    for (int round = 0; round < 3 && fine; round++) {
        size_t missing = 0;
        for (size_t i = 1; i < n && fine; i++) {
            const double steps = (t[i] - t[i - 1]) / slope;
            if (isfinite(steps) && steps > 1.5) {
                fine = steps < 1e9;
                missing += fine ? (size_t)(steps + 0.5) - 1 : 0;
            }
            fine = fine && steps >= -0.5;
            shift[i] = missing;
        }
        fine = fine && missing <= n;
        if (fine) {
            fit_line(t, shift, n, axis);
            slope = axis->step;
            axis->missing = missing;
            fine = axis->step > 0 && (axis->scatter <= most || round < 2);
        }
    }
    tw_free(shift);
    return fine ? TW_OK : unusable(ctx, file, first_line, t, n);
}

static bool falls(const double *t, size_t n) {
    for (size_t i = 1; i < n; i++) {
        if (t[i] < t[i - 1]) {
            return true;
        }
    }
    return false;
}

/* Where the stamps are good, the interval that was meant is a short number and the start is the first stamp: what the
 * printing rounded off is given back. The change is below a hundredth of what could be told from the stamps. */
static void take_round_values(double first, capture_axis *axis) {
    char text[32];
    double round;
    const int n = snprintf(text, sizeof text, "%.5e", axis->step);
    for (int i = 0; i < n; i++) {
        text[i] = (char)(text[i] == ',' ? '.' : text[i]); /* whatever the locale */
    }
    if (tw_parse_number(text, (size_t)n, &round) == (size_t)n && fabs(round - axis->step) < 1e-9 * axis->step) {
        axis->step = round;
    }
    if (axis->scatter < 1e-3) {
        axis->start = first;
    }
}

tw_status tw_capture__fit_axis(tw_ctx *ctx, const char *file, size_t first_line, double *t, size_t n,
                               capture_axis *out) {
    capture_axis axis = {.rows = block_end(t, n), .blocks = 1};
    for (size_t i = axis.rows; i < n;) {
        axis.blocks++;
        i += block_end(t + i, n - i);
    }
    n = axis.rows;
    if (n < 2) {
        return tw_capture__fail(ctx, TW_BAD_DATA, file, first_line, "one sample only; a record needs two at least");
    }
    double slope = robust_slope(t, n);
    if (!(slope > 0) || !isfinite(t[0])) {
        return unusable(ctx, file, first_line, t, n);
    }
    /* Rounded stamps: the resolution may change with the size of the stamp ("%.2e"), so nearly the largest of the steps
     * is taken for it, beyond which a few gaps may lie. */
    double steps[MOST_STEPS];
    const size_t count = sorted_steps(t, n, steps);
    if (count == 0) {
        return unusable(ctx, file, first_line, t, n);
    }
    const bool runs = has_runs(t, n);
    const double grid = runs ? steps[count * 98 / 100] : 0;
    const double usual = runs ? slope : steps[count / 2];
    const double tolerance = runs ? 1.125 * (usual > grid ? usual : grid) : 0.6 * usual;
    axis.index = tw_capture__is_index(t, n);
    axis.wrong = mend_stamps(t, n, usual, 0.5 * usual + grid, &axis.first_wrong);
    if (axis.wrong > 1 + n / 200 || falls(t, n)) {
        return unusable(ctx, file, first_line, t, n);
    }
    fit_line(t, NULL, n, &axis);
    /* Steps of one and two: rows may be missing, or stamps be rounded. The last printed digit is a power of ten and the
     * last bit of a float one of two, so a usual step that is neither was not made by rounding. */
    const double ten = log10(usual), two = log2(usual);
    const bool round_step = fabs(ten - floor(ten + 0.5)) < 1e-4 || fabs(two - floor(two + 0.5)) < 0.01;
    const bool gaps = !runs && !round_step && fabs(axis.step / usual - 1.0) > 2.0 / (double)n && axis.scatter > 0.1;
    if (!(axis.step > 0) || axis.scatter * axis.step > tolerance || gaps) {
        TW_TRY(fit_with_gaps(ctx, file, first_line, t, n, usual, runs ? 0.75 : 0.3, &axis));
    }
    take_round_values(t[0], &axis);
    *out = axis;
    return TW_OK;
}

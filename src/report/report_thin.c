/* Which points of a polyline must stay so that its line looks the same: U. Ramer, "An iterative procedure for the
 * polygonal approximation of plane curves", 1972; D. H. Douglas and T. K. Peucker, "Algorithms for the reduction of the
 * number of points required to represent a digitized line or its caricature", 1973.
 *
 * What stays are points of the curve itself, and what goes lies no further than the tolerance from the line that is
 * drawn. Distances are to the piece of line, not to the line through its ends: a needle narrower than the tolerance
 * keeps its tip.
 *
 * Noise leaves many points above each other that way. Where more than a few lie within a column of the page's pixels,
 * the lowest and the highest paint the same.
 */
#include "report_plot_private.h"

#include <math.h>

/* Squared distance of p from the piece of line a b. */
static double distance_2(double ax, double ay, double bx, double by, double px, double py) {
    const double dx = bx - ax, dy = by - ay, length_2 = dx * dx + dy * dy;
    const double along = length_2 > 0 ? ((px - ax) * dx + (py - ay) * dy) / length_2 : 0;
    const double t = fmin(fmax(along, 0), 1), ex = ax + t * dx - px, ey = ay + t * dy - py;
    return ex * ex + ey * ey;
}

enum { FEW = 2 };

/* Of the points first .. last, which share a column, only the lowest and the highest stay. */
static void keep_extremes(const double *y_pt, size_t first, size_t last, bool *keep) {
    size_t low = first, high = first;
    for (size_t k = first; k <= last; k++) {
        if (keep[k]) {
            low = y_pt[k] < y_pt[low] ? k : low;
            high = y_pt[k] > y_pt[high] ? k : high;
        }
    }
    for (size_t k = first; k <= last; k++) {
        keep[k] = k == low || k == high;
    }
}

void report__thin_columns(const double *x_pt, const double *y_pt, size_t n, double column_pt, bool *keep) {
    size_t first = 0, count = 0, last = 0;
    for (size_t k = 1; k + 1 < n; k++) {
        if (!keep[k]) {
            continue;
        }
        if (count > 0 && floor(x_pt[k] / column_pt) > floor(x_pt[first] / column_pt)) {
            if (count > FEW) {
                keep_extremes(y_pt, first, last, keep);
            }
            count = 0;
        }
        first = count == 0 ? k : first;
        last = k;
        count++;
    }
    if (count > FEW) {
        keep_extremes(y_pt, first, last, keep);
    }
}

void report__thin(const double *x_pt, const double *y_pt, size_t n, double tolerance_pt, bool *keep) {
    size_t ends[REPORT_THIN_MOST], depth = 0; /* right ends that wait, the nearest on top */
    if (n == 0) {
        return;
    }
    for (size_t k = 0; k < n; k++) {
        keep[k] = k == 0 || k == n - 1;
    }
    ends[depth++] = n - 1;
    for (size_t from = 0; depth > 0;) {
        const size_t to = ends[depth - 1];
        size_t furthest = from;
        double most = tolerance_pt * tolerance_pt;
        for (size_t k = from + 1; k < to; k++) {
            const double d = distance_2(x_pt[from], y_pt[from], x_pt[to], y_pt[to], x_pt[k], y_pt[k]);
            if (d > most) {
                most = d;
                furthest = k;
            }
        }
        if (furthest > from) {
            keep[furthest] = true;
            ends[depth++] = furthest;
        } else {
            from = to;
            depth--;
        }
    }
}

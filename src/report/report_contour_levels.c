/* Levels of filled contours. */
#include "report_map_private.h"

#include <math.h>

/* 1, 2, 5 times a power of ten; n counts from 1. */
static double one_two_five(int n) {
    static const double DIGIT[] = {1.0, 2.0, 5.0};
    const int decade = (int)floor(n / 3.0);
    return DIGIT[n - 3 * decade] * pow(10.0, decade);
}

size_t report__contour_levels(double low, double high, double middle, double *levels) {
    enum { GEOMETRIC = 13 };
    size_t count = 0;
    if (low > 0.0 && high > 6.0 * middle) {
        int top = (int)ceil(3.0 * log10(high)) - 2;
        while (one_two_five(top) < high) {
            top++;
        }
        int bottom = top - GEOMETRIC + 1;
        while (bottom + 2 < top && one_two_five(bottom + 1) <= low) {
            bottom++;
        }
        for (int n = bottom; n <= top; n++) {
            levels[count++] = one_two_five(n);
        }
        levels[0] = fmin(levels[0], low); /* the lowest band takes the rest */
        return count;
    }
    const double wanted = fmax((high - low) / 11.0, 1e-9 * fmax(fabs(high), 1e-300));
    const double power = pow(10.0, floor(log10(wanted)));
    const double step = power * (wanted > 5.0 * power ? 10.0 : wanted > 2.0 * power ? 5.0 : wanted > power ? 2.0 : 1.0);
    const double first = floor(low / step);
    for (double k = first; count < REPORT_MOST_LEVELS && (count < 2 || (k - 1.0) * step < high); k++) {
        levels[count++] = k * step;
    }
    return count;
}

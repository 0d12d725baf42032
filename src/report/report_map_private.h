/* Drawings of maps: axes with engineering prefixes, linear or logarithmic, and the colours of verdicts. */
#ifndef TW_REPORT_MAP_PRIVATE_H
#define TW_REPORT_MAP_PRIVATE_H

#include "report_plot_private.h"

/* How values go on the page: times a power of ten, and their logarithm where wanted. */
typedef struct report__scale {
    double factor; /* shown = value * factor */
    bool logarithmic;
    double low, high; /* of the panel's axis: shown, or its logarithm */
    char title[120];  /* "switching frequency (kHz)" */
} report__scale;

/* The prefix that suits the largest size; low and high are the values', with no room added. */
report__scale report__scale_of(const char *label, const char *unit, double low, double high, bool logarithmic);
double report__scaled(const report__scale *scale, double value);
/* The unit with the scale's prefix: "kW". */
void report__scale_unit(const char *unit, const report__scale *scale, char *out, size_t size);

/* The panel's frame with ticks outward, numbers and titles. x_title "" leaves the numbers of x out. */
void report__scale_axes(const report__page *page, const report__panel *panel, const report__scale *x,
                        const report__scale *y, bool x_numbers);

/* Colours of our own beside the shared ones; call at the beginning of a painter. */
void report__verdict_colours(void);
/* Fills with the verdict's tint: lightness falls with severity, so that hue is not needed. */
void report__verdict_pen(tw_commutation verdict);
/* Samples with names of the verdicts that `present` has bits for (1 << verdict). Returns where the row ends. */
double report__verdict_key(const report__page *page, double x_pt, double y_pt, unsigned present);

/* About a dozen levels from at most low to at least high: evenly spaced, or, where the highest towers over the middle
 * of the values, 1, 2, 5, 10 ... below it, the lowest band taking the rest. Returns their number, 2 at least
 * (report_contour_levels.c). */
#define REPORT_MOST_LEVELS 24
size_t report__contour_levels(double low, double high, double middle, double *levels);

/* Over two axes (report_plot_contour.c). */
tw_status report__draw_contour(tw_ctx *ctx, const tw_map *map, report__format_kind format, tw_text *out) TW_MUST_USE;

#endif

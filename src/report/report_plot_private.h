/* Drawing. Coordinates on the page are points (1/72 inch) from the lower left corner. */
#ifndef TW_REPORT_PLOT_PRIVATE_H
#define TW_REPORT_PLOT_PRIVATE_H

#include "report_private.h"

/* ---- the drawing library (report_plot_device.c) ---- */

typedef struct report__page {
    double width_pt, height_pt;
} report__page;

/* Line and text colours: M. Okabe and K. Ito, "Color Universal Design (CUD): how to make figures and presentations that
 * are friendly to colorblind people", 2002, revised 2008 (jfly.uni-koeln.de/color): the eight colours of its palette
 * that read on white. The rest are greys. */
typedef enum report__colour {
    REPORT_WHITE,
    REPORT_BLACK,
    REPORT_ORANGE,
    REPORT_GREEN,
    REPORT_BLUE,
    REPORT_VERMILLION,
    REPORT_PURPLE,
    REPORT_DARK_GREY,
    REPORT_MIDDLE_GREY,
    REPORT_LIGHT_GREY,
    REPORT_COLOUR_COUNT
} report__colour;

typedef enum report__line { REPORT_SOLID, REPORT_DASHED } report__line;

typedef void report__paint_fn(const report__page *page, const void *what);

/* Opens a page, lets `paint` draw on it and appends the finished file's bytes. Whatever goes wrong inside the library
 * comes back as a status. */
tw_status report__device_run(tw_ctx *ctx, report__format_kind format, const report__page *page, report__paint_fn *paint,
                             const void *what, tw_text *out) TW_MUST_USE;

/* The page as a file's bytes (report_plot_page.c); SVG shortened. */
tw_status report__draw_page(tw_ctx *ctx, report__format_kind format, const report__page *page, report__paint_fn *paint,
                            const void *what, tw_text *out) TW_MUST_USE;
/* The form that the file's suffix names. */
tw_status report__choose_format(tw_ctx *ctx, const char *path, report__format_kind *out) TW_MUST_USE;
/* Puts the bytes in place, or adds the path to the error that drawing ended with. */
tw_status report__write_drawing(tw_ctx *ctx, const char *path, tw_status drawn, const tw_text *bytes) TW_MUST_USE;

void report__set_pen(report__colour colour, double width);
void report__set_text(double size_pt, bool bold);

/* ---- a panel: a rectangle with its own axes (report_panel.c) ---- */

typedef struct report__panel {
    double left_pt, right_pt, bottom_pt, top_pt;
    double x_low, x_high, y_low, y_high;
} report__panel;

/* Makes its rectangle and axes the current ones. */
void report__panel_use(const report__page *page, const report__panel *panel);
/* Left and bottom axis with ticks outward; numbers and the title of the time axis only where wanted. */
void report__panel_axes(const report__page *page, const report__panel *panel, const char *y_title, bool x_numbers,
                        const char *x_title);
/* The titles alone. */
void report__panel_titles(const report__page *page, const report__panel *panel, const char *y_title,
                          const char *x_title);
/* A curve in pieces: values that are not finite leave a gap. x in microseconds, from seconds counted from x0_s. */
void report__panel_curve(const report__panel *panel, const double *time_s, const double *values, size_t n, double x0_s,
                         report__colour colour, report__line line);
void report__panel_shade(const report__panel *panel, double begin, double end, report__colour colour);
void report__panel_level(const report__panel *panel, double y);
void report__panel_upright(const report__panel *panel, double x);
/* An open ring with a black rim. */
void report__panel_ring(const report__panel *panel, double x, double y);
/* Text on white from x to the right, its middle at y. report__label_width gives its width in units of x. */
void report__panel_label(const report__panel *panel, double x, double y, const char *text);
double report__label_width(const report__panel *panel, const char *text);
/* A horizontal bracket between two instants with a label above; 16 points of room are needed there. */
void report__panel_bracket(const report__panel *panel, double begin, double end, double y, const char *label);
/* Text on the page. justify: 0 left, 0.5 centre, 1 right. Escapes of the drawing library are defused. */
void report__page_text(const report__page *page, double x_pt, double y_pt, double justify, const char *text);
void report__page_line(const report__page *page, double x0_pt, double x1_pt, double y_pt, report__colour colour,
                       report__line line);

/* Which of n <= REPORT_THIN_MOST points of a line must stay for it to look the same, the ends always (report_thin.c).
 */
#define REPORT_THIN_MOST 1024
void report__thin(const double *x_pt, const double *y_pt, size_t n, double tolerance_pt, bool *keep);
/* Of those, clears keep[] for what stands between the lowest and the highest where a column of the page has many. */
void report__thin_columns(const double *x_pt, const double *y_pt, size_t n, double column_pt, bool *keep);

/* Value of a curve at a time between its points; NaN outside. */
double report__interpolate(const double *time_s, const double *values, size_t n, double at_s);
/* Widens [*low, *high] by the finite values between the times. */
void report__extend_range(const double *time_s, const double *values, size_t n, double from_s, double to_s, double *low,
                          double *high);

/* ---- the edges in detail (report_plot_edges.c) ---- */

void report__paint_edges(const report__page *page, const tw_reading *reading, double bottom_pt, double top_pt);
/* The curve of that key, or NULL. */
const double *report__wave(const tw_reading *reading, const char *key);

#endif

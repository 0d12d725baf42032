/* A panel of a drawing: axes, curves and marks. */
#include "report_plot_private.h"

#include <math.h>
#include <plplot/plplot.h>
#include <string.h>

#define US_PER_S 1e6
#define CURVE_WIDTH 1.5
#define AXIS_WIDTH 0.7
#define DASH_ON_PT 5.5
#define DASH_OFF_PT 3.0
#define NUMBER_PT 8.0
#define CHARACTER_PT 4.8 /* width of a character of that size, on the large side */
#define TITLE_PT 8.5
#define TOLERANCE_PT 0.18        /* a quarter of a CSS pixel; an eighth of a curve's width */
#define DASHED_TOLERANCE_PT 0.35 /* noise would use up the dashes */
#define COLUMN_PT 1.0            /* two thirds of a curve's width */

void report__panel_use(const report__page *page, const report__panel *p) {
    plvpor(p->left_pt / page->width_pt, p->right_pt / page->width_pt, p->bottom_pt / page->height_pt,
           p->top_pt / page->height_pt);
    plwind(p->x_low, p->x_high, p->y_low, p->y_high);
}

static void use_page(const report__page *page) {
    plvpor(0, 1, 0, 1);
    plwind(0, page->width_pt, 0, page->height_pt);
}

void report__page_text(const report__page *page, double x_pt, double y_pt, double justify, const char *text) {
    char safe[600];
    size_t used = 0;
    for (const char *c = text; *c != '\0' && used + 3 < sizeof safe; c++) {
        if (*c == '#') { /* the library's escape sign is doubled to stand for itself */
            safe[used++] = '#';
        }
        safe[used++] = (char)((unsigned char)*c < 0x20 ? ' ' : *c);
    }
    safe[used] = '\0';
    size_t bad;
    for (size_t from = 0; from < used && !tw_utf8_valid(safe + from, used - from, &bad); from += bad + 1) {
        safe[from + bad] = '?';
    }
    use_page(page);
    plptex(x_pt, y_pt, 1, 0, justify, safe);
}

void report__page_line(const report__page *page, double x0_pt, double x1_pt, double y_pt, report__colour colour,
                       report__line line) {
    use_page(page);
    report__set_pen(colour, CURVE_WIDTH);
    const double end_pt = line == REPORT_DASHED ? x0_pt + DASH_ON_PT : x1_pt;
    for (double from_pt = x0_pt; from_pt < x1_pt; from_pt += DASH_ON_PT + DASH_OFF_PT) {
        pljoin(from_pt, y_pt, fmin(from_pt + end_pt - x0_pt, x1_pt), y_pt);
    }
}

void report__panel_axes(const report__page *page, const report__panel *p, const char *y_title, bool x_numbers,
                        const char *x_title) {
    report__panel_use(page, p);
    report__set_pen(REPORT_DARK_GREY, AXIS_WIDTH);
    report__set_text(NUMBER_PT, false);
    plbox(x_numbers ? "bnsti" : "bsti", 0, 0, "bnstiv", 0, 0);
    report__panel_titles(page, p, y_title, x_title);
}

void report__panel_titles(const report__page *page, const report__panel *p, const char *y_title, const char *x_title) {
    report__set_pen(REPORT_BLACK, AXIS_WIDTH);
    report__set_text(TITLE_PT, false);
    use_page(page);
    plptex(p->left_pt - 42, (p->bottom_pt + p->top_pt) / 2, 0, 1, 0.5, y_title);
    plptex((p->left_pt + p->right_pt) / 2, p->bottom_pt - 28, 1, 0, 0.5, x_title);
}

/* Points on the page per unit of the panel's axes. */
static double x_scale(const report__panel *p) {
    return (p->right_pt - p->left_pt) / (p->x_high - p->x_low);
}

static double y_scale(const report__panel *p) {
    return (p->top_pt - p->bottom_pt) / (p->y_high - p->y_low);
}

/* The points of a curve that wait to be thinned, those that wait to be drawn as one line, and how far along its dash
 * the pen is. */
typedef struct pen {
    const report__panel *panel;
    double run_x_pt[REPORT_THIN_MOST], run_y_pt[REPORT_THIN_MOST];
    size_t run;
    double x[512], y[512];
    PLINT used;
    bool dashed;
    double along_pt;
} pen;

static void pen_lift(pen *p) {
    if (p->used > 1) {
        plline(p->used, p->x, p->y);
    }
    p->used = 0;
}

static void pen_put(pen *p, double x_pt, double y_pt) {
    if (p->used == sizeof p->x / sizeof p->x[0]) {
        const double last_x = p->x[p->used - 1], last_y = p->y[p->used - 1];
        pen_lift(p);
        p->x[0] = last_x;
        p->y[0] = last_y;
        p->used = 1;
    }
    p->x[p->used] = p->panel->x_low + x_pt / x_scale(p->panel);
    p->y[p->used++] = p->panel->y_low + y_pt / y_scale(p->panel);
}

/* From one point to the next, lifting between dashes. The library's own dashes would be one path a sample. */
static void pen_move(pen *p, double x0_pt, double y0_pt, double x1_pt, double y1_pt) {
    if (p->used == 0 && (!p->dashed || p->along_pt < DASH_ON_PT)) {
        pen_put(p, x0_pt, y0_pt);
    }
    if (!p->dashed) {
        pen_put(p, x1_pt, y1_pt);
        return;
    }
    const double length_pt = hypot(x1_pt - x0_pt, y1_pt - y0_pt);
    double done_pt = 0;
    while (done_pt < length_pt) {
        const bool down = p->along_pt < DASH_ON_PT;
        const double to_change_pt = (down ? DASH_ON_PT : DASH_ON_PT + DASH_OFF_PT) - p->along_pt;
        const bool changes = to_change_pt <= length_pt - done_pt;
        const double step_pt = changes ? to_change_pt : length_pt - done_pt;
        done_pt = changes ? done_pt + step_pt : length_pt;
        p->along_pt += step_pt;
        const double share = done_pt / length_pt;
        const double x_pt = x0_pt + share * (x1_pt - x0_pt), y_pt = y0_pt + share * (y1_pt - y0_pt);
        if (down) {
            pen_put(p, x_pt, y_pt);
        }
        if (changes && down) {
            pen_lift(p);
            p->along_pt = DASH_ON_PT;
        } else if (changes) {
            p->along_pt = 0;
            pen_put(p, x_pt, y_pt);
        }
    }
}

/* Draws what waits, without the points that nobody would see; the last one begins what comes next. */
static void pen_draw_run(pen *p) {
    bool keep[REPORT_THIN_MOST];
    report__thin(p->run_x_pt, p->run_y_pt, p->run, p->dashed ? DASHED_TOLERANCE_PT : TOLERANCE_PT, keep);
    report__thin_columns(p->run_x_pt, p->run_y_pt, p->run, COLUMN_PT, keep);
    size_t last = 0;
    for (size_t k = 1; k < p->run; k++) {
        if (keep[k]) {
            pen_move(p, p->run_x_pt[last], p->run_y_pt[last], p->run_x_pt[k], p->run_y_pt[k]);
            last = k;
        }
    }
    if (p->run > 0) {
        p->run_x_pt[0] = p->run_x_pt[last];
        p->run_y_pt[0] = p->run_y_pt[last];
        p->run = 1;
    }
}

void report__panel_curve(const report__panel *p, const double *time_s, const double *values, size_t n, double x0_s,
                         report__colour colour, report__line line) {
    pen point = {.panel = p, .dashed = line == REPORT_DASHED};
    report__set_pen(colour, CURVE_WIDTH);
    for (size_t k = 0; k < n; k++) {
        const double x = (time_s[k] - x0_s) * US_PER_S, y = values[k];
        const bool here = isfinite(y) && x >= p->x_low && x <= p->x_high;
        if (here) {
            if (point.run == REPORT_THIN_MOST) {
                pen_draw_run(&point);
            }
            point.run_x_pt[point.run] = (x - p->x_low) * x_scale(p);
            point.run_y_pt[point.run++] = (y - p->y_low) * y_scale(p);
        } else if (point.run > 0) {
            pen_draw_run(&point);
            pen_lift(&point);
            point.run = 0;
            point.along_pt = 0;
        }
    }
    pen_draw_run(&point);
    pen_lift(&point);
}

void report__panel_shade(const report__panel *p, double begin, double end, report__colour colour) {
    const double a = fmax(fmin(begin, end), p->x_low), b = fmin(fmax(begin, end), p->x_high);
    if (a < b) {
        const double x[4] = {a, b, b, a}, y[4] = {p->y_low, p->y_low, p->y_high, p->y_high};
        report__set_pen(colour, 0);
        plfill(4, x, y);
    }
}

void report__panel_level(const report__panel *p, double y) {
    if (y > p->y_low && y < p->y_high) {
        report__set_pen(REPORT_MIDDLE_GREY, 0.5);
        pljoin(p->x_low, y, p->x_high, y);
    }
}

void report__panel_upright(const report__panel *p, double x) {
    if (x >= p->x_low && x <= p->x_high) {
        report__set_pen(REPORT_MIDDLE_GREY, 0.7);
        pljoin(x, p->y_low, x, p->y_high);
    }
}

void report__panel_ring(const report__panel *p, double x, double y) {
    if (x < p->x_low || x > p->x_high || y < p->y_low || y > p->y_high) {
        return;
    }
    enum { CORNERS = 33 };
    double xs[CORNERS], ys[CORNERS];
    for (int k = 0; k < CORNERS; k++) {
        const double a = 2 * TW_PI * k / (CORNERS - 1);
        xs[k] = x + 2.6 * cos(a) / x_scale(p);
        ys[k] = y + 2.6 * sin(a) / y_scale(p);
    }
    report__set_pen(REPORT_WHITE, 0);
    plfill(CORNERS, xs, ys);
    report__set_pen(REPORT_BLACK, 0.9);
    plline(CORNERS, xs, ys);
}

double report__label_width(const report__panel *p, const char *text) {
    return CHARACTER_PT * (double)tw_utf8_count(text, strlen(text)) / x_scale(p);
}

void report__panel_label(const report__panel *p, double x, double y, const char *text) {
    const double width = report__label_width(p, text), half_height = 4.5 / y_scale(p);
    const double xs[4] = {x, x + width, x + width, x},
                 ys[4] = {y - half_height, y - half_height, y + half_height, y + half_height};
    report__set_pen(REPORT_WHITE, 0); /* lines and shades must not cross the text */
    plfill(4, xs, ys);
    report__set_pen(REPORT_BLACK, 0.9);
    report__set_text(NUMBER_PT, false);
    plptex(x + width / 2, y, 1, 0, 0.5, text);
}

void report__panel_bracket(const report__panel *p, double begin, double end, double y, const char *label) {
    const double low = fmin(begin, end), high = fmax(begin, end), half = 3 / y_scale(p);
    if (low < p->x_low || high > p->x_high) {
        return;
    }
    report__set_pen(REPORT_BLACK, 0.9);
    pljoin(low, y, high, y);
    pljoin(low, y - half, low, y + half);
    pljoin(high, y - half, high, y + half);
    if (label[0] == '\0') {
        return;
    }
    /* above the bracket, moved so that it stays on the panel */
    const double half_width = report__label_width(p, label) / 2;
    const double centre = fmin(fmax((low + high) / 2, p->x_low + half_width), p->x_high - half_width);
    report__panel_label(p, centre - half_width, y + 9 / y_scale(p), label);
}

double report__interpolate(const double *time_s, const double *values, size_t n, double at_s) {
    for (size_t k = 1; k < n; k++) {
        if (time_s[k - 1] <= at_s && at_s <= time_s[k]) {
            const double step = time_s[k] - time_s[k - 1];
            const double share = step > 0 ? (at_s - time_s[k - 1]) / step : 0;
            return values[k - 1] + share * (values[k] - values[k - 1]);
        }
    }
    return NAN;
}

void report__extend_range(const double *time_s, const double *values, size_t n, double from_s, double to_s, double *low,
                          double *high) {
    for (size_t k = 0; k < n; k++) {
        if (isfinite(values[k]) && time_s[k] >= from_s && time_s[k] <= to_s) {
            *low = fmin(*low, values[k]);
            *high = fmax(*high, values[k]);
        }
    }
}

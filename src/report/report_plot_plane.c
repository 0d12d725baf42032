/* The state plane: capacitor voltage against coil current times the tank's characteristic impedance, told apart by who
 * conducts, with the gates' edges as rings and the centres that undamped arcs turn about. */
#include "report_map_private.h"

#include <math.h>
#include <plplot/plplot.h>
#include <string.h>

#define US_PER_S 1e6

enum { LEFT_PT = 64, RIGHT_MARGIN_PT = 128, HEAD_PT = 62, AXIS_PT = 42, WIDTH_PT = 560 };

static const struct {
    report__colour colour;
    double width, dash_pt; /* dash 0: solid */
} STYLES[TW_CONDUCTS_COUNT] = {[TW_CONDUCTS_NONE] = {REPORT_BLACK, 1.2, 0.0},
                               [TW_CONDUCTS_HIGH_TRANSISTOR] = {REPORT_BLUE, 2.0, 0.0},
                               [TW_CONDUCTS_HIGH_DIODE] = {REPORT_BLUE, 2.0, 4.0},
                               [TW_CONDUCTS_LOW_TRANSISTOR] = {REPORT_VERMILLION, 2.0, 0.0},
                               [TW_CONDUCTS_LOW_DIODE] = {REPORT_VERMILLION, 2.0, 4.0}};

static double x_pt(const report__panel *p, double x) {
    return p->left_pt + (x - p->x_low) / (p->x_high - p->x_low) * (p->right_pt - p->left_pt);
}

static double y_pt(const report__panel *p, double y) {
    return p->bottom_pt + (y - p->y_low) / (p->y_high - p->y_low) * (p->top_pt - p->bottom_pt);
}

static void set_style(tw_conduction who) {
    report__set_pen(STYLES[who].colour, STYLES[who].width);
}

/* The points of one state in a row, drawn as a line or as dashes by the length on the page. */
static void paint_stretch(const tw_plane *plane, const report__panel *p, size_t first, size_t last) {
    const tw_conduction who = (tw_conduction)plane->conducts[first];
    const double dash = STYLES[who].dash_pt;
    double along = 0.0;
    set_style(who);
    if (dash <= 0.0) {
        plline((PLINT)(last - first + 1), plane->x + first, plane->y + first);
        return;
    }
    for (size_t k = first; k < last; k++) {
        const double length =
            hypot(x_pt(p, plane->x[k + 1]) - x_pt(p, plane->x[k]), y_pt(p, plane->y[k + 1]) - y_pt(p, plane->y[k]));
        if (fmod(along, 1.7 * dash) < dash) {
            pljoin(plane->x[k], plane->y[k], plane->x[k + 1], plane->y[k + 1]);
        }
        along += length;
    }
}

/* An arrowhead on the curve, pointing along it. */
static void paint_arrow(const tw_plane *plane, const report__panel *p, size_t k) {
    const double dx = x_pt(p, plane->x[k + 1]) - x_pt(p, plane->x[k - 1]);
    const double dy = y_pt(p, plane->y[k + 1]) - y_pt(p, plane->y[k - 1]);
    const double length = hypot(dx, dy), ux = dx / length, uy = dy / length;
    const double x_unit = (p->x_high - p->x_low) / (p->right_pt - p->left_pt);
    const double y_unit = (p->y_high - p->y_low) / (p->top_pt - p->bottom_pt);
    if (!(length > 0.0)) {
        return;
    }
    const double xs[3] = {plane->x[k] + 5.0 * ux * x_unit, plane->x[k] + (-4.0 * ux - 3.6 * uy) * x_unit,
                          plane->x[k] + (-4.0 * ux + 3.6 * uy) * x_unit};
    const double ys[3] = {plane->y[k] + 5.0 * uy * y_unit, plane->y[k] + (-4.0 * uy + 3.6 * ux) * y_unit,
                          plane->y[k] + (-4.0 * uy - 3.6 * ux) * y_unit};
    set_style((tw_conduction)plane->conducts[k]);
    plfill(3, xs, ys);
}

static void paint_curve(const tw_plane *plane, const report__panel *p) {
    size_t first = 0;
    for (size_t k = 1; k < plane->n_points; k++) {
        if (plane->conducts[k] == plane->conducts[first] && k + 1 < plane->n_points) {
            continue;
        }
        paint_stretch(plane, p, first, k);
        const double span =
            hypot(x_pt(p, plane->x[k]) - x_pt(p, plane->x[first]), y_pt(p, plane->y[k]) - y_pt(p, plane->y[first]));
        if (span > 60.0) {
            paint_arrow(plane, p, (first + k) / 2);
        }
        first = k;
    }
}

/* The gates' edges: on to off lies close together, so the labels, inside the orbit, give way to each other. */
static void paint_instants(const report__page *page, const tw_plane *plane, const report__panel *p) {
    double label_y[8];
    for (size_t k = 0; k < plane->n_instants; k++) {
        const tw_plane_instant *m = &plane->instants[k];
        const bool right = m->x >= 0.0;
        report__panel_use(page, p);
        report__panel_ring(p, m->x, m->y);
        const double outward = m->y >= 0.0 ? 1.0 : -1.0;
        double at = y_pt(p, m->y);
        for (size_t other = 0; other < k; other++) {
            const bool same_side = (plane->instants[other].x >= 0.0) == right;
            if (same_side && fabs(label_y[other] - at) < 11.0) {
                at = label_y[other] + 11.0 * outward;
            }
        }
        label_y[k] = at;
        report__set_pen(REPORT_BLACK, 0.7);
        report__set_text(8.5, false);
        report__page_text(page, x_pt(p, m->x) + (right ? -8 : 8), at, right ? 1 : 0, m->label);
    }
}

static void paint_centres(const report__page *page, const report__panel *p) {
    for (int side = -1; side <= 1; side += 2) {
        const double arm_x = 4.0 * (p->x_high - p->x_low) / (p->right_pt - p->left_pt);
        const double arm_y = 4.0 * (p->y_high - p->y_low) / (p->top_pt - p->bottom_pt);
        report__panel_use(page, p);
        report__set_pen(REPORT_DARK_GREY, 1.0);
        pljoin(side - arm_x, 0, side + arm_x, 0);
        pljoin(side, -arm_y, side, arm_y);
        report__set_text(8, false);
        report__page_text(page, x_pt(p, side), y_pt(p, 0) - 11, 0.5, side > 0 ? "high rail" : "low rail");
    }
}

static void paint_key(const report__page *page, const tw_plane *plane, const report__panel *p) {
    double at = p->top_pt - 6;
    for (unsigned who = 0; who < TW_CONDUCTS_COUNT; who++) {
        size_t seen = 0;
        while (seen + 1 < plane->n_points && plane->conducts[seen] != who) {
            seen++;
        }
        if (plane->conducts[seen] != who) {
            continue;
        }
        const report__panel key = {p->right_pt + 10, p->right_pt + 34, at - 6, at + 6, 0, 24, -6, 6};
        report__panel_use(page, &key);
        set_style((tw_conduction)who);
        for (double x = 0.0; x<24.0; x += STYLES[who].dash_pt> 0.0 ? 1.7 * STYLES[who].dash_pt : 24.0) {
            pljoin(x, 0, fmin(24.0, x + (STYLES[who].dash_pt > 0.0 ? STYLES[who].dash_pt : 24.0)), 0);
        }
        report__set_pen(REPORT_BLACK, 0.7);
        report__set_text(8.5, false);
        report__page_text(page, p->right_pt + 40, at, 0, tw_conduction_label((tw_conduction)who));
        at -= 15;
    }
    const report__panel key = {p->right_pt + 10, p->right_pt + 34, at - 6, at + 6, 0, 24, -6, 6};
    report__panel_use(page, &key);
    report__panel_ring(&key, 12, 0);
    report__set_pen(REPORT_BLACK, 0.7);
    report__set_text(8.5, false);
    report__page_text(page, p->right_pt + 40, at, 0, "gate edge");
}

static void paint(const report__page *page, const void *what) {
    const tw_plane *plane = what;
    double x_most = 1.15, y_most = 0.0;
    for (size_t k = 0; k < plane->n_points; k++) {
        x_most = fmax(x_most, fabs(plane->x[k]));
        y_most = fmax(y_most, fabs(plane->y[k]));
    }
    /* one unit is as long along both axes: undamped arcs are circles */
    const double width = page->width_pt - LEFT_PT - RIGHT_MARGIN_PT, height = page->height_pt - HEAD_PT - AXIS_PT;
    const double unit = fmin(width / (2.3 * x_most), height / (2.3 * y_most));
    const report__panel p = {LEFT_PT,
                             LEFT_PT + width,
                             AXIS_PT,
                             AXIS_PT + height,
                             -0.5 * width / unit,
                             0.5 * width / unit,
                             -0.5 * height / unit,
                             0.5 * height / unit};
    const report__scale x = {
        .factor = 1.0, .low = p.x_low, .high = p.x_high, .title = "capacitor voltage, AC part / half the rail"};
    const report__scale y = {
        .factor = 1.0, .low = p.y_low, .high = p.y_high, .title = "impedance \u00d7 coil current / half the rail"};
    char half[TW_QUANTITY_TEXT], z0[TW_QUANTITY_TEXT], line[3 * TW_QUANTITY_TEXT], pretty[sizeof line];
    report__set_pen(REPORT_BLACK, 0.7);
    report__set_text(13, true);
    report__page_text(page, 14, page->height_pt - 20, 0, plane->title[0] != '\0' ? plane->title : "Untitled rig");
    report__format_set(plane->half_rail_v, "V", half);
    report__format_set(plane->z0_ohm, "ohm", z0);
    (void)snprintf(line, sizeof line, "State plane of the steady cycle; half the rail %.60s, impedance %.60s", half,
                   z0);
    report__pretty(line, pretty, sizeof pretty);
    report__set_text(8.5, false);
    report__page_text(page, 14, page->height_pt - 37, 0, pretty);
    report__panel_use(page, &p);
    report__panel_level(&p, 0);
    report__panel_upright(&p, 0);
    paint_centres(page, &p);
    report__panel_use(page, &p);
    paint_curve(plane, &p);
    paint_instants(page, plane, &p);
    paint_key(page, plane, &p);
    report__scale_axes(page, &p, &x, &y, true);
}

tw_status tw_report_plot_plane(tw_ctx *ctx, const tw_plane *plane, const char *path) {
    report__format_kind format;
    TW_TRY(report__choose_format(ctx, path, &format));
    if (plane->n_points < 2) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, "report", "there is no cycle to draw");
    }
    const report__page page = {WIDTH_PT, HEAD_PT + AXIS_PT + (WIDTH_PT - LEFT_PT - RIGHT_MARGIN_PT)};
    tw_text bytes;
    tw_text_init(ctx, &bytes, REPORT_DRAWING_LIMIT);
    const tw_status status =
        report__write_drawing(ctx, path, report__draw_page(ctx, format, &page, paint, plane, &bytes), &bytes);
    tw_text_dispose(&bytes);
    return status;
}

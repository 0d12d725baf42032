/* The drawing of coil and pan: the cut through the axis to scale with the current density in the pan, and R and L along
 * gap and frequency. */
#include "report_map_private.h"

#include <math.h>
#include <plplot/plplot.h>
#include <string.h>

#define US_PER_S 1e6 /* report__panel_curve takes its abscissa in seconds and draws microseconds */

enum {
    WIDTH_PT = 620,
    LEFT_PT = 64,
    RIGHT_PT = 92,
    HEAD_PT = 56,
    CURVE_PT = 120,
    GAP_PT = 18,
    AXIS_PT = 40,
    TINTS = 9
};
enum { FIRST_TINT = REPORT_COLOUR_COUNT };

/* Loss falls over many decades: tints are of the density's logarithm down to this share of the largest. */
#define DENSITY_FLOOR 0.01

/* ---- the cross-section ----------------------------------------------------------------------------------- */

/* White to vermillion, darker with density, so that it reads without hue. */
static void density_colours(void) {
    plscmap0n(FIRST_TINT + TINTS);
    for (int k = 0; k < TINTS; k++) {
        const double share = (double)k / (TINTS - 1);
        plscol0(FIRST_TINT + k, (PLINT)(255 - 60 * share), (PLINT)(246 - 190 * share), (PLINT)(236 - 226 * share));
    }
}

static void fill_box(const tw_coil_box *b, double low, double high) {
    const double xs[4] = {low, high, high, low}, ys[4] = {b->z_low_m, b->z_low_m, b->z_high_m, b->z_high_m};
    plfill(4, xs, ys);
}

static void outline(const tw_coil_box *b) {
    const double xs[5] = {b->r_low_m, b->r_high_m, b->r_high_m, b->r_low_m, b->r_low_m};
    const double ys[5] = {b->z_low_m, b->z_low_m, b->z_high_m, b->z_high_m, b->z_low_m};
    plline(5, xs, ys);
}

static double largest(const tw_coil_section *s) {
    double most = 0.0;
    for (size_t k = 0; k < s->n_layers * TW_COIL_SECTION_R * TW_COIL_SECTION_Z; k++) {
        most = fmax(most, s->density_a_m2[k]);
    }
    return most;
}

static void paint_layer(const tw_coil_section *s, size_t layer, double most) {
    const tw_coil_box *b = &s->layers[layer];
    for (size_t i = 0; i < TW_COIL_SECTION_R; i++) {
        for (size_t k = 0; k < TW_COIL_SECTION_Z; k++) {
            const double share = s->density_a_m2[(layer * TW_COIL_SECTION_R + i) * TW_COIL_SECTION_Z + k] / most;
            const double tone = 1.0 - log(fmax(share, DENSITY_FLOOR)) / log(DENSITY_FLOOR);
            const double step = (b->z_high_m - b->z_low_m) / TW_COIL_SECTION_Z;
            const tw_coil_box cell = {0, 0, b->z_low_m + step * (double)k, b->z_low_m + step * (double)(k + 1)};
            plcol0(FIRST_TINT + (int)lrint(tone * (TINTS - 1)));
            fill_box(&cell, s->r_max_m * (double)i / TW_COIL_SECTION_R,
                     s->r_max_m * (double)(i + 1) / TW_COIL_SECTION_R);
        }
    }
    report__set_pen(REPORT_BLACK, 0.8);
    outline(b);
}

static void paint_turns(const tw_coil_section *s) {
    enum { CORNERS = 24 };
    double xs[CORNERS + 1], ys[CORNERS + 1];
    if (s->n_turns == 0) {
        report__set_pen(REPORT_ORANGE, 0.8);
        fill_box(&s->winding, s->winding.r_low_m, s->winding.r_high_m);
        report__set_pen(REPORT_BLACK, 0.8);
        outline(&s->winding);
    }
    for (size_t k = 0; k < s->n_turns; k++) {
        for (int i = 0; i <= CORNERS; i++) {
            xs[i] = s->turn_r_m[k] + s->wire_radius_m * cos(2.0 * TW_PI * i / CORNERS);
            ys[i] = s->turn_z_m[k] + s->wire_radius_m * sin(2.0 * TW_PI * i / CORNERS);
        }
        report__set_pen(REPORT_ORANGE, 0.6);
        plfill(CORNERS, xs, ys);
        report__set_pen(REPORT_BLACK, 0.5);
        plline(CORNERS + 1, xs, ys);
    }
}

static void paint_below(const tw_coil_section *s) {
    if (s->ferrite.r_high_m > 0.0) {
        report__set_pen(REPORT_MIDDLE_GREY, 0.8);
        fill_box(&s->ferrite, s->ferrite.r_low_m, s->ferrite.r_high_m);
    }
    if (s->shield.r_high_m > 0.0) {
        report__set_pen(REPORT_BLUE, 0.8);
        fill_box(&s->shield, s->shield.r_low_m, s->shield.r_high_m);
    }
}

static void label_at(const report__page *page, const report__panel *p, double z_m, const char *text) {
    const double y = p->bottom_pt + (z_m - p->y_low) / (p->y_high - p->y_low) * (p->top_pt - p->bottom_pt);
    report__set_pen(REPORT_BLACK, 0.7);
    report__set_text(8.5, false);
    report__page_text(page, p->right_pt + 8, y, 0, text);
}

/* Names from the top down, pushed apart. */
static void paint_names(const report__page *page, const tw_coil_study *study, const report__panel *p) {
    const tw_coil_section *s = &study->section;
    const double apart = 11.0 * (p->y_high - p->y_low) / (p->top_pt - p->bottom_pt);
    const double winding_z = 0.5 * (s->winding.z_low_m + s->winding.z_high_m);
    double above = winding_z, below = winding_z;
    label_at(page, p, winding_z, "winding");
    for (size_t k = 0; k < s->n_layers; k++) {
        const char *name = study->layers[k].metal[0] != '\0' ? study->layers[k].metal : "layer";
        above = fmax(above + apart, 0.5 * (s->layers[k].z_low_m + s->layers[k].z_high_m));
        label_at(page, p, above, name);
    }
    if (s->ferrite.r_high_m > 0.0) {
        below = fmin(below - apart, 0.5 * (s->ferrite.z_low_m + s->ferrite.z_high_m));
        label_at(page, p, below, "ferrite");
    }
    if (s->shield.r_high_m > 0.0) {
        label_at(page, p, fmin(below - apart, 0.5 * (s->shield.z_low_m + s->shield.z_high_m)), "shield");
    }
}

static void section_range(const tw_coil_section *s, double *low, double *high) {
    *low = s->shield.r_high_m > 0.0 ? s->shield.z_low_m : s->ferrite.r_high_m > 0.0 ? s->ferrite.z_low_m : 0.0;
    *high = s->n_layers > 0 ? s->layers[s->n_layers - 1].z_high_m : s->winding.z_high_m;
    const double room = 0.12 * (*high - *low) + 1e-3;
    *low -= room;
    *high += room;
}

static double section_height_pt(const tw_coil_study *study) {
    double low, high;
    section_range(&study->section, &low, &high);
    return (WIDTH_PT - LEFT_PT - RIGHT_PT) * (high - low) / study->section.r_max_m;
}

static void paint_key(const report__page *page, const tw_coil_study *study, double most, double y_pt) {
    char text[160], peak[TW_QUANTITY_TEXT];
    report__format_set(study->current_peak_a, "A", peak);
    (void)snprintf(text, sizeof text, "current density, peak, at %.60s in the coil:  %.3g", peak,
                   DENSITY_FLOOR * most / 1e6);
    double x = LEFT_PT;
    report__set_pen(REPORT_BLACK, 0.7);
    report__set_text(8.5, false);
    report__page_text(page, x, y_pt, 0, text);
    x += 4.15 * (double)strlen(text) + 8.0;
    plvpor(0, 1, 0, 1);
    plwind(0, page->width_pt, 0, page->height_pt);
    for (int k = 0; k < TINTS; k++) {
        const double xs[4] = {x + 12 * k, x + 12 * (k + 1), x + 12 * (k + 1), x + 12 * k};
        const double ys[4] = {y_pt - 4, y_pt - 4, y_pt + 5, y_pt + 5};
        plcol0(FIRST_TINT + k);
        plfill(4, xs, ys);
    }
    (void)snprintf(text, sizeof text, "%.3g A/mm\302\262", most / 1e6);
    report__set_pen(REPORT_BLACK, 0.7);
    report__page_text(page, x + 12 * TINTS + 6, y_pt, 0, text);
}

static void paint_section(const report__page *page, const tw_coil_study *study, double top_pt) {
    const tw_coil_section *s = &study->section;
    const double most = largest(s);
    double low, high;
    section_range(s, &low, &high);
    const report__panel p = {
        LEFT_PT, page->width_pt - RIGHT_PT, top_pt - section_height_pt(study), top_pt, 0, s->r_max_m, low, high};
    const report__scale r = report__scale_of("radius", "m", 0, s->r_max_m, false);
    const report__panel shown = {p.left_pt, p.right_pt, p.bottom_pt,    p.top_pt,
                                 0,         r.high,     low * r.factor, high * r.factor};
    const report__scale z = {.factor = r.factor, .low = shown.y_low, .high = shown.y_high, .title = "height (mm)"};
    density_colours();
    report__panel_use(page, &p);
    paint_below(s);
    for (size_t k = 0; k < s->n_layers && most > 0.0; k++) {
        paint_layer(s, k, most);
    }
    paint_turns(s);
    report__scale_axes(page, &shown, &r, &z, true);
    paint_names(page, study, &p);
    if (most > 0.0) {
        paint_key(page, study, most, top_pt + 12);
    }
}

/* ---- curves -------------------------------------------------------------------------------------------------- */

typedef struct curve_panel {
    const char *title, *unit;
    const double *values[2];
    const char *names[2];
    report__colour colours[2];
} curve_panel;

static void paint_curve(const report__page *page, const tw_coil_curve *c, const curve_panel *what, double left_pt,
                        double right_pt, double bottom_pt, double here, bool numbers) {
    double low = 0.0, high = 0.0, x_s[256], y[256];
    const size_t n = c->axis.n < 256 ? c->axis.n : 256;
    for (size_t i = 0; i < 2 && what->values[i] != NULL; i++) {
        for (size_t k = 0; k < n; k++) {
            high = fmax(high, what->values[i][k]);
            low = fmin(low, what->values[i][k]);
        }
    }
    report__scale x = report__scale_of(c->axis.label, c->axis.unit, c->axis.values[0], c->axis.values[c->axis.n - 1],
                                       c->axis.logarithmic);
    report__scale scale = report__scale_of(what->title, what->unit, low, high, false);
    scale.high += 0.08 * (scale.high - scale.low);
    const report__panel p = {left_pt, right_pt, bottom_pt, bottom_pt + CURVE_PT, x.low, x.high, scale.low, scale.high};
    report__panel_use(page, &p);
    if (here >= c->axis.values[0] && here <= c->axis.values[c->axis.n - 1]) {
        report__panel_upright(&p, report__scaled(&x, here));
    }
    for (size_t i = 0; i < 2 && what->values[i] != NULL; i++) {
        for (size_t k = 0; k < n; k++) {
            const size_t at = n > 1 ? k * (c->axis.n - 1) / (n - 1) : 0;
            x_s[k] = fmin(fmax(report__scaled(&x, c->axis.values[at]), x.low), x.high) / US_PER_S;
            y[k] = what->values[i][at] * scale.factor;
        }
        report__panel_curve(&p, x_s, y, n, 0, what->colours[i], i == 0 ? REPORT_SOLID : REPORT_DASHED);
    }
    report__scale_axes(page, &p, &x, &scale, numbers);
    report__set_text(8.5, false);
    double name_x = left_pt + 10;
    for (size_t i = 0; i < 2 && what->values[i] != NULL; i++) {
        report__page_line(page, name_x, name_x + 20, bottom_pt + CURVE_PT + 8, what->colours[i],
                          i == 0 ? REPORT_SOLID : REPORT_DASHED);
        report__set_pen(REPORT_BLACK, 0.7);
        report__page_text(page, name_x + 24, bottom_pt + CURVE_PT + 8, 0, what->names[i]);
        name_x += 120;
    }
}

static void paint_curves(const report__page *page, const tw_coil_curve *c, double left_pt, double right_pt,
                         double top_pt, double here) {
    const curve_panel PANELS[] = {
        {"resistance",
         "ohm",
         {c->resistance_ohm, c->winding_resistance_ohm},
         {"R in all", "of the winding"},
         {REPORT_VERMILLION, REPORT_DARK_GREY}},
        {"inductance", "H", {c->inductance_h, NULL}, {"L", NULL}, {REPORT_BLUE, REPORT_BLUE}}};
    for (size_t k = 0; k < 2; k++) {
        const double bottom_pt = top_pt - (double)(k + 1) * CURVE_PT - (double)k * GAP_PT;
        paint_curve(page, c, &PANELS[k], left_pt, right_pt, bottom_pt, here, k == 1);
    }
}

static double curves_height(void) {
    return 2.0 * CURVE_PT + GAP_PT + AXIS_PT;
}

static void paint(const report__page *page, const void *what) {
    const tw_coil_study *study = what;
    char line[200], f[TW_QUANTITY_TEXT], gap[TW_QUANTITY_TEXT];
    report__format_set(study->frequency_hz, "Hz", f);
    report__format_set(study->gap_m, "m", gap);
    (void)snprintf(line, sizeof line, study->has_pan ? "Field of coil and pan at %.60s, gap %.60s" : "Coil at %.60s", f,
                   gap);
    report__set_pen(REPORT_BLACK, 0.7);
    report__set_text(13, true);
    report__page_text(page, 14, page->height_pt - 20, 0, study->title[0] != '\0' ? study->title : "Untitled rig");
    report__set_text(8.5, false);
    report__page_text(page, 14, page->height_pt - 37, 0, line);
    double top_pt = page->height_pt - HEAD_PT;
    if (study->section.r_max_m > 0.0) {
        top_pt -= 20;
        paint_section(page, study, top_pt);
        top_pt -= section_height_pt(study) + AXIS_PT + 18;
    }
    const bool both = study->along_gap.axis.n > 1 && study->along_frequency.axis.n > 1;
    const double middle = 0.5 * WIDTH_PT;
    if (study->along_gap.axis.n > 1) {
        paint_curves(page, &study->along_gap, LEFT_PT, both ? middle - 8 : WIDTH_PT - 24, top_pt, study->gap_m);
    }
    if (study->along_frequency.axis.n > 1) {
        paint_curves(page, &study->along_frequency, both ? middle + 56 : LEFT_PT, WIDTH_PT - 24, top_pt,
                     study->frequency_hz);
    }
}

tw_status tw_report_plot_coil(tw_ctx *ctx, const tw_coil_study *study, const char *path) {
    report__format_kind format;
    TW_TRY(report__choose_format(ctx, path, &format));
    report__page page = {WIDTH_PT, HEAD_PT + curves_height()};
    if (study->section.r_max_m > 0.0) {
        page.height_pt += section_height_pt(study) + AXIS_PT + 38;
    }
    tw_text bytes;
    tw_text_init(ctx, &bytes, REPORT_DRAWING_LIMIT);
    const tw_status drawn = report__draw_page(ctx, format, &page, paint, study, &bytes);
    const tw_status status = report__write_drawing(ctx, path, drawn, &bytes);
    tw_text_dispose(&bytes);
    return status;
}

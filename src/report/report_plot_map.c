/* The drawing of a map along one axis: stacked curves over the verdicts' tints, resonance and target marked. */
#include "report_map_private.h"

#include <math.h>
#include <plplot/plplot.h>
#include <string.h>

#define US_PER_S 1e6 /* report__panel_curve takes its abscissa in seconds and draws microseconds */

enum { LEFT_PT = 64, RIGHT_MARGIN_PT = 112, HEAD_PT = 76, PANEL_GAP_PT = 11, AXIS_PT = 40, MOST_CURVES = 3 };

/* One panel of the stack. */
typedef struct stack_panel {
    const char *title, *unit;
    double height_pt;
    bool only_positive; /* left out where nothing is above 0 */
    struct {
        const char *key, *label;
        report__colour colour;
        report__line line;
    } curves[MOST_CURVES];
} stack_panel;

static const stack_panel STACK[] = {
    {"real power", "W", 132, false, {{"real_power", "real power", REPORT_BLUE, REPORT_SOLID}}},
    {"coil current",
     "A",
     104,
     false,
     {{"coil_current_peak", "peak", REPORT_VERMILLION, REPORT_SOLID},
      {"coil_current_rms", "rms", REPORT_VERMILLION, REPORT_DASHED},
      {"turn_off_current", "turn-off", REPORT_BLACK, REPORT_SOLID}}},
    {"capacitor voltage", "V", 88, false, {{"capacitor_voltage_peak", "peak", REPORT_GREEN, REPORT_SOLID}}},
    {"time",
     "s",
     104,
     false,
     {{"zero_crossing_margin", "crossing margin", REPORT_PURPLE, REPORT_SOLID},
      {"swing_time", "swing", REPORT_BLUE, REPORT_SOLID},
      {"dead_time", "dead time", REPORT_DARK_GREY, REPORT_DASHED}}},
    {"forced energy", "J", 80, true, {{"forced_commutation_energy", "per period", REPORT_VERMILLION, REPORT_SOLID}}},
};
#define N_STACK (sizeof STACK / sizeof STACK[0])

typedef struct sheet {
    const tw_map *map;
    report__scale x;
    double *x_s;                     /* [n]: shown abscissa, for report__panel_curve */
    double *y[N_STACK][MOST_CURVES]; /* [n] or NULL */
    report__scale y_scale[N_STACK];
    bool drawn[N_STACK];
} sheet;

static const double *column_of(const tw_map *map, const char *key) {
    const tw_map_column *column = key != NULL ? tw_map_find_column(map, key) : NULL;
    return column != NULL ? column->values : NULL;
}

/* Extremes of a panel's curves, 0 included. */
static bool panel_range(const tw_map *map, const stack_panel *s, double *low, double *high) {
    bool any = false;
    *low = *high = 0.0;
    for (size_t c = 0; c < MOST_CURVES; c++) {
        const double *values = column_of(map, s->curves[c].key);
        for (size_t k = 0; values != NULL && k < map->n_points; k++) {
            if (isfinite(values[k])) {
                any = true;
                *low = fmin(*low, values[k]);
                *high = fmax(*high, values[k]);
            }
        }
    }
    return any && (!s->only_positive || *high > 0.0);
}

static tw_status prepare_panel(tw_ctx *ctx, size_t index, sheet *s) {
    const stack_panel *panel = &STACK[index];
    double low, high;
    s->drawn[index] = panel_range(s->map, panel, &low, &high);
    if (!s->drawn[index]) {
        return TW_OK;
    }
    if (s->map->has_target && strcmp(s->map->target.key, panel->curves[0].key) == 0) {
        low = fmin(low, s->map->target.value.value);
        high = fmax(high, s->map->target.value.value);
    }
    report__scale *scale = &s->y_scale[index];
    *scale = report__scale_of(panel->title, panel->unit, low, high, false);
    const double room = scale->high > scale->low ? 0.06 * (scale->high - scale->low) : 1.0;
    scale->low -= low < 0.0 ? room : 0.0;
    scale->high += 1.6 * room;
    for (size_t c = 0; c < MOST_CURVES; c++) {
        const double *values = column_of(s->map, panel->curves[c].key);
        if (values == NULL) {
            continue;
        }
        if ((s->y[index][c] = tw_alloc(ctx, s->map->n_points, sizeof(double))) == NULL) {
            return TW_NO_MEMORY;
        }
        for (size_t k = 0; k < s->map->n_points; k++) {
            s->y[index][c][k] = values[k] * scale->factor;
        }
    }
    return TW_OK;
}

static tw_status prepare(tw_ctx *ctx, const tw_map *map, sheet *s) {
    const tw_map_axis *axis = &map->axes[0];
    *s = (sheet){.map = map};
    s->x = report__scale_of(axis->label, axis->unit, axis->values[0], axis->values[axis->n - 1], axis->logarithmic);
    if ((s->x_s = tw_alloc(ctx, axis->n, sizeof(double))) == NULL) {
        return TW_NO_MEMORY;
    }
    for (size_t k = 0; k < axis->n; k++) { /* the ends must not fall out of the panel by rounding */
        s->x_s[k] = fmin(fmax(report__scaled(&s->x, axis->values[k]), s->x.low), s->x.high) / US_PER_S;
    }
    s->x.low = fmin(s->x.low, s->x_s[0] * US_PER_S);
    s->x.high = fmax(s->x.high, s->x_s[axis->n - 1] * US_PER_S);
    tw_status status = TW_OK;
    for (size_t k = 0; k < N_STACK && status == TW_OK; k++) {
        status = prepare_panel(ctx, k, s);
    }
    return status;
}

static void dispose(sheet *s) {
    for (size_t k = 0; k < N_STACK; k++) {
        for (size_t c = 0; c < MOST_CURVES; c++) {
            tw_free(s->y[k][c]);
        }
    }
    tw_free(s->x_s);
}

/* ---- painting ---------------------------------------------------------------------------------------- */

static void fill(const report__panel *p, double begin, double end) {
    const double a = fmax(begin, p->x_low), b = fmin(end, p->x_high);
    const double xs[4] = {a, b, b, a}, ys[4] = {p->y_low, p->y_low, p->y_high, p->y_high};
    if (a < b) {
        plfill(4, xs, ys);
    }
}

static void paint_regions(const sheet *s, const report__panel *p) {
    for (size_t k = 0; k < s->map->n_regions; k++) {
        const tw_plan_region *r = &s->map->regions[k];
        report__verdict_pen(r->verdict);
        fill(p, report__scaled(&s->x, r->from), report__scaled(&s->x, r->to));
    }
    report__set_pen(REPORT_MIDDLE_GREY, 0.5);
    for (size_t k = 1; k < s->map->n_regions; k++) {
        const double x = report__scaled(&s->x, s->map->regions[k].from);
        pljoin(x, p->y_low, x, p->y_high);
    }
}

/* Dashes from the bottom to the top of the panel. */
static void paint_resonance(const sheet *s, const report__panel *p) {
    if (!isfinite(s->map->resonance_at)) {
        return;
    }
    const double x = report__scaled(&s->x, s->map->resonance_at);
    const double dash = 4.0 * (p->y_high - p->y_low) / (p->top_pt - p->bottom_pt);
    report__set_pen(REPORT_BLACK, 0.9);
    for (double y = p->y_low; y < p->y_high; y += 1.8 * dash) {
        pljoin(x, y, x, fmin(y + dash, p->y_high));
    }
}

/* Names of the curves at their right ends, pushed apart. */
static void put_names(const report__page *page, const sheet *s, size_t index, const report__panel *p) {
    const stack_panel *panel = &STACK[index];
    const double apart_pt = 12;
    double at_pt[MOST_CURVES];
    size_t which[MOST_CURVES], n = 0;
    for (size_t c = 0; c < MOST_CURVES; c++) {
        const double *y = s->y[index][c];
        if (y == NULL) {
            continue;
        }
        size_t last = s->map->n_points - 1;
        while (last > 0 && !isfinite(y[last])) {
            last--;
        }
        const double share = isfinite(y[last]) ? (y[last] - p->y_low) / (p->y_high - p->y_low) : 0.5;
        size_t to = n++;
        const double here_pt = p->bottom_pt + share * (p->top_pt - p->bottom_pt);
        for (; to > 0 && at_pt[to - 1] > here_pt; to--) {
            at_pt[to] = at_pt[to - 1];
            which[to] = which[to - 1];
        }
        at_pt[to] = here_pt;
        which[to] = c;
    }
    for (size_t k = 1; k < n; k++) {
        at_pt[k] = fmax(at_pt[k], at_pt[k - 1] + apart_pt);
    }
    const double over_pt = n > 0 ? at_pt[n - 1] - p->top_pt : 0.0;
    for (size_t k = n; over_pt > 0.0 && k-- > 0;) {
        at_pt[k] = fmin(at_pt[k], k + 1 < n ? at_pt[k + 1] - apart_pt : p->top_pt);
    }
    report__set_text(8.5, false);
    for (size_t k = 0; k < n; k++) {
        report__page_line(page, p->right_pt + 6, p->right_pt + 26, at_pt[k], panel->curves[which[k]].colour,
                          panel->curves[which[k]].line);
        report__set_pen(REPORT_BLACK, 0.7);
        report__page_text(page, p->right_pt + 30, at_pt[k], 0, panel->curves[which[k]].label);
    }
}

/* The wanted level and where it is met. */
static void paint_target(const sheet *s, size_t index, const report__panel *p) {
    const tw_map *map = s->map;
    size_t curve = 0;
    while (map->has_target && curve < MOST_CURVES &&
           (STACK[index].curves[curve].key == NULL || strcmp(STACK[index].curves[curve].key, map->target.key) != 0)) {
        curve++;
    }
    if (!map->has_target || curve == MOST_CURVES) {
        return;
    }
    const double y = map->target.value.value * s->y_scale[index].factor;
    report__set_pen(REPORT_BLACK, 0.7);
    pljoin(p->x_low, y, p->x_high, y);
    for (size_t k = 0; k < map->n_solutions; k++) {
        const double x = report__scaled(&s->x, map->solutions[k].at);
        report__panel_ring(p, x, y);
        if (k == map->recommended) {
            char at[TW_QUANTITY_TEXT], pretty[TW_QUANTITY_TEXT];
            report__format(tw_exactly(map->solutions[k].at), map->axes[0].unit, at);
            report__pretty(at, pretty, sizeof pretty);
            const double width = report__label_width(p, pretty),
                         gap = 5.0 * (p->x_high - p->x_low) / (p->right_pt - p->left_pt);
            const double lift = 10.0 * (p->y_high - p->y_low) / (p->top_pt - p->bottom_pt);
            report__panel_label(p, x + gap + width < p->x_high ? x + gap : x - gap - width, y + lift, pretty);
        }
    }
}

static void paint_panel(const report__page *page, const sheet *s, size_t index, double bottom_pt, bool first,
                        bool last) {
    const report__scale *y = &s->y_scale[index];
    const report__panel p = {LEFT_PT,   page->width_pt - RIGHT_MARGIN_PT,
                             bottom_pt, bottom_pt + STACK[index].height_pt,
                             s->x.low,  s->x.high,
                             y->low,    y->high};
    report__panel_use(page, &p);
    paint_regions(s, &p);
    report__panel_level(&p, 0);
    paint_resonance(s, &p);
    for (size_t c = 0; c < MOST_CURVES; c++) {
        if (s->y[index][c] != NULL) {
            report__panel_curve(&p, s->x_s, s->y[index][c], s->map->n_points, 0, STACK[index].curves[c].colour,
                                STACK[index].curves[c].line);
        }
    }
    paint_target(s, index, &p);
    if (first && isfinite(s->map->resonance_at)) {
        char at[TW_QUANTITY_TEXT], label[TW_QUANTITY_TEXT + 16], pretty[sizeof label];
        report__format_set(s->map->resonance_at, s->map->axes[0].unit, at);
        (void)snprintf(label, sizeof label, "resonance %.100s", at);
        report__pretty(label, pretty, sizeof pretty);
        const double share = (report__scaled(&s->x, s->map->resonance_at) - p.x_low) / (p.x_high - p.x_low);
        report__set_text(8.5, false);
        report__set_pen(REPORT_BLACK, 0.7);
        report__page_text(page, fmax(p.left_pt + 45, p.left_pt + share * (p.right_pt - p.left_pt)), p.top_pt + 7, 0.5,
                          pretty);
    }
    report__scale_axes(page, &p, &s->x, y, last);
    put_names(page, s, index, &p);
}

static void paint(const report__page *page, const void *what) {
    const sheet *s = what;
    const tw_map *map = s->map;
    char line[300], text[2][TW_QUANTITY_TEXT], pretty[sizeof line];
    unsigned present = 0;
    report__verdict_colours();
    report__format_set(map->axes[0].values[0], map->axes[0].unit, text[0]);
    report__format_set(map->axes[0].values[map->axes[0].n - 1], map->axes[0].unit, text[1]);
    (void)snprintf(line, sizeof line, "Steady operating point along %s, %.60s to %.60s", map->axes[0].key, text[0],
                   text[1]);
    report__pretty(line, pretty, sizeof pretty);
    report__set_pen(REPORT_BLACK, 0.7);
    report__set_text(13, true);
    report__page_text(page, 14, page->height_pt - 20, 0, map->title[0] != '\0' ? map->title : "Untitled rig");
    report__set_text(8.5, false);
    report__page_text(page, 14, page->height_pt - 37, 0, pretty);
    for (size_t k = 0; k < map->n_regions; k++) {
        present |= 1u << map->regions[k].verdict;
    }
    report__verdict_key(page, 14, page->height_pt - 52, present);
    size_t last = N_STACK;
    while (last > 0 && !s->drawn[last - 1]) {
        last--;
    }
    double top_pt = page->height_pt - HEAD_PT;
    bool first = true;
    for (size_t k = 0; k < last; k++) {
        if (s->drawn[k]) {
            top_pt -= STACK[k].height_pt;
            paint_panel(page, s, k, top_pt, first, k + 1 == last);
            top_pt -= PANEL_GAP_PT;
            first = false;
        }
    }
}

static tw_status draw_line(tw_ctx *ctx, const tw_map *map, report__format_kind format, tw_text *out) {
    sheet s;
    report__page page = {560, HEAD_PT + AXIS_PT - PANEL_GAP_PT};
    tw_status status = prepare(ctx, map, &s);
    for (size_t k = 0; k < N_STACK; k++) {
        page.height_pt += s.drawn[k] ? STACK[k].height_pt + PANEL_GAP_PT : 0;
    }
    if (status == TW_OK && !s.drawn[0]) {
        status = tw_fail(ctx, TW_BAD_ARGUMENT, "report", "no point of the map has a solution that could be drawn");
    }
    if (status == TW_OK) {
        status = report__draw_page(ctx, format, &page, paint, &s, out);
    }
    dispose(&s);
    return status;
}

tw_status tw_report_plot_map(tw_ctx *ctx, const tw_map *map, const char *path) {
    report__format_kind format;
    TW_TRY(report__choose_format(ctx, path, &format));
    for (size_t a = 0; a < map->n_axes; a++) {
        if (map->axes[a].n < 2) {
            return tw_fail(ctx, TW_BAD_ARGUMENT, "report", "a drawing needs two points at least along %s",
                           map->axes[a].key);
        }
    }
    tw_text bytes;
    tw_text_init(ctx, &bytes, REPORT_DRAWING_LIMIT);
    const tw_status drawn =
        map->n_axes == 1 ? draw_line(ctx, map, format, &bytes) : report__draw_contour(ctx, map, format, &bytes);
    const tw_status status = report__write_drawing(ctx, path, drawn, &bytes);
    tw_text_dispose(&bytes);
    return status;
}

/* The two commutations in detail: midpoint voltage over coil current, the swing shaded, the margin bracketed. */
#include "report_plot_private.h"

#include <math.h>
#include <plplot/plplot.h>
#include <string.h>

#define US_PER_S 1e6

const double *report__wave(const tw_reading *reading, const char *key) {
    for (size_t k = 0; k < reading->n_waves; k++) {
        if (strcmp(reading->waves[k].key, key) == 0) {
            return reading->waves[k].values;
        }
    }
    return NULL;
}

/* What is known about one commutation. Times are on the reading's axis; NaN where there is none. */
typedef struct commutation {
    double turn_off_s, swing_end_s, zero_s, closing_s;
} commutation;

static bool about(double a_s, double b_s, double span_s) {
    return fabs(a_s - b_s) < 1e-6 * span_s;
}

/* The first commutation of that direction with room on the axis before and after it. */
static bool find_commutation(const tw_reading *r, bool rising, commutation *out) {
    const double *midpoint = report__wave(r, "midpoint_voltage");
    const double first_s = r->time_s[0], last_s = r->time_s[r->n_points - 1], span_s = last_s - first_s;
    for (size_t k = 0; k < r->n_marks && midpoint != NULL; k++) {
        const tw_mark *swing = &r->marks[k];
        const double begin_v = report__interpolate(r->time_s, midpoint, r->n_points, swing->begin_s);
        const double end_v = report__interpolate(r->time_s, midpoint, r->n_points, swing->end_s);
        if (swing->kind != TW_MARK_SWING || !((end_v > begin_v) == rising)) {
            continue;
        }
        commutation c = {swing->begin_s, swing->end_s, NAN, NAN};
        for (size_t j = 0; j < r->n_marks; j++) {
            const tw_mark *m = &r->marks[j];
            if (m->kind == TW_MARK_MARGIN && about(m->begin_s, swing->end_s, span_s)) {
                c.zero_s = m->end_s;
            } else if ((rising ? m->kind == TW_MARK_HIGH_GATE : m->kind == TW_MARK_LOW_GATE) &&
                       m->begin_s > c.turn_off_s - 1e-6 * span_s &&
                       !(m->begin_s - c.turn_off_s > c.closing_s - c.turn_off_s)) {
                c.closing_s = m->begin_s;
            }
        }
        const double low_s = fmin(c.turn_off_s, isnan(c.zero_s) ? INFINITY : c.zero_s);
        const double high_s = fmax(c.swing_end_s, isnan(c.zero_s) ? -INFINITY : c.zero_s);
        const double room_s = 0.15 * (high_s - low_s);
        if (low_s - room_s >= first_s && high_s + room_s <= last_s) {
            *out = c;
            return true;
        }
    }
    return false;
}

/* Where the other gate closes its switch. */
static void put_closing(const report__panel *p, double x, double y) {
    static const char LABEL[] = "other gate on";
    const double points = (p->right_pt - p->left_pt) / (p->x_high - p->x_low);
    const double gap = 3 / points, width = 4.8 * (double)strlen(LABEL) / points;
    report__set_pen(REPORT_BLACK, 0.7);
    pljoin(x, p->y_low, x, p->y_high - 0.25 * (p->y_high - p->y_low));
    report__set_text(8, false);
    const bool right = x + gap + width < p->x_high;
    plptex(x + (right ? gap : -gap), y, 1, 0, right ? 0 : 1, LABEL);
}

static void paint_column(const report__page *page, const tw_reading *r, const tw_reading_edge *edge,
                         const commutation *c, const report__panel *area) {
    const double *midpoint = report__wave(r, "midpoint_voltage"), *current = report__wave(r, "coil_current");
    double begin_s = c->turn_off_s, end_s = c->swing_end_s;
    const double instants[2] = {c->zero_s, c->closing_s};
    for (size_t k = 0; k < 2; k++) {
        if (isfinite(instants[k])) {
            begin_s = fmin(begin_s, instants[k]);
            end_s = fmax(end_s, instants[k]);
        }
    }
    const double pad_s = 0.22 * (end_s - begin_s);
    begin_s = fmax(begin_s - pad_s, r->time_s[0]);
    end_s = fmin(end_s + pad_s, r->time_s[r->n_points - 1]);
    const double middle_pt = (area->bottom_pt + area->top_pt) / 2;
    const double x_low = (begin_s - c->turn_off_s) * US_PER_S, x_high = (end_s - c->turn_off_s) * US_PER_S;
    const double swing = (c->swing_end_s - c->turn_off_s) * US_PER_S, zero = (c->zero_s - c->turn_off_s) * US_PER_S;
    char value[TW_QUANTITY_TEXT], pretty[TW_QUANTITY_TEXT], label[TW_QUANTITY_TEXT + 16];

    double low = 0, high = 0;
    report__extend_range(r->time_s, midpoint, r->n_points, begin_s, end_s, &low, &high);
    double room = 0.08 * (high - low);
    const report__panel above = {area->left_pt, area->right_pt, middle_pt + 4, area->top_pt,
                                 x_low,         x_high,         low - room,    high + 4 * room};
    report__panel_use(page, &above);
    report__panel_shade(&above, 0, swing, REPORT_LIGHT_GREY);
    report__panel_upright(&above, zero);
    report__panel_curve(&above, r->time_s, midpoint, r->n_points, c->turn_off_s, REPORT_BLUE, REPORT_SOLID);
    if (isfinite(c->closing_s)) {
        put_closing(&above, (c->closing_s - c->turn_off_s) * US_PER_S, high / 2);
    }
    report__format_short(report__edge_value(edge, "swing_time"), "s", value);
    report__pretty(value, pretty, sizeof pretty);
    (void)snprintf(label, sizeof label, "swing %s", pretty);
    report__panel_bracket(&above, 0, swing, high + 1.2 * room, label);
    report__panel_axes(page, &above, "midpoint (V)", false, "");

    low = high = 0;
    report__extend_range(r->time_s, current, r->n_points, begin_s, end_s, &low, &high);
    room = 0.08 * (high - low);
    const report__panel below = {area->left_pt, area->right_pt, area->bottom_pt,  middle_pt - 4,
                                 x_low,         x_high,         low - 1.5 * room, high + 4 * room};
    report__panel_use(page, &below);
    report__panel_shade(&below, 0, swing, REPORT_LIGHT_GREY);
    report__panel_level(&below, 0);
    report__panel_upright(&below, zero);
    report__panel_curve(&below, r->time_s, current, r->n_points, c->turn_off_s, REPORT_VERMILLION, REPORT_SOLID);
    if (isfinite(zero)) {
        report__panel_ring(&below, zero, 0);
        report__format_short(report__edge_value(edge, "zero_crossing_margin"), "s", value);
        report__pretty(value, pretty, sizeof pretty);
        (void)snprintf(label, sizeof label, "margin %s", pretty);
        report__panel_bracket(&below, swing, zero, high + 1.2 * room, label);
    }
    report__panel_axes(page, &below, "current (A)", true, "time after turn-off (\u00b5s)");

    (void)snprintf(label, sizeof label, "%s edge: %s", edge->name[0] == 'f' ? "Falling" : "Rising",
                   report__verdict_name(edge->verdict));
    report__set_text(9, true);
    report__set_pen(REPORT_BLACK, 0.7);
    report__page_text(page, area->left_pt, area->top_pt + 9, 0, label);
}

void report__paint_edges(const report__page *page, const tw_reading *reading, double bottom_pt, double top_pt) {
    if (report__wave(reading, "coil_current") == NULL) {
        return;
    }
    const double gap_pt = 62, left_pt = 58, right_pt = page->width_pt - 14;
    const double width_pt = (right_pt - left_pt - gap_pt) / 2;
    for (size_t e = 0; e < 2; e++) {
        commutation c;
        if (find_commutation(reading, e == 1, &c)) {
            const double x_pt = left_pt + (double)e * (width_pt + gap_pt);
            const report__panel area = {x_pt, x_pt + width_pt, bottom_pt, top_pt, 0, 1, 0, 1};
            paint_column(page, reading, &reading->edges[e], &c, &area);
        }
    }
}

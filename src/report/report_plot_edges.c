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
    const double gap = 3 * (p->x_high - p->x_low) / (p->right_pt - p->left_pt), width = report__label_width(p, LABEL);
    report__set_pen(REPORT_BLACK, 0.7);
    pljoin(x, p->y_low, x, p->y_high - 0.25 * (p->y_high - p->y_low));
    report__panel_label(p, x + gap + width < p->x_high ? x + gap : x - gap - width, y, LABEL);
}

/* Microseconds after turn-off. */
static double after(const commutation *c, double time_s) {
    return (time_s - c->turn_off_s) * US_PER_S;
}

/* "NAME value" for a bracket. */
static void bracket_label(const tw_reading_edge *edge, const char *name, const char *key, char *out, size_t size) {
    char value[TW_QUANTITY_TEXT], pretty[TW_QUANTITY_TEXT];
    report__format_sentence(report__edge_value(edge, key), "s", REPORT_NEAREST, value);
    report__pretty(value, pretty, sizeof pretty);
    (void)snprintf(out, size, "%s %s", name, pretty);
}

/* A panel of the column with its range, the swing shaded and the zero crossing's line. */
static report__panel begin_panel(const report__page *page, const tw_reading *r, const commutation *c,
                                 const report__panel *area, const double *values) {
    double low = 0, high = 0;
    report__extend_range(r->time_s, values, r->n_points, c->turn_off_s + area->x_low / US_PER_S,
                         c->turn_off_s + area->x_high / US_PER_S, &low, &high);
    report__panel p = *area;
    const double room = high > low ? high - low : 1;
    p.y_low = low - 0.1 * room;
    p.y_high = high + 0.32 * room;
    report__panel_use(page, &p);
    report__panel_shade(&p, 0, after(c, c->swing_end_s), REPORT_LIGHT_GREY);
    report__panel_upright(&p, after(c, c->zero_s));
    return p;
}

/* Where a bracket stands. */
static double bracket_level(const report__panel *p) {
    return p->y_low + 0.84 * (p->y_high - p->y_low);
}

static void paint_column(const report__page *page, const tw_reading *r, const tw_reading_edge *edge,
                         const commutation *c, report__panel area) {
    double begin_s = c->turn_off_s, end_s = c->swing_end_s;
    const double instants[2] = {c->zero_s, c->closing_s}, middle_pt = (area.bottom_pt + area.top_pt) / 2;
    for (size_t k = 0; k < 2; k++) {
        if (isfinite(instants[k])) {
            begin_s = fmin(begin_s, instants[k]);
            end_s = fmax(end_s, instants[k]);
        }
    }
    const double pad_s = 0.22 * (end_s - begin_s), swing = after(c, c->swing_end_s), zero = after(c, c->zero_s);
    area.x_low = after(c, fmax(begin_s - pad_s, r->time_s[0]));
    area.x_high = after(c, fmin(end_s + pad_s, r->time_s[r->n_points - 1]));
    char label[TW_QUANTITY_TEXT + 16];
    (void)snprintf(label, sizeof label, "%s edge: %s", edge->name[0] == 'f' ? "Falling" : "Rising",
                   report__verdict_name(edge->verdict));
    report__set_text(9, true);
    report__set_pen(REPORT_BLACK, 0.7);
    report__page_text(page, area.left_pt, area.top_pt + 10, 0, label);

    report__panel half = area;
    half.bottom_pt = middle_pt + 4;
    report__panel p = begin_panel(page, r, c, &half, report__wave(r, "midpoint_voltage"));
    report__panel_curve(&p, r->time_s, report__wave(r, "midpoint_voltage"), r->n_points, c->turn_off_s, REPORT_BLUE,
                        REPORT_SOLID);
    if (isfinite(c->closing_s)) {
        put_closing(&p, after(c, c->closing_s), 0.45 * p.y_high);
    }
    bracket_label(edge, "swing", "swing_time", label, sizeof label);
    report__panel_bracket(&p, 0, swing, bracket_level(&p), label);
    report__panel_axes(page, &p, "midpoint (V)", false, "");

    half = area;
    half.top_pt = middle_pt - 4;
    p = begin_panel(page, r, c, &half, report__wave(r, "coil_current"));
    report__panel_level(&p, 0);
    report__panel_curve(&p, r->time_s, report__wave(r, "coil_current"), r->n_points, c->turn_off_s, REPORT_VERMILLION,
                        REPORT_SOLID);
    if (isfinite(zero)) {
        report__panel_ring(&p, zero, 0);
        bracket_label(edge, "margin", "zero_crossing_margin", label, sizeof label);
        report__panel_bracket(&p, swing, zero, bracket_level(&p), label);
    }
    report__panel_axes(page, &p, "current (A)", true, "time after turn-off (\u00b5s)");
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
            paint_column(page, reading, &reading->edges[e], &c, area);
        }
    }
}

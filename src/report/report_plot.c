/* The drawing of a reading: panels over two periods, then the two commutations in detail. */
#include "report_plot_private.h"

#include <math.h>
#include <plplot/plplot.h>
#include <string.h>

#define US_PER_S 1e6

/* One panel of the stack and its curves. */
typedef struct stack_panel {
    const char *title;
    double height_pt;
    bool brackets; /* zero crossings and margins are marked here */
    struct {
        const char *key, *label;
        report__colour colour;
        report__line line;
    } curves[2];
} stack_panel;

static const stack_panel STACK[] = {
    {"voltage (V)",
     122,
     false,
     {{"midpoint_voltage", "midpoint", REPORT_BLUE, REPORT_SOLID},
      {"coil_voltage", "coil", REPORT_ORANGE, REPORT_DASHED}}},
    {"current (A)", 112, true, {{"coil_current", "coil", REPORT_VERMILLION, REPORT_SOLID}}},
    {"voltage (V)", 76, false, {{"capacitor_voltage", "capacitor", REPORT_GREEN, REPORT_SOLID}}},
    {"current (A)",
     88,
     false,
     {{"high_device_current", "high device", REPORT_BLUE, REPORT_SOLID},
      {"low_device_current", "low device", REPORT_PURPLE, REPORT_DASHED}}},
};
#define N_STACK (sizeof STACK / sizeof STACK[0])

enum {
    LEFT_PT = 58,
    RIGHT_MARGIN_PT = 96,
    HEAD_PT = 66,
    PANEL_GAP_PT = 10,
    GATES_PT = 34,
    AXIS_PT = 38,
    EDGES_HEAD_PT = 26,
    EDGES_PT = 168
};

static bool has_gates(const tw_reading *r) {
    for (size_t k = 0; k < r->n_marks; k++) {
        if (r->marks[k].kind == TW_MARK_HIGH_GATE || r->marks[k].kind == TW_MARK_LOW_GATE) {
            return true;
        }
    }
    return false;
}

static double microseconds(const tw_reading *r, double time_s) {
    return (time_s - r->time_s[0]) * US_PER_S;
}

/* Names beside the right ends of the curves, each with a piece of its line, pushed apart where they would collide. */
static void put_names(const report__page *page, const tw_reading *r, const stack_panel *s, const report__panel *p) {
    double at_pt[2];
    size_t n = 0, which[2];
    for (size_t c = 0; c < 2 && s->curves[c].key != NULL; c++) {
        const double *values = report__wave(r, s->curves[c].key);
        if (values == NULL) {
            continue;
        }
        const double last = values[r->n_points - 1];
        const double share = isfinite(last) ? (last - p->y_low) / (p->y_high - p->y_low) : 0.5;
        which[n] = c;
        at_pt[n++] = p->bottom_pt + share * (p->top_pt - p->bottom_pt);
    }
    const double apart_pt = 12;
    if (n == 2 && fabs(at_pt[0] - at_pt[1]) < apart_pt) {
        const double middle = (at_pt[0] + at_pt[1]) / 2, up = at_pt[0] >= at_pt[1] ? 1 : -1;
        at_pt[0] = middle + up * apart_pt / 2;
        at_pt[1] = middle - up * apart_pt / 2;
    }
    report__set_text(8.5, false);
    for (size_t k = 0; k < n; k++) {
        report__page_line(page, p->right_pt + 5, p->right_pt + 25, at_pt[k], s->curves[which[k]].colour,
                          s->curves[which[k]].line);
        report__set_pen(REPORT_BLACK, 0.7);
        report__page_text(page, p->right_pt + 29, at_pt[k], 0, s->curves[which[k]].label);
    }
}

/* "margin 1.21 us" with the digits of the edge that this margin belongs to. */
static void margin_label(const tw_reading *r, double margin_s, char *out, size_t size) {
    tw_value nearest = tw_exactly(margin_s);
    double distance = INFINITY;
    for (size_t e = 0; e < 2; e++) {
        const tw_value v = report__edge_value(&r->edges[e], "zero_crossing_margin");
        if (fabs(v.value - margin_s) < distance) {
            nearest = v;
            distance = fabs(v.value - margin_s);
        }
    }
    char value[TW_QUANTITY_TEXT], pretty[TW_QUANTITY_TEXT];
    report__format_sentence(nearest, "s", REPORT_NEAREST, value);
    report__pretty(value, pretty, sizeof pretty);
    (void)snprintf(out, size, "margin %s", pretty);
}

static void put_brackets(const tw_reading *r, const report__panel *p, double y) {
    size_t labelled = 0;
    for (size_t k = 0; k < r->n_marks; k++) {
        const tw_mark *m = &r->marks[k];
        if (m->kind == TW_MARK_ZERO_CROSSING) {
            report__panel_ring(p, microseconds(r, m->begin_s), 0);
        } else if (m->kind == TW_MARK_MARGIN) {
            char label[TW_QUANTITY_TEXT + 16] = "";
            if (labelled++ == 0) {
                margin_label(r, m->end_s - m->begin_s, label, sizeof label);
            }
            report__panel_bracket(p, microseconds(r, m->begin_s), microseconds(r, m->end_s), y, label);
        }
    }
}

/* What the shade and the rings mean. */
static void put_mark_names(const report__page *page, const report__panel *p) {
    const double y_pt = p->top_pt - 8, x_pt = p->right_pt + 5;
    const report__panel key = {x_pt, x_pt + 20, y_pt - 24, y_pt + 6, 0, 20, -24, 6};
    report__panel_use(page, &key);
    const double xs[4] = {0, 20, 20, 0}, ys[4] = {-5, -5, 5, 5};
    report__set_pen(REPORT_LIGHT_GREY, 0);
    plfill(4, xs, ys);
    report__panel_ring(&key, 10, -15);
    report__set_pen(REPORT_BLACK, 0.7);
    report__set_text(8.5, false);
    report__page_text(page, x_pt + 24, y_pt, 0, "swing");
    report__page_text(page, x_pt + 24, y_pt - 15, 0, "zero crossing");
}

static void paint_stack_panel(const report__page *page, const tw_reading *r, const stack_panel *s, double bottom_pt,
                              const char *x_title) {
    double low = 0, high = 0;
    for (size_t c = 0; c < 2 && s->curves[c].key != NULL; c++) {
        const double *values = report__wave(r, s->curves[c].key);
        if (values != NULL) {
            report__extend_range(r->time_s, values, r->n_points, -INFINITY, INFINITY, &low, &high);
        }
    }
    const double room = high > low ? 0.07 * (high - low) : 1;
    const report__panel p = {LEFT_PT,    page->width_pt - RIGHT_MARGIN_PT,
                             bottom_pt,  bottom_pt + s->height_pt,
                             0,          microseconds(r, r->time_s[r->n_points - 1]),
                             low - room, high + (s->brackets ? 4 : 1) * room};
    report__panel_use(page, &p);
    for (size_t k = 0; k < r->n_marks; k++) {
        if (r->marks[k].kind == TW_MARK_SWING) {
            report__panel_shade(&p, microseconds(r, r->marks[k].begin_s), microseconds(r, r->marks[k].end_s),
                                REPORT_LIGHT_GREY);
        }
    }
    report__panel_level(&p, 0);
    for (size_t k = 0; k < r->n_marks; k++) {
        if (r->marks[k].kind == TW_MARK_ZERO_CROSSING) {
            report__panel_upright(&p, microseconds(r, r->marks[k].begin_s));
        }
    }
    for (size_t c = 0; c < 2 && s->curves[c].key != NULL; c++) {
        const double *values = report__wave(r, s->curves[c].key);
        if (values != NULL) {
            report__panel_curve(&p, r->time_s, values, r->n_points, r->time_s[0], s->curves[c].colour,
                                s->curves[c].line);
        }
    }
    if (s->brackets) {
        put_brackets(r, &p, high + 1.5 * room);
    }
    report__panel_axes(page, &p, s->title, x_title[0] != '\0', x_title);
    put_names(page, r, s, &p);
    if (s->brackets) {
        put_mark_names(page, &p);
    }
}

static void paint_gates(const report__page *page, const tw_reading *r, double bottom_pt) {
    const report__panel p = {LEFT_PT,   page->width_pt - RIGHT_MARGIN_PT,
                             bottom_pt, bottom_pt + GATES_PT,
                             0,         microseconds(r, r->time_s[r->n_points - 1]),
                             0,         2};
    report__panel_use(page, &p);
    for (size_t k = 0; k < r->n_marks; k++) {
        const tw_mark *m = &r->marks[k];
        if (m->kind == TW_MARK_HIGH_GATE || m->kind == TW_MARK_LOW_GATE) {
            const double a = microseconds(r, m->begin_s), b = microseconds(r, m->end_s);
            const double y = m->kind == TW_MARK_HIGH_GATE ? 1.2 : 0.2;
            const double xs[4] = {a, b, b, a}, ys[4] = {y, y, y + 0.6, y + 0.6};
            report__set_pen(m->kind == TW_MARK_HIGH_GATE ? REPORT_BLUE : REPORT_PURPLE, 0);
            plfill(4, xs, ys);
        }
    }
    report__set_pen(REPORT_DARK_GREY, 0.7);
    report__set_text(8, false);
    plbox("bnsti", 0, 0, "b", 0, 0);
    report__set_pen(REPORT_BLACK, 0.7);
    report__set_text(8.5, false);
    report__panel_titles(page, &p, "", "time (\u00b5s)");
    report__page_text(page, p.left_pt - 6, bottom_pt + 0.75 * GATES_PT, 1, "high");
    report__page_text(page, p.left_pt - 6, bottom_pt + 0.25 * GATES_PT, 1, "low");
    report__page_text(page, p.right_pt + 5, bottom_pt + 0.5 * GATES_PT, 0, "gate on");
}

typedef struct sheet {
    const tw_reading *reading;
    const char *verdict;
    bool gates;
} sheet;

/* Text broken into lines of at most some 100 characters. */
static void put_wrapped(const report__page *page, double x_pt, double y_pt, const char *text) {
    enum { MOST = 100 };
    char line[4 * MOST + 1];
    while (*text != '\0') {
        size_t n = 0, cut = 0, characters = 0;
        for (; text[n] != '\0' && n < sizeof line - 1 && characters <= MOST; n++) {
            cut = text[n] == ' ' ? n : cut;
            characters += ((unsigned char)text[n] & 0xC0u) != 0x80u ? 1 : 0;
        }
        n = text[n] != '\0' && cut > 0 ? cut : n;
        memcpy(line, text, n);
        line[n] = '\0';
        report__page_text(page, x_pt, y_pt, 0, line);
        y_pt -= 12;
        text += n + strspn(text + n, " ");
    }
}

static void paint(const report__page *page, const void *what) {
    const sheet *s = what;
    const tw_reading *r = s->reading;
    report__set_pen(REPORT_BLACK, 0.7);
    report__set_text(13, true);
    report__page_text(page, 14, page->height_pt - 20, 0, r->title[0] != '\0' ? r->title : "Untitled rig");
    report__set_text(8.5, false);
    put_wrapped(page, 14, page->height_pt - 37, s->verdict);
    double top_pt = page->height_pt - HEAD_PT;
    for (size_t k = 0; k < N_STACK; k++) {
        top_pt -= STACK[k].height_pt;
        paint_stack_panel(page, r, &STACK[k], top_pt, k + 1 == N_STACK && !s->gates ? "time (\u00b5s)" : "");
        top_pt -= k + 1 < N_STACK || s->gates ? PANEL_GAP_PT : 0;
    }
    if (s->gates) {
        top_pt -= GATES_PT;
        paint_gates(page, r, top_pt);
    }
    top_pt -= AXIS_PT + EDGES_HEAD_PT;
    report__paint_edges(page, r, top_pt - EDGES_PT, top_pt);
}

tw_status report__draw(tw_ctx *ctx, const tw_reading *reading, report__format_kind format, tw_text *out) {
    if (reading->n_points < 2 || report__wave(reading, "coil_current") == NULL ||
        !(reading->time_s[reading->n_points - 1] > reading->time_s[0])) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, "report", "there are no waveforms to draw");
    }
    tw_text verdict;
    tw_text_init(ctx, &verdict, 1000);
    tw_status status = tw_report_verdict(ctx, reading, &verdict);
    if (status == TW_OK) {
        char pretty[1000];
        report__pretty(tw_text_string(&verdict), pretty, sizeof pretty);
        const sheet s = {reading, pretty, has_gates(reading)};
        double height_pt = HEAD_PT + AXIS_PT + EDGES_HEAD_PT + EDGES_PT + AXIS_PT;
        for (size_t k = 0; k < N_STACK; k++) {
            height_pt += STACK[k].height_pt + (k + 1 < N_STACK ? PANEL_GAP_PT : 0);
        }
        const report__page page = {560, height_pt + (s.gates ? PANEL_GAP_PT + GATES_PT : 0)};
        status = report__draw_page(ctx, format, &page, paint, &s, out);
    }
    tw_text_dispose(&verdict);
    return status;
}

tw_status tw_report_plot(tw_ctx *ctx, const tw_reading *reading, const char *path) {
    report__format_kind format;
    TW_TRY(report__choose_format(ctx, path, &format));
    tw_text bytes;
    tw_text_init(ctx, &bytes, REPORT_DRAWING_LIMIT);
    const tw_status status = report__write_drawing(ctx, path, report__draw(ctx, reading, format, &bytes), &bytes);
    tw_text_dispose(&bytes);
    return status;
}

tw_status tw_report_plot_svg(tw_ctx *ctx, const tw_reading *reading, tw_text *out) {
    const size_t before = out->length;
    tw_text bytes;
    tw_text_init(ctx, &bytes, REPORT_DRAWING_LIMIT);
    tw_status status = report__draw(ctx, reading, REPORT_SVG, &bytes);
    if (status == TW_OK) {
        const char *start = strstr(bytes.data, "<svg ");
        if (start == NULL) {
            status = tw_fail(ctx, TW_INTERNAL, "report", "the plotting library wrote no SVG");
        } else {
            tw_text_add(out,
                        "<svg role=\"img\" aria-label=\"waveforms over two periods and the two edges in detail\" ");
            tw_text_append(out, start + 5, bytes.length - (size_t)(start + 5 - bytes.data));
            status = out->status;
        }
    }
    if (status != TW_OK) {
        tw_text_cut(out, before);
    }
    tw_text_dispose(&bytes);
    return status;
}

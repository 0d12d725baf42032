/* The drawing of a rehearsal: both channels as stored, volts against time, each over its full suggested range. */
#include "report_plot_private.h"

#include <math.h>

#define PERIODS 4.0
#define US_PER_S 1e6

enum { LEFT_PT = 58, RIGHT_MARGIN_PT = 96, HEAD_PT = 58, PANEL_PT = 150, PANEL_GAP_PT = 14, AXIS_PT = 40 };

typedef struct sheet {
    const tw_rehearsal *rehearsal;
    double *time_s, *values; /* [n] */
    size_t n;
} sheet;

static void paint_channel(const report__page *page, const sheet *s, double bottom_pt, const char *name,
                          const double *stored_v, double range_v, report__colour colour, bool last) {
    const double half_v = range_v / 2;
    const report__panel p = {LEFT_PT, page->width_pt - RIGHT_MARGIN_PT, bottom_pt,      bottom_pt + PANEL_PT,
                             0,       s->time_s[s->n - 1] * US_PER_S,   -1.04 * half_v, 1.04 * half_v};
    report__panel_use(page, &p);
    for (int level = -1; level <= 1; level++) {
        report__panel_level(&p, level * half_v);
    }
    for (size_t k = 0; k < s->n; k++) { /* beyond the range a screen shows its edge */
        s->values[k] = isinf(stored_v[k]) ? copysign(half_v, stored_v[k]) : stored_v[k];
    }
    report__panel_curve(&p, s->time_s, s->values, s->n, 0, colour, REPORT_SOLID);
    report__panel_axes(page, &p, "recorded (V)", last, last ? "time (\u00b5s)" : "");
    report__set_text(8.5, false);
    report__page_line(page, p.right_pt + 5, p.right_pt + 25, bottom_pt + PANEL_PT / 2.0, colour, REPORT_SOLID);
    report__set_pen(REPORT_BLACK, 0.7);
    report__page_text(page, p.right_pt + 29, bottom_pt + PANEL_PT / 2.0, 0, name);
    for (int k = 0; k < 2; k++) {
        char limit[TW_QUANTITY_TEXT], label[TW_QUANTITY_TEXT + 8], pretty[TW_QUANTITY_TEXT + 16];
        report__format_set(k == 0 ? half_v : -half_v, "V", limit);
        (void)snprintf(label, sizeof label, "limit %s", limit);
        report__pretty(label, pretty, sizeof pretty);
        report__page_text(page, p.right_pt + 5, bottom_pt + PANEL_PT * (k == 0 ? 0.98 : 0.02), 0, pretty);
    }
}

static void paint(const report__page *page, const void *what) {
    const sheet *s = what;
    const tw_rehearsal *r = s->rehearsal;
    char range[2][TW_QUANTITY_TEXT], interval[TW_QUANTITY_TEXT], line[4 * TW_QUANTITY_TEXT], pretty[sizeof line];
    report__format_set(r->current_range_v, "V", range[0]);
    report__format_set(r->voltage_range_v, "V", range[1]);
    report__format_set(r->interval_s, "s", interval);
    (void)snprintf(line, sizeof line, "Full range %s for the current, %s for the voltage; a sample every %s", range[0],
                   range[1], interval);
    report__pretty(line, pretty, sizeof pretty);
    report__set_pen(REPORT_BLACK, 0.7);
    report__set_text(13, true);
    report__page_text(page, 14, page->height_pt - 20, 0, "What the recorder will store");
    report__set_text(8.5, false);
    report__page_text(page, 14, page->height_pt - 37, 0, pretty);
    const double upper_pt = page->height_pt - HEAD_PT - PANEL_PT;
    paint_channel(page, s, upper_pt, "current", r->current_v, r->current_range_v, REPORT_VERMILLION, false);
    paint_channel(page, s, upper_pt - PANEL_GAP_PT - PANEL_PT, "voltage", r->voltage_v, r->voltage_range_v, REPORT_BLUE,
                  true);
}

tw_status tw_report_plot_rehearsal(tw_ctx *ctx, const tw_rehearsal *rehearsal, const char *path) {
    report__format_kind format;
    TW_TRY(report__choose_format(ctx, path, &format));
    if (rehearsal->samples < 2 || !(rehearsal->interval_s > 0) || !(rehearsal->current_range_v > 0) ||
        !(rehearsal->voltage_range_v > 0)) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, "report", "there is no rehearsed record to draw");
    }
    const double wanted = ceil(PERIODS * rehearsal->period_s / rehearsal->interval_s) + 1;
    sheet s = {.rehearsal = rehearsal, .n = rehearsal->samples};
    if (wanted >= 2 && wanted < (double)s.n) {
        s.n = (size_t)wanted;
    }
    s.time_s = tw_alloc(ctx, 2 * s.n, sizeof(double));
    if (s.time_s == NULL) {
        return TW_NO_MEMORY;
    }
    s.values = s.time_s + s.n;
    for (size_t k = 0; k < s.n; k++) {
        s.time_s[k] = rehearsal->interval_s * (double)k;
    }
    const report__page page = {560, HEAD_PT + 2 * PANEL_PT + PANEL_GAP_PT + AXIS_PT};
    tw_text bytes;
    tw_text_init(ctx, &bytes, REPORT_DRAWING_LIMIT);
    const tw_status status =
        report__write_drawing(ctx, path, report__draw_page(ctx, format, &page, paint, &s, &bytes), &bytes);
    tw_text_dispose(&bytes);
    tw_free(s.time_s);
    return status;
}

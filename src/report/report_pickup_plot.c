/* The drawing of a current pick-up: ratio error above, phase error below, over the logarithm of the frequency, with the
 * switching frequency and its harmonics' range marked. */
#include "report_map_private.h"

#include <math.h>

#define US_PER_S 1e6 /* report__panel_curve takes its abscissa in seconds and draws microseconds */

enum { LEFT_PT = 62, RIGHT_MARGIN_PT = 22, HEAD_PT = 62, PANEL_PT = 150, PANEL_GAP_PT = 16, AXIS_PT = 42 };

typedef struct sheet {
    const tw_pickup_plan *plan;
    double *x_s, *ratio_percent; /* [n_points] */
    report__scale x;
} sheet;

static void paint_panel(const report__page *page, const sheet *s, double bottom_pt, const char *title, const char *unit,
                        const double *values, report__colour colour, bool last) {
    const tw_pickup_plan *plan = s->plan;
    double low = 0, high = 0;
    for (size_t k = 0; k < plan->n_points; k++) {
        low = fmin(low, values[k]);
        high = fmax(high, values[k]);
    }
    const double room = high > low ? 0.06 * (high - low) : 1e-9;
    report__scale y = report__scale_of(title, unit, low - room, high + room, false);
    const report__panel p = {
        LEFT_PT, page->width_pt - RIGHT_MARGIN_PT, bottom_pt, bottom_pt + PANEL_PT, s->x.low, s->x.high, y.low, y.high};
    report__panel_use(page, &p);
    report__panel_level(&p, 0);
    report__panel_upright(&p, report__scaled(&s->x, plan->marked_hz));
    report__panel_curve(&p, s->x_s, values, plan->n_points, 0, colour, REPORT_SOLID);
    report__scale_axes(page, &p, &s->x, &y, last);
    report__panel_use(page, &p);
    char text[2 * TW_QUANTITY_TEXT], value[TW_QUANTITY_TEXT];
    const tw_field *f = tw_pickup_plan_field(plan, unit[0] == '\0' ? "ratio_error" : "phase_error");
    const double at = f != NULL ? f->value.value * (unit[0] == '\0' ? 100 : 1) : (double)NAN;
    report__format_sentence(tw_exactly(at), unit, REPORT_NEAREST, value);
    (void)snprintf(text, sizeof text, "%.100s%s here", value, unit[0] == '\0' ? " %" : "");
    char pretty[sizeof text + 16];
    report__pretty(text, pretty, sizeof pretty);
    const double x = report__scaled(&s->x, plan->marked_hz);
    report__panel_ring(&p, x, at);
    report__panel_label(&p, x + 0.02 * (p.x_high - p.x_low),
                        at > (low + high) / 2 ? at - 0.1 * (high - low) : at + 0.1 * (high - low), pretty);
}

static void paint(const report__page *page, const void *what) {
    const sheet *s = what;
    char frequency[TW_QUANTITY_TEXT], line[2 * TW_QUANTITY_TEXT], pretty[sizeof line + 16];
    report__format_set(s->plan->marked_hz, "Hz", frequency);
    (void)snprintf(line, sizeof line,
                   "Against its nominal scale; positive phase leads. The line marks the switching frequency, %.60s",
                   frequency);
    report__pretty(line, pretty, sizeof pretty);
    report__set_pen(REPORT_BLACK, 0.7);
    report__set_text(13, true);
    report__page_text(page, 14, page->height_pt - 20, 0,
                      s->plan->current_kind == TW_CURRENT_PICKUP_ROGOWSKI
                          ? "Errors of the Rogowski coil with its integrator"
                          : "Errors of the current transformer");
    report__set_text(8.5, false);
    report__page_text(page, 14, page->height_pt - 37, 0, pretty);
    const double upper_pt = page->height_pt - HEAD_PT - PANEL_PT;
    paint_panel(page, s, upper_pt, "ratio error (%)", "", s->ratio_percent, REPORT_BLUE, false);
    paint_panel(page, s, upper_pt - PANEL_GAP_PT - PANEL_PT, "phase error", "deg", s->plan->phase_error_deg,
                REPORT_VERMILLION, true);
}

tw_status tw_report_plot_pickup(tw_ctx *ctx, const tw_pickup_plan *plan, const char *path) {
    report__format_kind format;
    TW_TRY(report__choose_format(ctx, path, &format));
    if (plan->n_points < 2) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, "report", "there is no current pick-up whose errors could be drawn");
    }
    sheet s = {.plan = plan};
    if ((s.x_s = tw_alloc(ctx, 2 * plan->n_points, sizeof(double))) == NULL) {
        return TW_NO_MEMORY;
    }
    s.ratio_percent = s.x_s + plan->n_points;
    s.x = report__scale_of("frequency", "Hz", plan->frequency_hz[0], plan->marked_hz, true); /* its prefix */
    s.x.high = report__scaled(&s.x, plan->frequency_hz[plan->n_points - 1]);
    for (size_t k = 0; k < plan->n_points; k++) { /* the ends must not fall out of the panel by rounding */
        s.x_s[k] = fmin(fmax(report__scaled(&s.x, plan->frequency_hz[k]), s.x.low), s.x.high) / US_PER_S;
        s.ratio_percent[k] = 100 * plan->ratio_error[k];
    }
    s.x.low = fmin(s.x.low, s.x_s[0] * US_PER_S);
    s.x.high = fmax(s.x.high, s.x_s[plan->n_points - 1] * US_PER_S);
    const report__page page = {560, HEAD_PT + 2 * PANEL_PT + PANEL_GAP_PT + AXIS_PT};
    tw_text bytes;
    tw_text_init(ctx, &bytes, REPORT_DRAWING_LIMIT);
    const tw_status status =
        report__write_drawing(ctx, path, report__draw_page(ctx, format, &page, paint, &s, &bytes), &bytes);
    tw_text_dispose(&bytes);
    tw_free(s.x_s);
    return status;
}

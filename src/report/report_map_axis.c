/* Axes of maps and the colours of verdicts. Ticks stand at 1, 2 or 5 times a power of ten of the shown value, or on a
 * logarithmic axis over more than most of a decade at whole multiples of powers of ten. */
#include "report_map_private.h"

#include <math.h>
#include <plplot/plplot.h>
#include <string.h>

#define TICK_PT 3.5
#define NUMBER_PT 8.0
#define TITLE_PT 8.5
#define AXIS_WIDTH 0.7

enum { FIRST_TINT = REPORT_COLOUR_COUNT, MOST_TICKS = 60 };

/* ---- scales ------------------------------------------------------------------------------------------ */

static int prefix_exponent(double size) {
    if (!(size > 0.0) || !isfinite(size)) {
        return 0;
    }
    const int exponent = 3 * (int)floor(log10(size * (1.0 + 1e-9)) / 3.0);
    return exponent < -15 ? -15 : exponent > 12 ? 12 : exponent;
}

static const char *prefix_of(int exponent) {
    static const char *const PREFIXES[] = {"f", "p", "n", "\u00b5", "m", "", "k", "M", "G", "T"};
    return PREFIXES[(exponent + 15) / 3];
}

void report__scale_unit(const char *unit, const report__scale *scale, char *out, size_t size) {
    const int exponent = (int)lrint(-log10(scale->factor));
    (void)snprintf(out, size, "%s%s", prefix_of(exponent), strcmp(unit, "ohm") == 0 ? "\u03a9" : unit);
}

report__scale report__scale_of(const char *label, const char *unit, double low, double high, bool logarithmic) {
    const bool plain = unit[0] == '\0' || strcmp(unit, "deg") == 0;
    report__scale s = {.logarithmic = logarithmic};
    char shown[40];
    s.factor = plain ? 1.0 : pow(10.0, -prefix_exponent(fmax(fabs(low), fabs(high))));
    s.low = report__scaled(&s, low);
    s.high = report__scaled(&s, high);
    report__scale_unit(unit, &s, shown, sizeof shown);
    (void)snprintf(s.title, sizeof s.title, unit[0] == '\0' ? "%s" : "%s (%s)", label,
                   strcmp(unit, "deg") == 0 ? "\u00b0" : shown);
    return s;
}

double report__scaled(const report__scale *scale, double value) {
    return scale->logarithmic ? log10(value * scale->factor) : value * scale->factor;
}

/* ---- ticks ------------------------------------------------------------------------------------------- */

typedef struct tick {
    double at, shown; /* on the panel's axis; its number */
} tick;

static size_t linear_ticks(double low, double high, double room, tick *ticks) {
    const double wanted = (high - low) / fmax(room, 1.0);
    const double power = pow(10.0, floor(log10(wanted)));
    const double step = power * (wanted > 5.0 * power ? 10.0 : wanted > 2.0 * power ? 5.0 : wanted > power ? 2.0 : 1.0);
    size_t n = 0;
    for (double k = ceil(low / step - 1e-6); k * step <= high + 1e-6 * step && n < MOST_TICKS; k++) {
        ticks[n++] = (tick){k * step, k * step};
    }
    return n;
}

static size_t log_ticks(double low, double high, double room, tick *ticks) {
    size_t n = 0;
    if (high - low < 0.7) { /* less than a factor of five: a linear axis's numbers, spaced by their logarithms */
        n = linear_ticks(pow(10.0, low), pow(10.0, high), room, ticks);
    } else {
        static const int FINE[] = {1, 2, 3, 5, 7}, COARSE[] = {1, 2, 5}, DECADES[] = {1};
        const double per_decade = room / (high - low);
        const int *multiples = per_decade > 6.0 ? FINE : per_decade > 3.0 ? COARSE : DECADES;
        const size_t count = per_decade > 6.0 ? 5 : per_decade > 3.0 ? 3 : 1;
        for (double decade = floor(low); decade <= high; decade++) {
            for (size_t k = 0; k < count && n < MOST_TICKS; k++) {
                const double shown = multiples[k] * pow(10.0, decade);
                if (log10(shown) >= low - 1e-9 && log10(shown) <= high + 1e-9) {
                    ticks[n++] = (tick){shown, shown};
                }
            }
        }
    }
    for (size_t k = 0; k < n; k++) {
        ticks[k].at = log10(ticks[k].shown);
    }
    return n;
}

static size_t find_ticks(const report__scale *s, double low, double high, double room, tick *ticks) {
    return s->logarithmic ? log_ticks(low, high, room, ticks) : linear_ticks(low, high, room, ticks);
}

static void put_number(const tick *t, double span, char *out, size_t size) {
    char plain[40];
    const double shown = fabs(t->shown) < 1e-9 * span ? 0.0 : t->shown;
    (void)snprintf(plain, sizeof plain, "%.6g", shown);
    report__pretty(plain, out, size);
}

/* A line in page points. */
static void page_stroke(const report__page *page, double x0, double y0, double x1, double y1) {
    plvpor(0, 1, 0, 1);
    plwind(0, page->width_pt, 0, page->height_pt);
    pljoin(x0, y0, x1, y1);
}

static void x_axis(const report__page *page, const report__panel *p, const report__scale *x, bool numbers) {
    tick ticks[MOST_TICKS];
    const size_t n = find_ticks(x, p->x_low, p->x_high, (p->right_pt - p->left_pt) / 44.0, ticks);
    for (size_t k = 0; k < n; k++) {
        const double at_pt =
            p->left_pt + (ticks[k].at - p->x_low) / (p->x_high - p->x_low) * (p->right_pt - p->left_pt);
        report__set_pen(REPORT_DARK_GREY, AXIS_WIDTH);
        page_stroke(page, at_pt, p->bottom_pt, at_pt, p->bottom_pt - TICK_PT);
        if (numbers) {
            char text[60];
            put_number(&ticks[k], x->logarithmic ? 0.0 : p->x_high - p->x_low, text, sizeof text);
            report__set_text(NUMBER_PT, false);
            report__page_text(page, at_pt, p->bottom_pt - 10, 0.5, text);
        }
    }
}

static void y_axis(const report__page *page, const report__panel *p, const report__scale *y) {
    tick ticks[MOST_TICKS];
    const size_t n = find_ticks(y, p->y_low, p->y_high,
                                (p->top_pt - p->bottom_pt) / (p->top_pt - p->bottom_pt > 200 ? 28.0 : 17.0), ticks);
    for (size_t k = 0; k < n; k++) {
        const double at_pt =
            p->bottom_pt + (ticks[k].at - p->y_low) / (p->y_high - p->y_low) * (p->top_pt - p->bottom_pt);
        char text[60];
        put_number(&ticks[k], y->logarithmic ? 0.0 : p->y_high - p->y_low, text, sizeof text);
        report__set_pen(REPORT_DARK_GREY, AXIS_WIDTH);
        page_stroke(page, p->left_pt - TICK_PT, at_pt, p->left_pt, at_pt);
        report__set_text(NUMBER_PT, false);
        report__page_text(page, p->left_pt - TICK_PT - 3, at_pt, 1, text);
    }
}

void report__scale_axes(const report__page *page, const report__panel *p, const report__scale *x,
                        const report__scale *y, bool x_numbers) {
    report__set_pen(REPORT_DARK_GREY, AXIS_WIDTH);
    page_stroke(page, p->left_pt, p->bottom_pt, p->right_pt, p->bottom_pt);
    page_stroke(page, p->left_pt, p->bottom_pt, p->left_pt, p->top_pt);
    x_axis(page, p, x, x_numbers);
    y_axis(page, p, y);
    report__panel_titles(page, p, y->title, x_numbers ? x->title : "");
}

/* ---- verdicts ---------------------------------------------------------------------------------------- */

static const struct {
    tw_commutation verdict;
    PLINT red, green, blue;
} TINTS[] = {{TW_COMMUTATION_FULL_ZVS, 239, 247, 252},
             {TW_COMMUTATION_REBOUND, 252, 240, 196},
             {TW_COMMUTATION_PARTIAL_ZVS, 248, 214, 160},
             {TW_COMMUTATION_HARD, 223, 190, 176},
             {TW_COMMUTATION_UNKNOWN, 255, 255, 255}};
#define N_TINTS (sizeof TINTS / sizeof TINTS[0])

void report__verdict_colours(void) {
    plscmap0n(FIRST_TINT + (PLINT)N_TINTS);
    for (size_t k = 0; k < N_TINTS; k++) {
        plscol0(FIRST_TINT + (PLINT)k, TINTS[k].red, TINTS[k].green, TINTS[k].blue);
    }
}

void report__verdict_pen(tw_commutation verdict) {
    for (size_t k = 0; k < N_TINTS; k++) {
        if (TINTS[k].verdict == verdict) {
            plcol0(FIRST_TINT + (PLINT)k);
        }
    }
}

double report__verdict_key(const report__page *page, double x_pt, double y_pt, unsigned present) {
    for (size_t k = 0; k < N_TINTS; k++) {
        if (!(present >> TINTS[k].verdict & 1u)) {
            continue;
        }
        const char *name =
            TINTS[k].verdict == TW_COMMUTATION_UNKNOWN ? "no solution" : report__verdict_name(TINTS[k].verdict);
        const double xs[5] = {x_pt, x_pt + 16, x_pt + 16, x_pt, x_pt},
                     ys[5] = {y_pt - 5, y_pt - 5, y_pt + 5, y_pt + 5, y_pt - 5};
        plvpor(0, 1, 0, 1);
        plwind(0, page->width_pt, 0, page->height_pt);
        report__verdict_pen(TINTS[k].verdict);
        plfill(4, xs, ys);
        report__set_pen(REPORT_MIDDLE_GREY, 0.5);
        plline(5, xs, ys);
        report__set_pen(REPORT_BLACK, 0.7);
        report__set_text(TITLE_PT, false);
        report__page_text(page, x_pt + 20, y_pt, 0, name);
        x_pt += 34 + 4.6 * (double)strlen(name);
    }
    return x_pt;
}

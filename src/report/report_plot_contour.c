/* The drawing of a map over two axes: filled contours of the real power with labelled lines, the border of full ZVS,
 * hatching where the commutation is not soft, the resonance.
 *
 * The border runs where the dead time meets the window of soft dead times; between two points it is placed where that
 * distance, linear between them, is zero, and half way where one of the two has no window at all. */
#include "report_map_private.h"

#include <math.h>
#include <plplot/plplot.h>
#include <stdlib.h>
#include <string.h>

enum {
    LEFT_PT = 64,
    RIGHT_MARGIN_PT = 96,
    HEAD_PT = 82,
    AXIS_PT = 40,
    PLOT_PT = 350,
    BAR_PT = 14,
    MOST_GRID = 160, /* drawn points an axis; a finer map shows every n-th */
    RAMP = 64
};

typedef struct sheet {
    const tw_map *map;
    report__scale x, y, power;
    size_t n_x, n_y;
    double *x_at, *y_at;        /* [n_x], [n_y]: on the panel's axes */
    double **value;             /* [n_x][n_y]: shown power; where there is none, the lowest level */
    double **off_resonance;     /* [n_x][n_y]: switching over resonance, less 1 */
    double *softness;           /* [n_x * n_y], x fastest: distance into the window, s; NaN without one */
    unsigned char *commutation; /* the same order */
    double *memory;
    size_t n_levels;
    double levels[REPORT_MOST_LEVELS];
} sheet;

/* ---- preparing --------------------------------------------------------------------------------------- */

static size_t fewer(size_t a, size_t b) {
    return a < b ? a : b;
}

static size_t source(size_t k, size_t shown, size_t n) {
    return shown > 1 ? (size_t)((double)k * (double)(n - 1) / (double)(shown - 1) + 0.5) : 0;
}

static tw_status allocate(tw_ctx *ctx, sheet *s) {
    const size_t n = s->n_x * s->n_y;
    s->memory = tw_alloc(ctx, 3 * n + s->n_x + s->n_y, sizeof(double));
    s->value = tw_alloc(ctx, 2 * s->n_x, sizeof(double *));
    s->commutation = tw_alloc(ctx, n, 1);
    if (s->memory == NULL || s->value == NULL || s->commutation == NULL) {
        return TW_NO_MEMORY;
    }
    s->off_resonance = s->value + s->n_x;
    for (size_t i = 0; i < s->n_x; i++) {
        s->value[i] = s->memory + i * s->n_y;
        s->off_resonance[i] = s->memory + n + i * s->n_y;
    }
    s->softness = s->memory + 2 * n;
    s->x_at = s->memory + 3 * n;
    s->y_at = s->x_at + s->n_x;
    return TW_OK;
}

static void dispose(sheet *s) {
    tw_free(s->memory);
    tw_free(s->value);
    tw_free(s->commutation);
}

static double at(const tw_map *map, const char *key, size_t index) {
    const tw_map_column *column = tw_map_find_column(map, key);
    return column != NULL ? column->values[index] : (double)NAN;
}

/* The map's point that is drawn at (i, j). */
static size_t point_of(const sheet *s, size_t i, size_t j) {
    const tw_map_axis *axes = s->map->axes;
    return source(j, s->n_y, axes[1].n) * axes[0].n + source(i, s->n_x, axes[0].n);
}

/* All but the power, which is there already. */
static void take_point(sheet *s, size_t i, size_t j) {
    const tw_map *map = s->map;
    const size_t from = point_of(s, i, j);
    const double dead = at(map, "dead_time", from);
    s->off_resonance[i][j] = at(map, "switching_frequency", from) / at(map, "resonant_frequency", from) - 1.0;
    if (!isfinite(s->off_resonance[i][j])) {
        s->off_resonance[i][j] = 1.0;
    }
    if (!isfinite(s->value[i][j])) {
        s->value[i][j] = s->levels[0];
    }
    const double shortest = at(map, "dead_time_shortest", from), longest = at(map, "dead_time_longest", from);
    s->softness[j * s->n_x + i] =
        isfinite(shortest) && isfinite(longest) ? fmin(dead - shortest, longest - dead) : (double)NAN;
    s->commutation[j * s->n_x + i] = map->commutation[from];
}

static int ascending(const void *a, const void *b) {
    const double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* The middle of the drawn values; uses the room that the softness takes later. */
static double median_of(const sheet *s) {
    size_t n = 0;
    for (size_t k = 0; k < s->n_x * s->n_y; k++) {
        if (isfinite(s->memory[k])) {
            s->softness[n++] = s->memory[k];
        }
    }
    qsort(s->softness, n, sizeof(double), ascending);
    return n > 0 ? s->softness[n / 2] : (double)NAN;
}

static tw_status prepare(tw_ctx *ctx, const tw_map *map, sheet *s) {
    const tw_map_axis *ax = &map->axes[0], *ay = &map->axes[1];
    const tw_map_column *power = tw_map_find_column(map, "real_power");
    double low = NAN, high = NAN;
    *s = (sheet){.map = map, .n_x = fewer(ax->n, MOST_GRID), .n_y = fewer(ay->n, MOST_GRID)};
    s->x = report__scale_of(ax->label, ax->unit, ax->values[0], ax->values[ax->n - 1], ax->logarithmic);
    s->y = report__scale_of(ay->label, ay->unit, ay->values[0], ay->values[ay->n - 1], ay->logarithmic);
    TW_TRY(allocate(ctx, s));
    for (size_t k = 0; power != NULL && k < map->n_points; k++) {
        low = fmin(isnan(low) ? power->values[k] : low, power->values[k]);
        high = fmax(isnan(high) ? power->values[k] : high, power->values[k]);
    }
    if (!isfinite(low)) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, "report", "no point of the map has a solution that could be drawn");
    }
    s->power = report__scale_of("real power", "W", low, high, false);
    for (size_t i = 0; i < s->n_x; i++) {
        s->x_at[i] = report__scaled(&s->x, ax->values[source(i, s->n_x, ax->n)]);
    }
    for (size_t j = 0; j < s->n_y; j++) {
        s->y_at[j] = report__scaled(&s->y, ay->values[source(j, s->n_y, ay->n)]);
        for (size_t i = 0; i < s->n_x; i++) {
            s->value[i][j] = power->values[point_of(s, i, j)] * s->power.factor;
        }
    }
    s->n_levels = report__contour_levels(s->power.low, s->power.high, median_of(s), s->levels);
    for (size_t k = 0; k < s->n_x * s->n_y; k++) {
        take_point(s, k % s->n_x, k / s->n_x);
    }
    return TW_OK;
}

/* ---- painting ---------------------------------------------------------------------------------------- */

/* Cream to dark violet: lightness falls all the way, so that hue is not needed to read it. */
static void set_ramp(void) {
    const double at_[5] = {0.0, 0.3, 0.55, 0.8, 1.0}, red[5] = {1.0, 0.99, 0.95, 0.72, 0.36},
                 green[5] = {0.99, 0.87, 0.62, 0.30, 0.08}, blue[5] = {0.91, 0.58, 0.33, 0.30, 0.33};
    plscmap1n(RAMP);
    plscmap1l(1, 5, at_, red, green, blue, NULL);
}

/* Shade of the band between levels k and k + 1. */
static double shade_of(const sheet *s, size_t k) {
    return s->n_levels > 2 ? (double)k / (double)(s->n_levels - 2) : 0.5;
}

static void paint_bands(const sheet *s, PLcGrid *grid) {
    for (size_t k = 0; k + 1 < s->n_levels; k++) {
        plshade((const double *const *)s->value, (PLINT)s->n_x, (PLINT)s->n_y, NULL, s->x_at[0], s->x_at[s->n_x - 1],
                s->y_at[0], s->y_at[s->n_y - 1], s->levels[k], s->levels[k + 1], 1, shade_of(s, k), 0.0, 0, 0.0, 0, 0.0,
                plfill, 0, pltr1, grid);
    }
}

static void paint_lines(const sheet *s, PLcGrid *grid) {
    report__set_pen(REPORT_BLACK, 0.5);
    report__set_text(8, false);
    pl_setcontlabelparam(0.008, 0.75, 0.3, 1);
    pl_setcontlabelformat(4, 2);
    for (size_t k = 1; k + 1 < s->n_levels; k++) {
        plcont((const double *const *)s->value, (PLINT)s->n_x, (PLINT)s->n_y, 1, (PLINT)s->n_x, 1, (PLINT)s->n_y,
               &s->levels[k], 1, pltr1, grid);
    }
    pl_setcontlabelparam(0.0075, 0.55, 0.35, 0);
}

/* Verdict of the point nearest to a place on the panel's axes. */
static tw_commutation verdict_near(const sheet *s, double x, double y) {
    size_t i = 0, j = 0;
    while (i + 1 < s->n_x && 0.5 * (s->x_at[i] + s->x_at[i + 1]) < x) {
        i++;
    }
    while (j + 1 < s->n_y && 0.5 * (s->y_at[j] + s->y_at[j + 1]) < y) {
        j++;
    }
    return (tw_commutation)s->commutation[j * s->n_x + i];
}

typedef struct hatch {
    tw_commutation verdict;
    double slope, apart_pt;
    report__colour colour;
} hatch;

static const hatch HATCHES[] = {{TW_COMMUTATION_HARD, 1.0, 5.0, REPORT_DARK_GREY},
                                {TW_COMMUTATION_PARTIAL_ZVS, -1.0, 7.0, REPORT_DARK_GREY},
                                {TW_COMMUTATION_REBOUND, 1.0, 11.0, REPORT_DARK_GREY},
                                {TW_COMMUTATION_UNKNOWN, 0.0, 3.0, REPORT_MIDDLE_GREY}};
#define N_HATCHES (sizeof HATCHES / sizeof HATCHES[0])

/* Lines over the parts of the panel that have the verdict. */
static void paint_hatch(const sheet *s, const report__panel *p, const hatch *h) {
    const double width = p->right_pt - p->left_pt, height = p->top_pt - p->bottom_pt, step = 1.5;
    const double x_per_pt = (p->x_high - p->x_low) / width, y_per_pt = (p->y_high - p->y_low) / height;
    const double reach = fabs(h->slope) * width, apart = h->apart_pt * hypot(1.0, h->slope);
    report__set_pen(h->colour, 0.5);
    for (double from = h->slope > 0.0 ? -reach : 0.0; from < height + (h->slope < 0.0 ? reach : 0.0); from += apart) {
        double begin = NAN;
        for (double along = 0.0; along <= width + step; along += step) {
            const double up = from + h->slope * along;
            const bool here = along <= width && up >= 0.0 && up <= height &&
                              verdict_near(s, p->x_low + along * x_per_pt, p->y_low + up * y_per_pt) == h->verdict;
            if (here && isnan(begin)) {
                begin = along;
            } else if (!here && !isnan(begin)) {
                const double end = along - step;
                pljoin(p->x_low + begin * x_per_pt, p->y_low + (from + h->slope * begin) * y_per_pt,
                       p->x_low + end * x_per_pt, p->y_low + (from + h->slope * end) * y_per_pt);
                begin = NAN;
            }
        }
    }
}

static bool is_soft(const sheet *s, size_t index) {
    return s->commutation[index] == TW_COMMUTATION_FULL_ZVS;
}

/* Where between two points of a cell's side the border of full ZVS runs, 0 .. 1. The signs need not differ: in the
 * moment between the current's reversal and the midpoint's leaving the rail a closing switch is still soft, though
 * outside the window. */
static double border_share(const sheet *s, size_t a, size_t b) {
    const double d_a = fabs(s->softness[a]), d_b = fabs(s->softness[b]);
    return isfinite(d_a) && isfinite(d_b) && d_a + d_b > 0.0 ? d_a / (d_a + d_b) : 0.5;
}

/* The border inside one cell: the sides that it crosses, joined in pairs. */
static void paint_cell_border(const sheet *s, size_t i, size_t j) {
    const size_t corner[5] = {j * s->n_x + i, j * s->n_x + i + 1, (j + 1) * s->n_x + i + 1, (j + 1) * s->n_x + i,
                              j * s->n_x + i};
    const double cx[5] = {s->x_at[i], s->x_at[i + 1], s->x_at[i + 1], s->x_at[i], s->x_at[i]};
    const double cy[5] = {s->y_at[j], s->y_at[j], s->y_at[j + 1], s->y_at[j + 1], s->y_at[j]};
    double x[4], y[4];
    size_t n = 0;
    for (size_t side = 0; side < 4; side++) {
        if (is_soft(s, corner[side]) != is_soft(s, corner[side + 1])) {
            const double share = border_share(s, corner[side], corner[side + 1]);
            x[n] = cx[side] + share * (cx[side + 1] - cx[side]);
            y[n++] = cy[side] + share * (cy[side + 1] - cy[side]);
        }
    }
    for (size_t k = 0; k + 1 < n; k += 2) {
        pljoin(x[k], y[k], x[k + 1], y[k + 1]);
    }
}

static void paint_border(const sheet *s) {
    for (int pass = 0; pass < 2; pass++) { /* a white rim first, so that it reads on any band */
        report__set_pen(pass == 0 ? REPORT_WHITE : REPORT_BLUE, pass == 0 ? 4.0 : 2.2);
        for (size_t j = 0; j + 1 < s->n_y; j++) {
            for (size_t i = 0; i + 1 < s->n_x; i++) {
                paint_cell_border(s, i, j);
            }
        }
    }
}

static void paint_resonance(const sheet *s, PLcGrid *grid) {
    const double zero = 0.0;
    for (int pass = 0; pass < 2; pass++) {
        report__set_pen(pass == 0 ? REPORT_WHITE : REPORT_BLACK, pass == 0 ? 3.0 : 1.3);
        pllsty(pass == 0 ? 1 : 2);
        plcont((const double *const *)s->off_resonance, (PLINT)s->n_x, (PLINT)s->n_y, 1, (PLINT)s->n_x, 1,
               (PLINT)s->n_y, &zero, 1, pltr1, grid);
    }
    pllsty(1);
}

/* A bar of the bands with the levels' numbers. */
static void paint_bar(const report__page *page, const sheet *s, const report__panel *p) {
    const report__panel bar = {p->right_pt + 18,         p->right_pt + 18 + BAR_PT, p->bottom_pt, p->top_pt, 0, 1, 0,
                               (double)(s->n_levels - 1)};
    report__panel_use(page, &bar);
    for (size_t k = 0; k + 1 < s->n_levels; k++) {
        const double y0 = (double)k, xs[4] = {0, 1, 1, 0}, ys[4] = {y0, y0, y0 + 1, y0 + 1};
        plcol1(shade_of(s, k));
        plfill(4, xs, ys);
    }
    const double xs[5] = {0, 1, 1, 0, 0}, ys[5] = {0, 0, bar.y_high, bar.y_high, 0};
    report__set_pen(REPORT_DARK_GREY, 0.7);
    plline(5, xs, ys);
    report__set_pen(REPORT_BLACK, 0.7);
    for (size_t k = 0; k < s->n_levels; k++) {
        char text[40];
        (void)snprintf(text, sizeof text, "%.3g", s->levels[k]);
        report__set_text(8, false);
        report__page_text(page, bar.right_pt + 5, bar.bottom_pt + (double)k / bar.y_high * (bar.top_pt - bar.bottom_pt),
                          0, text);
    }
    report__set_text(8.5, false);
    report__page_text(page, bar.left_pt, bar.top_pt + 12, 0, s->power.title);
}

static bool crosses_resonance(const sheet *s) {
    bool below = false, above = false;
    for (size_t k = 0; k < s->n_x * s->n_y; k++) {
        below = below || s->off_resonance[k / s->n_y][k % s->n_y] < 0.0;
        above = above || s->off_resonance[k / s->n_y][k % s->n_y] > 0.0;
    }
    return below && above;
}

/* A sample of each hatch that occurs, with its verdict, and the two lines. */
static void paint_key(const report__page *page, const sheet *s) {
    double x_pt = 14;
    const double y_pt = page->height_pt - 54;
    for (size_t k = 0; k < N_HATCHES; k++) {
        bool present = false;
        for (size_t c = 0; c < s->n_x * s->n_y && !present; c++) {
            present = s->commutation[c] == (unsigned char)HATCHES[k].verdict;
        }
        if (!present) {
            continue;
        }
        const report__panel box = {x_pt, x_pt + 22, y_pt - 6, y_pt + 6, 0, 1, 0, 1};
        const double frame_x[5] = {0, 1, 1, 0, 0}, frame_y[5] = {0, 0, 1, 1, 0};
        double at_[1] = {0.5};
        unsigned char verdict[1] = {(unsigned char)HATCHES[k].verdict};
        const sheet one = {.n_x = 1, .n_y = 1, .x_at = at_, .y_at = at_, .commutation = verdict};
        report__panel_use(page, &box);
        paint_hatch(&one, &box, &HATCHES[k]);
        report__set_pen(REPORT_DARK_GREY, 0.5);
        plline(5, frame_x, frame_y);
        const char *name =
            HATCHES[k].verdict == TW_COMMUTATION_UNKNOWN ? "no solution" : report__verdict_name(HATCHES[k].verdict);
        report__set_pen(REPORT_BLACK, 0.7);
        report__set_text(8.5, false);
        report__page_text(page, x_pt + 26, y_pt, 0, name);
        x_pt += 36 + 4.7 * (double)strlen(name);
    }
    report__page_line(page, x_pt, x_pt + 22, y_pt, REPORT_BLUE, REPORT_SOLID);
    report__set_pen(REPORT_BLACK, 0.7);
    report__page_text(page, x_pt + 26, y_pt, 0, "border of full ZVS");
    if (crosses_resonance(s)) {
        report__page_line(page, x_pt + 112, x_pt + 134, y_pt, REPORT_BLACK, REPORT_DASHED);
        report__set_pen(REPORT_BLACK, 0.7);
        report__page_text(page, x_pt + 138, y_pt, 0, "resonance");
    }
}

static void paint(const report__page *page, const void *what) {
    const sheet *s = what;
    const report__panel p = {
        LEFT_PT,  page->width_pt - RIGHT_MARGIN_PT, AXIS_PT, AXIS_PT + PLOT_PT, s->x.low, s->x.high, s->y.low,
        s->y.high};
    PLcGrid grid = {.xg = s->x_at, .yg = s->y_at, .nx = (PLINT)s->n_x, .ny = (PLINT)s->n_y};
    char line[300];
    report__verdict_colours();
    set_ramp();
    report__set_pen(REPORT_BLACK, 0.7);
    report__set_text(13, true);
    report__page_text(page, 14, page->height_pt - 20, 0, s->map->title[0] != '\0' ? s->map->title : "Untitled rig");
    report__set_text(8.5, false);
    (void)snprintf(line, sizeof line, "Real power over %s and %s", s->map->axes[0].key, s->map->axes[1].key);
    report__page_text(page, 14, page->height_pt - 37, 0, line);
    paint_key(page, s);
    report__panel_use(page, &p);
    paint_bands(s, &grid);
    for (size_t k = 0; k < N_HATCHES; k++) {
        paint_hatch(s, &p, &HATCHES[k]);
    }
    paint_lines(s, &grid);
    paint_border(s);
    paint_resonance(s, &grid);
    paint_bar(page, s, &p);
    report__scale_axes(page, &p, &s->x, &s->y, true);
}

tw_status report__draw_contour(tw_ctx *ctx, const tw_map *map, report__format_kind format, tw_text *out) {
    sheet s;
    const report__page page = {560, HEAD_PT + PLOT_PT + AXIS_PT};
    tw_status status = prepare(ctx, map, &s);
    if (status == TW_OK) {
        status = report__draw_page(ctx, format, &page, paint, &s, out);
    }
    dispose(&s);
    return status;
}

/* Thinning of curves and the shortened SVG. */
#include "report_plot_private.h"
#include "testing.h"

#include <math.h>
#include <string.h>

enum { N = 997 };

static double distance(double ax, double ay, double bx, double by, double px, double py) {
    const double dx = bx - ax, dy = by - ay, along = ((px - ax) * dx + (py - ay) * dy) / (dx * dx + dy * dy);
    const double t = fmin(fmax(along, 0), 1);
    return hypot(ax + t * dx - px, ay + t * dy - py);
}

static size_t count(const bool *keep, size_t n) {
    size_t kept = 0;
    for (size_t k = 0; k < n; k++) {
        kept += keep[k] ? 1 : 0;
    }
    return kept;
}

static void what_goes_was_on_the_line(void **state) {
    (void)state;
    double x[N], y[N];
    bool keep[N];
    for (size_t k = 0; k < N; k++) {
        x[k] = 0.37 * (double)k;
        y[k] = 53.1 * sin(0.0171 * (double)k) + (k > 411 ? 31.7 : 0);
    }
    report__thin(x, y, N, 0.13, keep);
    assert_true(keep[0] && keep[N - 1]);
    assert_true(keep[411] && keep[412]); /* both ends of the jump */
    assert_in_range(count(keep, N), 20, N / 8);
    size_t from = 0;
    for (size_t to = 1; to < N; to++) {
        if (keep[to]) {
            for (size_t k = from; k <= to; k++) {
                assert_true(distance(x[from], y[from], x[to], y[to], x[k], y[k]) <= 0.13);
            }
            from = to;
        }
    }
}

static void a_needle_keeps_its_tip(void **state) {
    (void)state;
    /* up and down within less than the tolerance: no point is off the upright through the first one */
    const double x[5] = {0, 0.01, 0.02, 0.03, 0.04}, y[5] = {0, 3.3, 71.9, 9.1, 0.2};
    bool keep[5];
    report__thin(x, y, 5, 0.13, keep);
    assert_true(keep[0] && keep[2] && keep[4]);
    report__thin(x, y, 1, 0.13, keep);
    assert_true(keep[0]);
}

static void noise_keeps_its_edges(void **state) {
    (void)state;
    double x[N], y[N];
    bool keep[N];
    for (size_t k = 0; k < N; k++) { /* some 34 points a column */
        x[k] = 0.029 * (double)k;
        y[k] = (double)(k * 7919 % 101) / 10;
        keep[k] = true;
    }
    report__thin_columns(x, y, N, 1.0, keep);
    assert_in_range(count(keep, N), 29, 2 * 29 + 2);
    for (double column = 0; column < 28; column++) {
        double low[2] = {INFINITY, INFINITY}, high[2] = {-INFINITY, -INFINITY};
        for (size_t k = 1; k + 1 < N; k++) {
            if (floor(x[k]) == column) {
                low[0] = fmin(low[0], y[k]);
                high[0] = fmax(high[0], y[k]);
                low[1] = keep[k] ? fmin(low[1], y[k]) : low[1];
                high[1] = keep[k] ? fmax(high[1], y[k]) : high[1];
            }
        }
        assert_true(low[0] == low[1] && high[0] == high[1]);
    }
}

static void few_points_of_a_column_stay(void **state) {
    (void)state;
    const double x[6] = {0.1, 1.2, 1.6, 2.1, 2.2, 3.9}, y[6] = {0, 5, 1, 2, 9, 3};
    bool keep[6] = {true, true, true, true, true, true};
    report__thin_columns(x, y, 6, 1.0, keep);
    assert_int_equal(count(keep, 6), 6);
}

static void the_svg_is_said_shorter(void **state) {
    (void)state;
    static const char LONG[] =
        "<svg>\n"
        "<path style=\"fill:none;a\" d=\"M 1.006 2 L 11.25 -0.004 L 10.5 700.996094 \" transform=\"m\"/>\n"
        "<path style=\"fill:none;a\" d=\"M -3.5 0.25 L -3.75 0.2 \" transform=\"m\"/>\n"
        "<path style=\"fill:none;b\" d=\"M 0 0 L 1 1 \" transform=\"m\"/>\n"
        "<path style=\"fill:red\" d=\"M 1 1 C 2 2 3 3.5 4 1 Z M 1 1 \"/>\n"
        "<path style=\"fill:red\" d=\"M 1 1 Q 2 2 3e5 3 \"/>\n"
        "<g style=\"fill:x;\">\n"
        "  <use href=\"#glyph0-1\" x=\"14.003906\" y=\"24.899414\"/>\n"
        "</g>\n"
        "<g style=\"fill:x;\">\n"
        "  <use href=\"#glyph0-2\" x=\"15\" y=\"24.899414\"/>\n"
        "</g>\n"
        "</svg>\n";
    static const char SHORT[] = "<svg>\n"
                                "<path style=\"fill:none;a\" d=\"M1.01 2l10.24-2-.75 701M-3.5 .25l-.25-.05\" "
                                "transform=\"m\"/>\n"
                                "<path style=\"fill:none;b\" d=\"M0 0l1 1\" transform=\"m\"/>\n"
                                "<path style=\"fill:red\" d=\"M1 1c1 1 2 2.5 3 0ZM1 1\"/>\n"
                                "<path style=\"fill:red\" d=\"M 1 1 Q 2 2 3e5 3 \"/>\n"
                                "<g style=\"fill:x;\">\n"
                                "  <use href=\"#glyph0-1\" x=\"14\" y=\"24.9\"/>\n"
                                "  <use href=\"#glyph0-2\" x=\"15\" y=\"24.9\"/>\n"
                                "</g>\n"
                                "</svg>\n";
    tw_ctx *ctx = tw_ctx_create();
    tw_text out;
    tw_text_init(ctx, &out, 4096);
    report__svg_shrink(LONG, strlen(LONG), &out);
    assert_string_equal(tw_text_string(&out), SHORT);
    tw_text_dispose(&out);
    tw_ctx_destroy(ctx);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_goes_was_on_the_line), cmocka_unit_test(a_needle_keeps_its_tip),
        cmocka_unit_test(noise_keeps_its_edges),     cmocka_unit_test(few_points_of_a_column_stay),
        cmocka_unit_test(the_svg_is_said_shorter),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

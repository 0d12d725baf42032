/* Random quantities survive their own text. */
#include "testing.h"

#include <math.h>
#include <string.h>

#include "tankwright/units.h"

static double random_number(tw_random *r) {
    const double magnitude =
        tw_random_below(r, 4) == 0 ? tw_random_log_uniform(r, 1e-300, 1e300) : tw_random_log_uniform(r, 1e-14, 1e13);
    const double sign = tw_random_below(r, 3) == 0 ? -1.0 : 1.0;
    return tw_random_below(r, 50) == 0 ? sign * 0.0 : sign * magnitude;
}

static void exact_text_reads_back_bit_for_bit(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    tw_random r = {20260611};
    for (int i = 0; i < 200000; i++) {
        tw_quantity q = {.value = random_number(&r), .unit = (tw_unit)tw_random_below(&r, TW_UNIT_COUNT)};
        q.spread_kind = (tw_spread_kind)tw_random_below(&r, 3);
        if (q.spread_kind != TW_SPREAD_NONE) {
            q.relative = tw_random_below(&r, 2) == 0;
            q.spread = q.relative ? tw_random_log_uniform(&r, 1e-4, 300.0) : fabs(random_number(&r));
        }
        if (!isfinite(tw_quantity_value(&q).u)) {
            continue;
        }
        char text[TW_QUANTITY_TEXT];
        tw_quantity back;
        const size_t n = tw_quantity_format(&q, text);
        assert_true(n < sizeof text && n == strlen(text));
        assert_ok(tw_quantity_parse(ctx, text, n, q.unit, NULL, &back), ctx);
        if (memcmp(&q.value, &back.value, sizeof q.value) != 0 || back.spread_kind != q.spread_kind ||
            back.relative != q.relative || memcmp(&q.spread, &back.spread, sizeof q.spread) != 0) {
            fail_msg("%s: %.17g became %.17g, spread %.17g became %.17g", text, q.value, back.value, q.spread,
                     back.spread);
        }
    }
    tw_ctx_destroy(ctx);
}

static void reading_text_is_within_its_last_digit(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    tw_random r = {977};
    for (int i = 0; i < 100000; i++) {
        const tw_unit unit = (tw_unit)tw_random_below(&r, TW_UNIT_COUNT);
        const tw_value v = {tw_random_uniform(&r, -1.0, 1.0) * tw_random_log_uniform(&r, 1e-12, 1e10),
                            tw_random_below(&r, 2) == 0 ? 0.0 : tw_random_log_uniform(&r, 1e-12, 1e8)};
        const int digits = 1 + (int)tw_random_below(&r, 9);
        char text[TW_QUANTITY_TEXT];
        tw_quantity back;
        const size_t n = tw_value_format(v, unit, digits, text);
        assert_ok(tw_quantity_parse(ctx, text, n, unit, NULL, &back), ctx);
        if (v.u == 0.0) {
            /* half a unit of the last of `digits` digits is at most half of 10^(1 - digits) of the value */
            assert_close(back.value, v.value, 0.5000001 * pow(10.0, 1 - digits), 0.0);
            continue;
        }
        /* two digits of u: u within 5 %, the value within half a unit of the printed u's second digit, at most a
         * twentieth of it; 17 digits are all a double gives */
        const double printed_u = tw_quantity_value(&back).u;
        assert_close(printed_u, v.u, 0.0500001, 0.0);
        assert_close(back.value, v.value, 1e-15, 0.0500001 * printed_u);
        const char *open = strstr(text, "(u=");
        assert_non_null(open);
        int figures = 0;
        bool leading = true;
        for (const char *s = open + 3; strchr(" )e", *s) == NULL; s++) { /* the number alone: m2 has a digit too */
            leading = leading && (*s < '1' || *s > '9');
            figures += !leading && *s >= '0' && *s <= '9';
        }
        assert_true(figures == 2 || (figures > 2 && strchr(open, '.') == NULL)); /* 210 W has two that count */
    }
    tw_ctx_destroy(ctx);
}

static void a_value_is_a_quantity_and_back(void **state) {
    (void)state;
    tw_random r = {5};
    for (int i = 0; i < 10000; i++) {
        const tw_value v = {random_number(&r), tw_random_below(&r, 2) == 0 ? 0.0 : fabs(random_number(&r))};
        const tw_quantity q = tw_quantity_of(v, TW_UNIT_AMPERE);
        const tw_value back = tw_quantity_value(&q);
        assert_true(back.value == v.value && back.u == v.u);
    }
    const tw_quantity unknown = tw_quantity_of(tw_unknown(), TW_UNIT_AMPERE);
    assert_false(tw_is_known(tw_quantity_value(&unknown)));
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(exact_text_reads_back_bit_for_bit),
        cmocka_unit_test(reading_text_is_within_its_last_digit),
        cmocka_unit_test(a_value_is_a_quantity_and_back),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

/* SI prefixes and letter codes against their published tables. */
#include "testing.h"

#include <string.h>

#include "tankwright/units.h"

/* BIPM, The International System of Units (SI), 9th edition, version 2.01 (2022), table 7 (from memory). */
static void si_prefixes(void **state) {
    (void)state;
    static const struct {
        const char *symbol;
        int exponent;
        double factor;
    } TABLE[] = {
        {"da", 1, 1e1},         {"h", 2, 1e2},     {"k", 3, 1e3},     {"M", 6, 1e6},     {"G", 9, 1e9},
        {"T", 12, 1e12},        {"P", 15, 1e15},   {"E", 18, 1e18},   {"Z", 21, 1e21},   {"Y", 24, 1e24},
        {"R", 27, 1e27},        {"Q", 30, 1e30},   {"d", -1, 1e-1},   {"c", -2, 1e-2},   {"m", -3, 1e-3},
        {"\xC2\xB5", -6, 1e-6}, {"n", -9, 1e-9},   {"p", -12, 1e-12}, {"f", -15, 1e-15}, {"a", -18, 1e-18},
        {"z", -21, 1e-21},      {"y", -24, 1e-24}, {"r", -27, 1e-27}, {"q", -30, 1e-30},
    };
    static const tw_unit UNITS[] = {TW_UNIT_VOLT,  TW_UNIT_HENRY, TW_UNIT_SECOND, TW_UNIT_HERTZ,
                                    TW_UNIT_TESLA, TW_UNIT_METRE, TW_UNIT_OHM,    TW_UNIT_JOULE};
    assert_int_equal(sizeof TABLE / sizeof TABLE[0], 24);
    tw_ctx *ctx = tw_ctx_create();
    for (size_t i = 0; i < 24; i++) {
        int exponent = 99;
        assert_true(tw_prefix_exponent(TABLE[i].symbol, strlen(TABLE[i].symbol), &exponent));
        assert_int_equal(exponent, TABLE[i].exponent);
        for (size_t k = 0; k < sizeof UNITS / sizeof UNITS[0]; k++) {
            char text[40];
            tw_quantity q;
            (void)snprintf(text, sizeof text, "1 %s%s", TABLE[i].symbol, tw_unit_symbol(UNITS[k]));
            assert_ok(tw_quantity_parse(ctx, text, strlen(text), UNITS[k], NULL, &q), ctx);
            assert_true(q.value == TABLE[i].factor);
        }
    }
    int exponent;
    assert_false(tw_prefix_exponent("K", 1, &exponent)); /* kelvin, no prefix */
    assert_false(tw_prefix_exponent("", 0, &exponent));
    tw_ctx_destroy(ctx);
}

/* IEC 60062, marking codes for resistors and capacitors: letter code tables (from memory). */
static void letter_codes(void **state) {
    (void)state;
    static const struct {
        const char *code;
        tw_unit unit;
        double value;
    } TABLE[] = {
        {"R10", TW_UNIT_OHM, 0.10},
        {"R332", TW_UNIT_OHM, 0.332},
        {"1R0", TW_UNIT_OHM, 1.0},
        {"3R32", TW_UNIT_OHM, 3.32},
        {"5R90", TW_UNIT_OHM, 5.90},
        {"15R", TW_UNIT_OHM, 15.0},
        {"33R2", TW_UNIT_OHM, 33.2},
        {"590R", TW_UNIT_OHM, 590.0},
        {"1K0", TW_UNIT_OHM, 1e3},
        {"3K32", TW_UNIT_OHM, 3.32e3},
        {"59K", TW_UNIT_OHM, 59e3},
        {"K10", TW_UNIT_OHM, 100.0},
        {"1M5", TW_UNIT_OHM, 1.5e6},
        {"10M", TW_UNIT_OHM, 10e6},
        {"1G0", TW_UNIT_OHM, 1e9},
        {"3G32", TW_UNIT_OHM, 3.32e9},
        {"1T0", TW_UNIT_OHM, 1e12},
        {"10T", TW_UNIT_OHM, 10e12},
        {"p10", TW_UNIT_FARAD, 0.1e-12},
        {"p332", TW_UNIT_FARAD, 0.332e-12},
        {"1p5", TW_UNIT_FARAD, 1.5e-12},
        {"33p2", TW_UNIT_FARAD, 33.2e-12},
        {"590p", TW_UNIT_FARAD, 590e-12},
        {"n10", TW_UNIT_FARAD, 0.1e-9},
        {"3n32", TW_UNIT_FARAD, 3.32e-9},
        {"15n", TW_UNIT_FARAD, 15e-9},
        {"1\xC2\xB5"
         "5",
         TW_UNIT_FARAD, 1.5e-6},
        {"33\xC2\xB5"
         "2",
         TW_UNIT_FARAD, 33.2e-6},
        {"1m0", TW_UNIT_FARAD, 1e-3},
        {"10m", TW_UNIT_FARAD, 10e-3},
    };
    tw_ctx *ctx = tw_ctx_create();
    for (size_t i = 0; i < sizeof TABLE / sizeof TABLE[0]; i++) {
        tw_quantity q;
        assert_ok(tw_quantity_parse(ctx, TABLE[i].code, strlen(TABLE[i].code), TABLE[i].unit, NULL, &q), ctx);
        assert_close(q.value, TABLE[i].value, 2.3e-16, 0.0);
    }
    tw_ctx_destroy(ctx);
}

/* JCGM 100:2008, 7.2.6: R = 10.0576 ohm, u = 27 mohm is reported as 10.058(27) ohm (seen in the public text). */
static void gum_rounding(void **state) {
    (void)state;
    char text[TW_QUANTITY_TEXT];
    (void)tw_value_format((tw_value){10.0576, 0.027}, TW_UNIT_OHM, 4, text);
    assert_string_equal(text, "10.058 ohm (u=0.027 ohm)");
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(si_prefixes),
        cmocka_unit_test(letter_codes),
        cmocka_unit_test(gum_rounding),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

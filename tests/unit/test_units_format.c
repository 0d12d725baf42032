/* Quantities as text, nearest names, quoting. */
#include "testing.h"

#include <math.h>
#include <string.h>

#include "tankwright/units.h"

static void reading_format(void **state) {
    (void)state;
    static const struct {
        double value, u;
        tw_unit unit;
        int digits;
        const char *text;
    } CASES[] = {
        {5103.5, 21.0, TW_UNIT_WATT, 4, "5.104 kW (u=0.021 kW)"}, /* ties to even: 5103.5 -> 5.104 */
        {5103.5, 0.0, TW_UNIT_WATT, 4, "5.104 kW"},
        {230.0, 3.98, TW_UNIT_VOLT, 4, "230.0 V (u=4.0 V)"},
        {500.0, 213.0, TW_UNIT_WATT, 4, "500 W (u=210 W)"},
        {9.96e-5, 1.23e-6, TW_UNIT_HENRY, 4, "99.6 uH (u=1.2 uH)"},
        {99.96e-6, 1.23e-6, TW_UNIT_HENRY, 4, "100.0 uH (u=1.2 uH)"},
        {660e-9, 0.096e-9, TW_UNIT_FARAD, 4, "660.000 nF (u=0.096 nF)"},
        {0.0996, 0.00996, TW_UNIT_NONE, 4, "0.100 (u=0.010)"},
        {5.1, 2100.0, TW_UNIT_WATT, 4, "0.0 kW (u=2.1 kW)"},
        {0.0, 0.5, TW_UNIT_VOLT, 4, "0 mV (u=500 mV)"},
        {999.96, 0.0, TW_UNIT_HERTZ, 4, "1.000 kHz"},
        {999.94, 0.0, TW_UNIT_HERTZ, 4, "999.9 Hz"},
        {-1.8e-6, 0.0, TW_UNIT_SECOND, 3, "-1.80 us"},
        {86400.0, 0.0, TW_UNIT_SECOND, 3, "86400 s"},
        {0.67, 0.0, TW_UNIT_NONE, 2, "0.67"},
        {1.2e-9, 0.0, TW_UNIT_NONE, 2, "1.2e-9"},
        {36.5, 0.0, TW_UNIT_DEGREE, 3, "36.5 deg"},
        {0.0, 0.0, TW_UNIT_AMPERE, 3, "0.00 A"},
        {(double)NAN, 0.0, TW_UNIT_AMPERE, 3, "unknown"},
        {(double)INFINITY, 0.0, TW_UNIT_AMPERE, 3, "inf"},
    };
    for (size_t i = 0; i < sizeof CASES / sizeof CASES[0]; i++) {
        char text[TW_QUANTITY_TEXT];
        const tw_value v = {CASES[i].value, CASES[i].u};
        const size_t n = tw_value_format(v, CASES[i].unit, CASES[i].digits, text);
        assert_string_equal(text, CASES[i].text);
        assert_int_equal(n, strlen(CASES[i].text));
    }
}

static void exact_format(void **state) {
    (void)state;
    static const struct {
        tw_quantity q;
        const char *text;
    } CASES[] = {
        {{660e-9, TW_UNIT_FARAD, TW_SPREAD_LIMIT, true, 5.0}, "660 nF \xC2\xB1 5 %"},
        {{90e-6, TW_UNIT_HENRY, TW_SPREAD_STANDARD, false, 0.5e-6}, "90 uH (u=500 nH)"},
        {{0.1, TW_UNIT_OHM, TW_SPREAD_NONE, false, 0.0}, "100 mohm"},
        {{1.0 / 3.0, TW_UNIT_NONE, TW_SPREAD_NONE, false, 0.0}, "0.3333333333333333"},
        {{-26317.5, TW_UNIT_HERTZ, TW_SPREAD_NONE, false, 0.0}, "-26.3175 kHz"},
        {{1e-300, TW_UNIT_VOLT, TW_SPREAD_NONE, false, 0.0}, "1e-300 V"},
        {{0.0, TW_UNIT_VOLT, TW_SPREAD_NONE, false, 0.0}, "0 V"},
    };
    for (size_t i = 0; i < sizeof CASES / sizeof CASES[0]; i++) {
        char text[TW_QUANTITY_TEXT];
        assert_int_equal(tw_quantity_format(&CASES[i].q, text), strlen(CASES[i].text));
        assert_string_equal(text, CASES[i].text);
    }
}

static void nearest_names(void **state) {
    (void)state;
    static const char *const NAMES[] = {"frequency", "dead_time", "esr", "kind", "inductance"};
    const size_t n = sizeof NAMES / sizeof NAMES[0];
    assert_string_equal(tw_nearest_name("frequncy", NAMES, n), "frequency");
    assert_string_equal(tw_nearest_name("Frequency", NAMES, n), "frequency");
    assert_string_equal(tw_nearest_name("deadtime", NAMES, n), "dead_time");
    assert_string_equal(tw_nearest_name("kidn", NAMES, n), "kind"); /* a swap counts once */
    assert_string_equal(tw_nearest_name("inductanz", NAMES, n), "inductance");
    assert_null(tw_nearest_name("x", NAMES, n));
    assert_null(tw_nearest_name("", NAMES, n));
    assert_null(tw_nearest_name("capacitance_of_everything", NAMES, n));
    char longest[200];
    memset(longest, 'f', sizeof longest);
    longest[sizeof longest - 1] = '\0';
    assert_null(tw_nearest_name(longest, NAMES, n));
}

static void quoting_keeps_one_printable_line(void **state) {
    (void)state;
    char out[TW_QUOTE_TEXT];
    assert_string_equal(tw_quote("26 \xC2\xB5s", 6, out), "'26 \xC2\xB5s'");
    assert_string_equal(tw_quote("a\nb\x1b[2J\xFF\x7F", 9, out), "'a?b?[2J?"
                                                                 "?'");
    assert_string_equal(tw_quote("\xC2\x9B", 2, out), "'?'"); /* a C1 control */
    char text[400];
    for (size_t i = 0; i < sizeof text / 4; i++) {
        memcpy(text + 4 * i, "\xF0\x9F\x94\xA7", 4);
    }
    assert_int_equal(strlen(tw_quote(text, sizeof text, out)), 40 * 4 + 5);
}

static void utf8_is_checked_by_the_book(void **state) {
    (void)state;
    size_t bad = 99;
    assert_true(tw_utf8_valid("a\xC3\xA9\xE2\x82\xAC\xF0\x9F\x94\xA7", 10, &bad));
    assert_int_equal(tw_utf8_count("a\xC3\xA9\xE2\x82\xAC\xF0\x9F\x94\xA7", 10), 4);
    static const char *const BAD[] = {"ab\xC0\x80",         "ab\x80", "ab\xE0\x80\x80",    "ab\xED\xA0\x80",
                                      "ab\xF4\x90\x80\x80", "ab\xC3", "ab\xF5\x80\x80\x80"};
    for (size_t i = 0; i < sizeof BAD / sizeof BAD[0]; i++) {
        bad = 99;
        assert_false(tw_utf8_valid(BAD[i], strlen(BAD[i]), &bad));
        assert_int_equal(bad, 2);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(reading_format),
        cmocka_unit_test(exact_format),
        cmocka_unit_test(nearest_names),
        cmocka_unit_test(quoting_keeps_one_printable_line),
        cmocka_unit_test(utf8_is_checked_by_the_book),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

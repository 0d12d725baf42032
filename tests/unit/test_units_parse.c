/* Quantities from text: every spelling that is read, every refusal with its column. */
#include "testing.h"

#include <math.h>
#include <string.h>

#include "tankwright/units.h"

static int make_context(void **state) {
    *state = tw_ctx_create();
    return *state == NULL;
}

static int drop_context(void **state) {
    tw_ctx_destroy(*state);
    return 0;
}

static tw_quantity parsed(tw_ctx *ctx, const char *text, tw_unit unit) {
    tw_quantity q = {.value = -1.0};
    assert_ok(tw_quantity_parse(ctx, text, strlen(text), unit, NULL, &q), ctx);
    assert_int_equal(q.unit, unit);
    return q;
}

static void plain_spellings(void **state) {
    static const struct {
        const char *text;
        tw_unit unit;
        double value;
    } CASES[] = {
        {"660 nF", TW_UNIT_FARAD, 660e-9},
        {"660nF", TW_UNIT_FARAD, 660e-9},
        {"  26 kHz\t", TW_UNIT_HERTZ, 26e3},
        {"26k", TW_UNIT_HERTZ, 26e3},
        {"26 k", TW_UNIT_HERTZ, 26e3},
        {"26317.5", TW_UNIT_HERTZ, 26317.5},
        {"18 mohm", TW_UNIT_OHM, 18e-3},
        {"18 m\xCE\xA9", TW_UNIT_OHM, 18e-3},
        {"18 m\xE2\x84\xA6", TW_UNIT_OHM, 18e-3},
        {"3 kR", TW_UNIT_OHM, 3e3},
        {"1.8 us", TW_UNIT_SECOND, 1.8e-6},
        {"1.8 \xC2\xB5s", TW_UNIT_SECOND, 1.8e-6},
        {"1.8 \xCE\xBCs", TW_UNIT_SECOND, 1.8e-6},
        {"-0.37 us", TW_UNIT_SECOND, -0.37e-6},
        {"\xE2\x88\x92"
         "0.37 us",
         TW_UNIT_SECOND, -0.37e-6},
        {"90\xC2\xA0uH", TW_UNIT_HENRY, 90e-6},
        {"1.5e-3 H", TW_UNIT_HENRY, 1.5e-3},
        {".5 V", TW_UNIT_VOLT, 0.5},
        {"+12. A", TW_UNIT_AMPERE, 12.0},
        {"5m", TW_UNIT_OHM, 5e-3},
        {"5 m", TW_UNIT_METRE, 5.0},
        {"5m", TW_UNIT_METRE, 5.0},
        {"8 mm", TW_UNIT_METRE, 8e-3},
        {"5T", TW_UNIT_OHM, 5e12},
        {"1.3 T", TW_UNIT_TESLA, 1.3},
        {"67 %", TW_UNIT_NONE, 0.67},
        {"150", TW_UNIT_NONE, 150.0},
        {"30 deg", TW_UNIT_RADIAN, TW_PI / 6.0},
        {"0.5 rad", TW_UNIT_DEGREE, 90.0 / TW_PI},
        {"25 degC", TW_UNIT_KELVIN, 298.15},
        {"25 \xC2\xB0"
         "C",
         TW_UNIT_DEGC, 25.0},
        {"2.3 kvar", TW_UNIT_VAR, 2.3e3},
        {"1.1 kVA", TW_UNIT_VOLT_AMPERE, 1.1e3},
        {"2 mJ", TW_UNIT_JOULE, 2e-3},
        {"14.7 mV/A", TW_UNIT_VOLT_PER_AMPERE, 14.7e-3},
        {"0.01", TW_UNIT_VOLT_PER_AMPERE, 0.01},
        {"51.26 mm2", TW_UNIT_SQUARE_METRE, 51.26e-6},
        {"51.26mm^2", TW_UNIT_SQUARE_METRE, 51.26e-6},
        {"51.26 mm\xC2\xB2", TW_UNIT_SQUARE_METRE, 51.26e-6},
        {"0.9 cm2", TW_UNIT_SQUARE_METRE, 0.9e-4},
        {"4.9e-05 m2", TW_UNIT_SQUARE_METRE, 4.9e-5},
        {"1 EHz", TW_UNIT_HERTZ, 1e18},
    };
    for (size_t i = 0; i < sizeof CASES / sizeof CASES[0]; i++) {
        const tw_quantity q = parsed(*state, CASES[i].text, CASES[i].unit);
        assert_close(q.value, CASES[i].value, 4e-16, 0.0);
        assert_int_equal(q.spread_kind, TW_SPREAD_NONE);
    }
    /* decimal digits and prefix together are rounded once */
    assert_true(parsed(*state, "660 nF", TW_UNIT_FARAD).value == 660e-9);
    assert_true(parsed(*state, "0.3 mH", TW_UNIT_HENRY).value == 0.3e-3);
    assert_true(parsed(*state, "4u7 F", TW_UNIT_FARAD).value == 4.7e-6);
}

static void uncertainties(void **state) {
    static const struct {
        const char *text;
        tw_unit unit;
        tw_spread_kind kind;
        bool relative;
        double spread, u;
    } CASES[] = {
        /* JCGM 100:2008, 4.3.7: u = a/sqrt 3 */
        {"230 V \xC2\xB1 3 %", TW_UNIT_VOLT, TW_SPREAD_LIMIT, true, 3.0, 6.9 / 1.7320508075688772},
        {"230 V +/- 4.6 V", TW_UNIT_VOLT, TW_SPREAD_LIMIT, false, 4.6, 4.6 / 1.7320508075688772},
        {"230V+-2%", TW_UNIT_VOLT, TW_SPREAD_LIMIT, true, 2.0, 4.6 / 1.7320508075688772},
        {"-230 mV \xC2\xB1 10 %", TW_UNIT_VOLT, TW_SPREAD_LIMIT, true, 10.0, 0.023 / 1.7320508075688772},
        {"90 uH (u=0.5 uH)", TW_UNIT_HENRY, TW_SPREAD_STANDARD, false, 0.5e-6, 0.5e-6},
        {"90 uH ( u = 0.6 % )", TW_UNIT_HENRY, TW_SPREAD_STANDARD, true, 0.6, 0.54e-6},
        {"4k7 \xC2\xB1 47 ohm", TW_UNIT_OHM, TW_SPREAD_LIMIT, false, 47.0, 47.0 / 1.7320508075688772},
        {"150 +/- 1", TW_UNIT_NONE, TW_SPREAD_LIMIT, false, 1.0, 1.0 / 1.7320508075688772},
        {"25 degC +/- 2 K", TW_UNIT_DEGC, TW_SPREAD_LIMIT, false, 2.0, 2.0 / 1.7320508075688772},
        {"25 degC (u=1 degC)", TW_UNIT_KELVIN, TW_SPREAD_STANDARD, false, 1.0, 1.0},
    };
    for (size_t i = 0; i < sizeof CASES / sizeof CASES[0]; i++) {
        const tw_quantity q = parsed(*state, CASES[i].text, CASES[i].unit);
        assert_int_equal(q.spread_kind, CASES[i].kind);
        assert_int_equal(q.relative, CASES[i].relative);
        assert_close(q.spread, CASES[i].spread, 1e-15, 0.0);
        assert_close(tw_quantity_value(&q).u, CASES[i].u, 1e-15, 0.0);
    }
    const tw_quantity unknown = parsed(*state, " unknown ", TW_UNIT_FARAD);
    assert_true(isnan(unknown.value));
    assert_false(tw_is_known(tw_quantity_value(&unknown)));
}

static void refusals_name_the_column(void **state) {
    static const struct {
        const char *text;
        tw_unit unit;
        size_t column;
        const char *words; /* part of the message */
    } CASES[] = {
        {"", TW_UNIT_FARAD, 1, "found nothing; expected a capacitance such as 660 nF"},
        {"   ", TW_UNIT_FARAD, 4, "found nothing"},
        {"1.8 V", TW_UNIT_SECOND, 5, "found '1.8 V', a voltage; expected a time such as 1.8 us"},
        {"5 m", TW_UNIT_OHM, 3, "a length; expected a resistance"},
        {"5 T", TW_UNIT_OHM, 3, "a flux density"},
        {"26K", TW_UNIT_HERTZ, 3, "kilo is written k"},
        {"26 KHz", TW_UNIT_HERTZ, 4, "kilo is written k"},
        {"3 %", TW_UNIT_VOLT, 3, "a percentage"},
        {"660 nG", TW_UNIT_FARAD, 5, "'nG' is no unit known here"},
        {"5 h", TW_UNIT_SECOND, 3, "'h' is no unit known here"},
        {"4,7 uF", TW_UNIT_FARAD, 2, "the decimal point is written '.'"},
        {"abc", TW_UNIT_FARAD, 1, "no number"},
        {"4u7 nF", TW_UNIT_FARAD, 5, "a second prefix"},
        {"4R7 V", TW_UNIT_VOLT, 5, "a second unit"},
        {"R66", TW_UNIT_DEGC, 4, "a resistance; expected a temperature"},
        {"5 F F", TW_UNIT_FARAD, 5, "'F' is left over"},
        {"5 \xC2\xB5"
         "F 7",
         TW_UNIT_FARAD, 6, "'7' is left over"},
        {"1e999 V", TW_UNIT_VOLT, 1, "too large or too small"},
        {"1e-999 V", TW_UNIT_VOLT, 1, "too large or too small"},
        {"660 nF +/- 5", TW_UNIT_FARAD, 13, "an uncertainty without unit or %"},
        {"660 nF \xC2\xB1 -5 %", TW_UNIT_FARAD, 10, "a negative uncertainty"},
        {"660 nF \xC2\xB1 5 V", TW_UNIT_FARAD, 12, "a voltage"},
        {"660 nF (5 nF)", TW_UNIT_FARAD, 9, "(u=...)"},
        {"660 nF (u=5 nF", TW_UNIT_FARAD, 15, "not closed"},
        {"unknown 3", TW_UNIT_FARAD, 9, "'3' is left over"},
        {"unknowns", TW_UNIT_FARAD, 8, "left over"},
        {"nan", TW_UNIT_FARAD, 1, "no number"},
        {"inf", TW_UNIT_FARAD, 1, "no number"},
        {"0x10 V", TW_UNIT_VOLT, 2, "no unit known here"},
        {"1 \xFF", TW_UNIT_VOLT, 3, "'?' is no unit"},
    };
    tw_ctx *ctx = *state;
    for (size_t i = 0; i < sizeof CASES / sizeof CASES[0]; i++) {
        tw_quantity q = {.value = 17.0};
        tw_ctx_clear_error(ctx);
        const tw_status status = tw_quantity_parse(ctx, CASES[i].text, strlen(CASES[i].text), CASES[i].unit, NULL, &q);
        const tw_error *e = tw_ctx_error(ctx);
        if (status != TW_BAD_DATA || e->column != CASES[i].column || strstr(e->message, CASES[i].words) == NULL) {
            fail_msg("'%s': status %d, column %zu: %s", CASES[i].text, status, e->column, e->message);
        }
        assert_true(q.value == 17.0); /* untouched */
    }
    char digits[300];
    memset(digits, '7', sizeof digits);
    tw_quantity q;
    assert_int_equal(tw_quantity_parse(ctx, digits, sizeof digits, TW_UNIT_NONE, NULL, &q), TW_BAD_DATA);
}

static void errors_carry_their_origin(void **state) {
    tw_ctx *ctx = *state;
    const tw_place origin = {.file = "rig.yaml", .line = 7, .column = 14, .key = "tank.capacitance"};
    tw_quantity q;
    assert_int_equal(tw_quantity_parse(ctx, "660 pV", 6, TW_UNIT_FARAD, &origin, &q), TW_BAD_DATA);
    char text[300];
    assert_string_equal(tw_error_format(tw_ctx_error(ctx), text, sizeof text),
                        "rig.yaml:7:18: tank.capacitance: found '660 pV', a voltage; expected a capacitance such as "
                        "660 nF");
}

static void length_is_respected(void **state) {
    tw_quantity q;
    assert_ok(tw_quantity_parse(*state, "26 kHz", 4, TW_UNIT_HERTZ, NULL, &q), *state);
    assert_close(q.value, 26e3, 0.0, 0.0);
    assert_ok(tw_quantity_parse(*state, "4k73", 3, TW_UNIT_OHM, NULL, &q), *state);
    assert_close(q.value, 4700.0, 0.0, 0.0);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(plain_spellings, make_context, drop_context),
        cmocka_unit_test_setup_teardown(uncertainties, make_context, drop_context),
        cmocka_unit_test_setup_teardown(refusals_name_the_column, make_context, drop_context),
        cmocka_unit_test_setup_teardown(errors_carry_their_origin, make_context, drop_context),
        cmocka_unit_test_setup_teardown(length_is_respected, make_context, drop_context),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

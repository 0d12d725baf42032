/* units: quantities as text, both ways.
 *
 * Text form: number, SI prefix, unit and optionally an uncertainty. Read are
 *   660 nF    26 kHz    26k    18 mohm    1.5e-3 H    -0.4 us    12 %    unknown
 *   4k7    4u7 F    1R0    R47    100n    6p8                    (IEC 60062 letter for the decimal point)
 *   230 V ± 2 %    230 V +/- 4.6 V                               (limit: rectangular, u = a/sqrt 3, GUM 4.3.7)
 *   90 uH (u=0.5 uH)    90 uH (u=0.6 %)                          (standard uncertainty)
 * micro is u, U+00B5 or U+03BC; ohm is "ohm", U+03A9, U+2126 or R. A missing unit means the expected one; a
 * missing prefix means none, so "4.7" for a capacitance is 4.7 F. A letter that is both a prefix and a unit is the
 * prefix when it touches the number ("5m" of a resistance) and the unit after a blank ("5 m" is a length). An area's
 * prefix is squared with its unit
 * ("51 mm2", also mm^2 and mm with U+00B2). "%" after a
 * limit or "u=" is relative to the value. Numbers are correctly rounded: "660 nF" is the double nearest to 660e-9.
 *
 * No allocation, no locale, no state.
 */
#ifndef TANKWRIGHT_UNITS_H
#define TANKWRIGHT_UNITS_H

#include "tankwright/base.h"

/* name, symbol in output, article and quantity, an example for messages */
#define TW_UNIT_LIST(X)                                \
    X(NONE, "", "a plain number", "0.67")              \
    X(VOLT, "V", "a voltage", "230 V")                 \
    X(AMPERE, "A", "a current", "12 A")                \
    X(OHM, "ohm", "a resistance", "18 mohm")           \
    X(HENRY, "H", "an inductance", "90 uH")            \
    X(FARAD, "F", "a capacitance", "660 nF")           \
    X(SECOND, "s", "a time", "1.8 us")                 \
    X(HERTZ, "Hz", "a frequency", "26 kHz")            \
    X(WATT, "W", "a power", "1.8 kW")                  \
    X(VOLT_AMPERE, "VA", "an apparent power", "2 kVA") \
    X(VAR, "var", "a reactive power", "3 kvar")        \
    X(METRE, "m", "a length", "8 mm")                  \
    X(KELVIN, "K", "a temperature", "300 K")           \
    X(DEGC, "degC", "a temperature", "80 degC")        \
    X(DEGREE, "deg", "an angle", "30 deg")             \
    X(RADIAN, "rad", "an angle", "0.5 rad")            \
    X(TESLA, "T", "a flux density", "100 mT")          \
    X(JOULE, "J", "an energy", "2 mJ")                 \
    X(VOLT_PER_AMPERE, "V/A", "a scale", "10 mV/A")    \
    X(SQUARE_METRE, "m2", "an area", "51 mm2")

typedef enum tw_unit {
#define TW_UNIT_ENUM(name, symbol, quantity, example) TW_UNIT_##name,
    TW_UNIT_LIST(TW_UNIT_ENUM)
#undef TW_UNIT_ENUM
        TW_UNIT_COUNT
} tw_unit;

/* Static texts: "F", "a capacitance", "660 nF". */
const char *tw_unit_symbol(tw_unit unit);
const char *tw_unit_quantity(tw_unit unit);
const char *tw_unit_example(tw_unit unit);

/* Power of ten of an SI prefix symbol (BIPM, The International System of Units, 9th ed., table 7; micro as u,
 * U+00B5 or U+03BC). Returns false where the text is no prefix. */
bool tw_prefix_exponent(const char *symbol, size_t length, int *exponent);

/* How a quantity's uncertainty was stated, so that writing it back says the same. */
typedef enum tw_spread_kind {
    TW_SPREAD_NONE,
    TW_SPREAD_LIMIT,   /* half width a of a rectangular distribution */
    TW_SPREAD_STANDARD /* standard uncertainty u */
} tw_spread_kind;

typedef struct tw_quantity {
    double value; /* in `unit` without prefix; NaN: unknown */
    tw_unit unit;
    tw_spread_kind spread_kind;
    bool relative; /* spread is in percent of |value|, otherwise in `unit` */
    double spread; /* >= 0; as stated */
} tw_quantity;

/* Value with its standard uncertainty: u = a/sqrt 3 for a limit (JCGM 100:2008, 4.3.7). */
tw_value tw_quantity_value(const tw_quantity *q);
/* The reverse: u > 0 becomes an absolute standard uncertainty. */
tw_quantity tw_quantity_of(tw_value v, tw_unit unit);

/* Reads `length` bytes as a quantity of the expected unit. deg and rad, degC and K, % and plain number convert;
 * any other unit is refused. `origin` (may be NULL) is the place of the first byte: errors carry its file, line
 * and key and the column of the offending character (columns count characters, from 1).
 * TW_BAD_DATA: not a quantity, wrong dimension, or a number that a double cannot hold. */
tw_status tw_quantity_parse(tw_ctx *ctx, const char *text, size_t length, tw_unit expected, const tw_place *origin,
                            tw_quantity *out) TW_MUST_USE;

/* Bytes that any text of this room needs at most, the terminator included. */
#define TW_QUANTITY_TEXT 160

/* Text that tw_quantity_parse reads back as the same quantity, bit for bit; shortest digits, engineering prefix.
 * `out` needs TW_QUANTITY_TEXT bytes. Returns its length. */
size_t tw_quantity_format(const tw_quantity *q, char *out);

/* Text for reading: with u > 0 two significant digits of u and the value to the same decimal place (GUM 7.2.6),
 * as in "5.104 kW (u=0.021 kW)"; without u the value to `digits` (1..17) significant digits; "unknown" for NaN.
 * `out` needs TW_QUANTITY_TEXT bytes. Returns its length. */
size_t tw_value_format(tw_value v, tw_unit unit, int digits, char *out);

/* The name nearest to `wanted` by edit distance (insert, delete, replace, swap of neighbours; letter case ignored),
 * or NULL when none is near enough to be meant. Names longer than 63 bytes are passed over. */
const char *tw_nearest_name(const char *wanted, const char *const *names, size_t n_names);

/* Bytes for a quotation: 'text' in single quotes, unprintable bytes as '?', cut with "..." after some 40 characters. */
#define TW_QUOTE_TEXT 200
const char *tw_quote(const char *text, size_t length, char *out);

/* Whether all bytes are well-formed UTF-8 (RFC 3629); *bad gets the offset of the first that is not. */
bool tw_utf8_valid(const char *text, size_t length, size_t *bad);
/* Characters (code points) in well-formed UTF-8. */
size_t tw_utf8_count(const char *text, size_t length);

#endif

/* Units, prefixes and what a suffix means.
 *
 * Prefixes: BIPM, The International System of Units (SI), 9th edition (2019, updated 2022), table 7.
 * Letters for the decimal point: IEC 60062, resistors R K M G T, capacitors p n u m; k is read for K as the trade
 * writes it. K alone is kelvin except where a resistance is expected.
 */
#include "units_private.h"

#include <string.h>

typedef struct unit_row {
    const char *symbol, *quantity, *example;
} unit_row;

static const unit_row UNITS[] = {
#define UNIT_ROW(name, symbol, quantity, example) {symbol, quantity, example},
    TW_UNIT_LIST(UNIT_ROW)
#undef UNIT_ROW
};

const char *tw_unit_symbol(tw_unit unit) {
    return UNITS[unit].symbol;
}

const char *tw_unit_quantity(tw_unit unit) {
    return UNITS[unit].quantity;
}

const char *tw_unit_example(tw_unit unit) {
    return UNITS[unit].example;
}

typedef struct prefix_row {
    const char *symbol;
    int exponent;
    bool alone; /* read without a unit: the prefixes of the bench, not "h" or "d" that look like hours and days */
} prefix_row;

static const prefix_row PREFIXES[] = {
    {"q", -30, false},      {"r", -27, false}, {"y", -24, false}, {"z", -21, false}, {"a", -18, false},
    {"f", -15, true},       {"p", -12, true},  {"n", -9, true},   {"u", -6, true},   {"\xC2\xB5", -6, true},
    {"\xCE\xBC", -6, true}, {"m", -3, true},   {"c", -2, false},  {"d", -1, false},  {"da", 1, false},
    {"h", 2, false},        {"k", 3, true},    {"M", 6, true},    {"G", 9, true},    {"T", 12, true},
    {"P", 15, false},       {"E", 18, false},  {"Z", 21, false},  {"Y", 24, false},  {"R", 27, false},
    {"Q", 30, false},
};
enum { N_PREFIXES = sizeof PREFIXES / sizeof PREFIXES[0] };

typedef struct spelling_row {
    const char *text;
    tw_unit unit;
    bool takes_prefix;
} spelling_row;

static const spelling_row SPELLINGS[] = {
    {"V", TW_UNIT_VOLT, true},
    {"A", TW_UNIT_AMPERE, true},
    {"ohm", TW_UNIT_OHM, true},
    {"Ohm", TW_UNIT_OHM, true},
    {"\xCE\xA9", TW_UNIT_OHM, true},
    {"\xE2\x84\xA6", TW_UNIT_OHM, true},
    {"R", TW_UNIT_OHM, true},
    {"H", TW_UNIT_HENRY, true},
    {"F", TW_UNIT_FARAD, true},
    {"s", TW_UNIT_SECOND, true},
    {"Hz", TW_UNIT_HERTZ, true},
    {"W", TW_UNIT_WATT, true},
    {"VA", TW_UNIT_VOLT_AMPERE, true},
    {"var", TW_UNIT_VAR, true},
    {"m", TW_UNIT_METRE, true},
    {"K", TW_UNIT_KELVIN, true},
    {"degC", TW_UNIT_DEGC, false},
    {"\xC2\xB0"
     "C",
     TW_UNIT_DEGC, false},
    {"deg", TW_UNIT_DEGREE, false},
    {"\xC2\xB0", TW_UNIT_DEGREE, false},
    {"rad", TW_UNIT_RADIAN, true},
    {"T", TW_UNIT_TESLA, true},
    {"J", TW_UNIT_JOULE, true},
    {"V/A", TW_UNIT_VOLT_PER_AMPERE, true},
    {"m2", TW_UNIT_SQUARE_METRE, true},
    {"m^2", TW_UNIT_SQUARE_METRE, true},
    {"m\xC2\xB2", TW_UNIT_SQUARE_METRE, true},
};
enum { N_SPELLINGS = sizeof SPELLINGS / sizeof SPELLINGS[0] };

static bool same(const char *text, size_t length, const char *wanted) {
    return strlen(wanted) == length && memcmp(text, wanted, length) == 0;
}

static const prefix_row *find_prefix(const char *text, size_t length) {
    for (size_t i = 0; i < N_PREFIXES; i++) {
        if (same(text, length, PREFIXES[i].symbol)) {
            return &PREFIXES[i];
        }
    }
    return NULL;
}

bool tw_prefix_exponent(const char *symbol, size_t length, int *exponent) {
    const prefix_row *row = find_prefix(symbol, length);
    if (row != NULL) {
        *exponent = row->exponent;
    }
    return row != NULL;
}

bool tw_units__conversion(tw_unit from, tw_unit to, double *factor, double *offset) {
    const double kelvin_at_0_degc = 273.15; /* exact by the definition of the Celsius scale */
    *factor = 1.0;
    *offset = 0.0;
    if (from == to) {
        return true;
    }
    if (from == TW_UNIT_DEGREE && to == TW_UNIT_RADIAN) {
        *factor = TW_PI / 180.0;
    } else if (from == TW_UNIT_RADIAN && to == TW_UNIT_DEGREE) {
        *factor = 180.0 / TW_PI;
    } else if (from == TW_UNIT_DEGC && to == TW_UNIT_KELVIN) {
        *offset = kelvin_at_0_degc;
    } else if (from == TW_UNIT_KELVIN && to == TW_UNIT_DEGC) {
        *offset = -kelvin_at_0_degc;
    } else {
        return false;
    }
    return true;
}

/* Better readings get higher ranks: the expected unit, then a prefix alone, then any other unit. */
enum { RANK_NONE, RANK_OTHER, RANK_PREFIX, RANK_CONVERTS, RANK_EXPECTED };

static int rank_of(tw_unit found, tw_unit expected) {
    double factor, offset;
    if (found == expected) {
        return RANK_EXPECTED;
    }
    return tw_units__conversion(found, expected, &factor, &offset) ? RANK_CONVERTS : RANK_OTHER;
}

bool tw_units__suffix(const char *text, size_t length, tw_unit expected, bool adjacent, tw_units_suffix *out) {
    int best = RANK_NONE;
    tw_units_suffix found = {0};
    if (same(text, length, "%")) {
        *out = (tw_units_suffix){.has_unit = true, .percent = true, .unit = TW_UNIT_NONE, .exponent = -2};
        return true;
    }
    for (size_t i = 0; i < N_SPELLINGS; i++) {
        const spelling_row *row = &SPELLINGS[i];
        const size_t n = strlen(row->text);
        if (n > length || memcmp(text + length - n, row->text, n) != 0) {
            continue;
        }
        const prefix_row *prefix = n < length ? find_prefix(text, length - n) : NULL;
        if ((n < length && (prefix == NULL || !row->takes_prefix)) || rank_of(row->unit, expected) <= best) {
            continue;
        }
        best = rank_of(row->unit, expected);
        found = (tw_units_suffix){.has_unit = true, .has_prefix = prefix != NULL, .unit = row->unit};
        /* mm2 is the square of a millimetre */
        found.exponent = (prefix != NULL ? prefix->exponent : 0) * (row->unit == TW_UNIT_SQUARE_METRE ? 2 : 1);
    }
    const int lower = adjacent ? RANK_PREFIX : RANK_OTHER;
    const prefix_row *alone = find_prefix(text, length);
    if (best < lower && alone != NULL && alone->alone) {
        best = RANK_PREFIX;
        found = (tw_units_suffix){.has_prefix = true, .exponent = alone->exponent};
    }
    if (best < lower && expected == TW_UNIT_OHM && same(text, length, "K")) {
        best = RANK_PREFIX;
        found = (tw_units_suffix){.has_prefix = true, .exponent = 3};
    }
    if (best != RANK_NONE) {
        *out = found;
    }
    return best != RANK_NONE;
}

size_t tw_units__point_letter(const char *text, size_t length, tw_unit expected, int *exponent, bool *ohm) {
    *ohm = false;
    if (length == 0) {
        return 0;
    }
    if (text[0] == 'R') {
        *exponent = 0;
        *ohm = true;
        return 1;
    }
    if (text[0] == 'K' && expected == TW_UNIT_OHM) {
        *exponent = 3;
        return 1;
    }
    for (size_t i = 0; i < N_PREFIXES; i++) {
        const size_t n = strlen(PREFIXES[i].symbol);
        if (PREFIXES[i].alone && n <= length && memcmp(text, PREFIXES[i].symbol, n) == 0) {
            *exponent = PREFIXES[i].exponent;
            return n;
        }
    }
    return 0;
}

const char *tw_units__output_prefix(int exponent) {
    static const char *const SYMBOLS[] = {"f", "p", "n", "u", "m", "", "k", "M", "G", "T"};
    return SYMBOLS[(exponent + 15) / 3];
}

void tw_units__output_range(tw_unit unit, int *lowest, int *highest) {
    switch (unit) {
    case TW_UNIT_NONE:
    case TW_UNIT_DEGC:
    case TW_UNIT_DEGREE:
    case TW_UNIT_SQUARE_METRE:
        *lowest = 0;
        *highest = 0;
        break;
    case TW_UNIT_SECOND:
    case TW_UNIT_KELVIN:
    case TW_UNIT_RADIAN:
        *lowest = -15;
        *highest = 0;
        break;
    default:
        *lowest = -15;
        *highest = 12;
        break;
    }
}

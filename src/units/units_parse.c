/* Reading a quantity.
 *
 * The decimal digits, the exponent and the prefix are put together as one decimal number before it becomes a
 * double, so there is one rounding only. Source of the uncertainty rules: JCGM 100:2008 (GUM), 4.3.7 and 7.2.2.
 */
#include "units_private.h"

#include <math.h>
#include <string.h>

typedef struct cursor {
    tw_ctx *ctx;
    const char *text;
    size_t length, at;
    tw_unit expected;
    const tw_place *origin;
} cursor;

/* One number with its suffix. */
typedef struct amount {
    double value;  /* in the expected unit; in percent where percent */
    bool bare;     /* neither prefix nor unit */
    bool percent;  /* the suffix was % */
    size_t suffix; /* offset of the suffix, for messages */
} amount;

static tw_status fail(const cursor *c, size_t at, const char *format, ...) TW_PRINTF(3, 4);
static tw_status fail(const cursor *c, size_t at, const char *format, ...) {
    char message[400];
    va_list args;
    va_start(args, format);
    (void)vsnprintf(message, sizeof message, format, args);
    va_end(args);
    tw_place place = {.line = 1, .column = 1};
    if (c->origin != NULL) {
        place = *c->origin;
    }
    place.column += tw_utf8_count(c->text, at < c->length ? at : c->length);
    return tw_fail_at(c->ctx, TW_BAD_DATA, "units", &place, "%s", message);
}

static tw_status fail_expected(const cursor *c, size_t at, const char *what) {
    char quote[TW_QUOTE_TEXT];
    return fail(c, at, "found %s, %s; expected %s such as %s", tw_quote(c->text, c->length, quote), what,
                tw_unit_quantity(c->expected), tw_unit_example(c->expected));
}

static bool starts(const cursor *c, const char *word) {
    const size_t n = strlen(word);
    return n <= c->length - c->at && memcmp(c->text + c->at, word, n) == 0;
}

static bool take(cursor *c, const char *word) {
    const bool there = starts(c, word);
    c->at += there ? strlen(word) : 0;
    return there;
}

static void skip_space(cursor *c) {
    /* blank, tab, no-break space, thin space, narrow no-break space */
    while (take(c, " ") || take(c, "\t") || take(c, "\xC2\xA0") || take(c, "\xE2\x80\x89") || take(c, "\xE2\x80\xAF")) {
    }
}

static bool digit_at(const cursor *c, size_t at) {
    return at < c->length && c->text[at] >= '0' && c->text[at] <= '9';
}

/* The decimal text of a number while it is put together. */
typedef struct decimal {
    char text[140];
    size_t n;
    long exponent;
    bool by_letter, ohm_letter, nonzero;
} decimal;

enum { MANTISSA_LIMIT = 110 };

static void put(decimal *d, char byte) {
    if (d->n < MANTISSA_LIMIT) {
        d->text[d->n] = byte;
    }
    d->n++;
    d->nonzero = d->nonzero || (byte >= '1' && byte <= '9');
}

static size_t take_digits(cursor *c, decimal *d) {
    const size_t start = c->at;
    while (digit_at(c, c->at)) {
        put(d, c->text[c->at++]);
    }
    return c->at - start;
}

/* Digits with a point or with a letter in its place, and an exponent where no letter stood. */
static tw_status read_decimal(cursor *c, decimal *d) {
    const size_t start = c->at;
    *d = (decimal){.n = 0};
    if (take(c, "-") || take(c, "\xE2\x88\x92")) {
        put(d, '-');
    } else {
        (void)take(c, "+");
    }
    size_t digits = take_digits(c, d);
    int letter_exponent = 0;
    const size_t letter =
        tw_units__point_letter(c->text + c->at, c->length - c->at, c->expected, &letter_exponent, &d->ohm_letter);
    if (letter > 0 && digit_at(c, c->at + letter)) {
        d->by_letter = true;
        d->exponent = letter_exponent;
        c->at += letter;
        put(d, '.');
        digits += take_digits(c, d);
    } else {
        d->ohm_letter = false;
        if (starts(c, ".")) {
            c->at++;
            put(d, '.');
            digits += take_digits(c, d);
        } else if (starts(c, ",")) {
            return fail_expected(c, c->at, "the decimal point is written '.'");
        }
    }
    if (digits == 0) {
        c->at = start;
        return fail_expected(c, start, "no number where one should stand");
    }
    if (d->n > MANTISSA_LIMIT) {
        return fail_expected(c, start, "a number of too many digits");
    }
    return TW_OK;
}

static void read_exponent(cursor *c, decimal *d) {
    if (d->by_letter || !(starts(c, "e") || starts(c, "E"))) {
        return;
    }
    const bool negative = c->at + 1 < c->length && c->text[c->at + 1] == '-';
    const bool sign = negative || (c->at + 1 < c->length && c->text[c->at + 1] == '+');
    size_t at = c->at + (sign ? 2 : 1);
    if (!digit_at(c, at)) {
        return; /* a suffix such as EHz */
    }
    long e = 0;
    for (; digit_at(c, at); at++) {
        e = e < 100000 ? 10 * e + (c->text[at] - '0') : e;
    }
    d->exponent += negative ? -e : e;
    c->at = at;
}

static bool ends_suffix(const cursor *c) {
    const char byte = c->text[c->at];
    return (byte >= '0' && byte <= '9') || strchr(" \t()+-=,", byte) != NULL || starts(c, "\xC2\xB1") ||
           starts(c, "\xC2\xA0") || starts(c, "\xE2\x80\x89") || starts(c, "\xE2\x80\xAF");
}

/* The digit of a square, as in mm2 and mm^2: part of the suffix where an area is expected. */
static bool squares(const cursor *c, size_t suffix_at) {
    return c->expected == TW_UNIT_SQUARE_METRE && c->at > suffix_at && c->text[c->at] == '2' &&
           (c->text[c->at - 1] == 'm' || c->text[c->at - 1] == '^');
}

/* The suffix after a number; leaves the cursor after it. */
static tw_status read_suffix(cursor *c, const decimal *d, tw_units_suffix *suffix, size_t *suffix_at) {
    *suffix = (tw_units_suffix){.has_unit = d->ohm_letter, .unit = TW_UNIT_OHM};
    const size_t number_end = c->at;
    skip_space(c);
    *suffix_at = c->at;
    while (c->at < c->length && c->text[c->at] != '\0' && (!ends_suffix(c) || squares(c, *suffix_at))) {
        c->at++;
    }
    if (c->at == *suffix_at) {
        return TW_OK;
    }
    char quote[TW_QUOTE_TEXT], what[300];
    const char *text = c->text + *suffix_at;
    const size_t length = c->at - *suffix_at;
    if (!tw_units__suffix(text, length, c->expected, number_end == *suffix_at, suffix)) {
        (void)snprintf(what, sizeof what, "where %s is no unit known here%s", tw_quote(text, length, quote),
                       text[0] == 'K' ? " (kilo is written k)" : "");
        return fail_expected(c, *suffix_at, what);
    }
    if (d->by_letter && suffix->has_prefix) {
        return fail_expected(c, *suffix_at, "a second prefix after a letter for the decimal point");
    }
    if (d->ohm_letter && suffix->unit != TW_UNIT_OHM) {
        return fail_expected(c, *suffix_at, "a second unit after R for ohm");
    }
    return TW_OK;
}

/* `spread`: the number is an uncertainty, where % means percent of the value and no offset applies. */
static tw_status read_amount(cursor *c, bool spread, amount *out) {
    const size_t start = c->at;
    decimal d;
    tw_units_suffix suffix;
    TW_TRY(read_decimal(c, &d));
    read_exponent(c, &d);
    const size_t number_end = c->at;
    TW_TRY(read_suffix(c, &d, &suffix, &out->suffix));
    out->bare = !suffix.has_unit && !suffix.has_prefix && !d.by_letter;
    out->percent = suffix.percent;
    double factor = 1.0, offset = 0.0;
    if (suffix.has_unit && !(spread && suffix.percent) &&
        !tw_units__conversion(suffix.unit, c->expected, &factor, &offset)) {
        const bool written = out->suffix < c->at; /* R66 names its unit inside the number */
        const bool kilo = written && suffix.unit == TW_UNIT_KELVIN && c->text[out->suffix] == 'K';
        return fail_expected(c, written ? out->suffix : number_end,
                             suffix.percent ? "a percentage"
                             : kilo         ? "a temperature (kilo is written k)"
                                            : tw_unit_quantity(suffix.unit));
    }
    const long exponent = d.exponent + (spread && suffix.percent ? 0 : suffix.exponent);
    const int n = snprintf(d.text + d.n, sizeof d.text - d.n, "e%ld", exponent);
    double number;
    if (tw_parse_number(d.text, d.n + (size_t)n, &number) != d.n + (size_t)n) {
        return fail_expected(c, start, "not a number");
    }
    if (!isfinite(number) || (number == 0.0 && d.nonzero)) {
        return fail_expected(c, start, "a number too large or too small");
    }
    const double scaled = factor == 1.0 ? number : number * factor; /* the plain case keeps its one rounding */
    out->value = spread || offset == 0.0 ? scaled : scaled + offset;
    return TW_OK;
}

/* The number after ± or u=. */
static tw_status read_spread(cursor *c, const amount *value, tw_spread_kind kind, tw_quantity *q) {
    skip_space(c);
    const size_t start = c->at;
    amount a;
    TW_TRY(read_amount(c, true, &a));
    if (a.value < 0) {
        return fail_expected(c, start, "a negative uncertainty");
    }
    if (a.bare && !value->bare) {
        return fail_expected(c, a.suffix, "an uncertainty without unit or %");
    }
    q->spread_kind = kind;
    q->relative = a.percent;
    q->spread = a.value;
    return TW_OK;
}

static tw_status read_uncertainty(cursor *c, const amount *value, tw_quantity *q) {
    if (take(c, "\xC2\xB1") || take(c, "+/-") || take(c, "+-")) {
        return read_spread(c, value, TW_SPREAD_LIMIT, q);
    }
    if (!take(c, "(")) {
        return TW_OK;
    }
    skip_space(c);
    const bool u = take(c, "u");
    skip_space(c);
    if (!u || !take(c, "=")) {
        return fail_expected(c, c->at, "where a bracket should read (u=...)");
    }
    TW_TRY(read_spread(c, value, TW_SPREAD_STANDARD, q));
    skip_space(c);
    return take(c, ")") ? TW_OK : fail_expected(c, c->at, "the bracket is not closed");
}

tw_status tw_quantity_parse(tw_ctx *ctx, const char *text, size_t length, tw_unit expected, const tw_place *origin,
                            tw_quantity *out) {
    cursor c = {.ctx = ctx, .text = text, .length = length, .expected = expected, .origin = origin};
    tw_quantity q = {.value = (double)NAN, .unit = expected};
    skip_space(&c);
    if (c.at == length) {
        return fail(&c, c.at, "found nothing; expected %s such as %s", tw_unit_quantity(expected),
                    tw_unit_example(expected));
    }
    if (!take(&c, "unknown")) {
        amount a;
        TW_TRY(read_amount(&c, false, &a));
        q.value = a.value;
        skip_space(&c);
        TW_TRY(read_uncertainty(&c, &a, &q));
    }
    skip_space(&c);
    if (c.at != length) {
        char quote[TW_QUOTE_TEXT], what[300];
        (void)snprintf(what, sizeof what, "where %s is left over", tw_quote(text + c.at, length - c.at, quote));
        return fail_expected(&c, c.at, what);
    }
    if (!isfinite(tw_quantity_value(&q).u)) {
        return fail_expected(&c, 0, "an uncertainty too large");
    }
    *out = q;
    return TW_OK;
}

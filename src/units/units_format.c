/* Writing a quantity.
 *
 * Numbers are handled as decimal digits and a power of ten; a prefix then only moves the point, which loses
 * nothing. Rounding happens in the decimal conversion, before the prefix is chosen, so 999.96 Hz to four digits
 * is "1.000 kHz".
 */
#include "units_private.h"

#include <math.h>
#include <string.h>

/* 0.d1 d2 ... dn times 10^(exponent + 1). */
typedef struct digits {
    bool negative;
    char d[24];
    int n;
    int exponent; /* of the first digit */
} digits;

/* Takes "%e", "%f" or "%g" text apart, whatever the locale's point. */
static digits take_apart(const char *text, bool drop_trailing_zeros) {
    digits out = {.negative = text[0] == '-'};
    int point = -1, leading = 0, exponent = 0, seen = 0;
    const char *s = text + (out.negative ? 1 : 0);
    for (; *s != '\0' && *s != 'e'; s++) {
        if (*s < '0' || *s > '9') {
            point = seen;
            continue;
        }
        seen++;
        if (*s == '0' && out.n == 0) {
            leading++;
        } else if (out.n < (int)sizeof out.d) {
            out.d[out.n++] = *s;
        }
    }
    if (*s == 'e') {
        const bool minus = s[1] == '-';
        for (s += 2; *s != '\0'; s++) {
            exponent = 10 * exponent + (*s - '0');
        }
        exponent = minus ? -exponent : exponent;
    }
    while (drop_trailing_zeros && out.n > 0 && out.d[out.n - 1] == '0') {
        out.n--;
    }
    out.exponent = exponent + (point < 0 ? seen : point) - leading - 1;
    if (out.n == 0) { /* zero */
        out.d[out.n++] = '0';
        out.exponent = 0;
    }
    return out;
}

static int floor_to_three(int exponent) {
    return exponent >= 0 ? exponent / 3 * 3 : -((2 - exponent) / 3 * 3);
}

/* A prefix exponent for a number whose first digit has this power of ten; *scientific where none is near. */
static int choose_prefix(tw_unit unit, int exponent, bool *scientific) {
    int lowest, highest;
    tw_units__output_range(unit, &lowest, &highest);
    const int wanted = floor_to_three(exponent);
    const int prefix = wanted < lowest ? lowest : wanted > highest ? highest : wanted;
    *scientific = exponent < prefix - 4 || exponent > prefix + 6;
    return prefix;
}

static size_t put_number(const digits *d, int prefix, char *out) {
    char *p = out;
    int before = d->exponent + 1 - prefix; /* digits before the point */
    if (d->n == 1 && d->d[0] == '0' && before > 1) {
        before = 1; /* a value that rounded to nothing in the tens */
    }
    if (d->negative) {
        *p++ = '-';
    }
    if (before <= 0) {
        *p++ = '0';
        *p++ = '.';
        for (int i = before; i < 0; i++) {
            *p++ = '0';
        }
    }
    for (int i = 0; i < d->n; i++) {
        if (i == before && before > 0) {
            *p++ = '.';
        }
        *p++ = d->d[i];
    }
    for (int i = d->n; i < before; i++) {
        *p++ = '0';
    }
    *p = '\0';
    return (size_t)(p - out);
}

/* Number, prefix and unit. */
static size_t put_amount(const digits *d, tw_unit unit, int prefix, bool scientific, char *out) {
    size_t n = put_number(d, scientific ? d->exponent : prefix, out);
    if (scientific) {
        n += (size_t)snprintf(out + n, 16, "e%d", d->exponent);
    }
    const char *symbol = tw_unit_symbol(unit);
    if (symbol[0] != '\0') {
        n += (size_t)snprintf(out + n, 16, " %s%s", scientific ? "" : tw_units__output_prefix(prefix), symbol);
    }
    return n;
}

static size_t put_exact(double value, tw_unit unit, char *out) {
    char text[TW_NUMBER_TEXT];
    (void)tw_format_number(value, text);
    const digits d = take_apart(text, true);
    bool scientific;
    const int prefix = choose_prefix(unit, d.exponent, &scientific);
    return put_amount(&d, unit, prefix, scientific, out);
}

tw_value tw_quantity_value(const tw_quantity *q) {
    tw_value v = {.value = q->value, .u = 0.0};
    if (q->spread_kind == TW_SPREAD_NONE || !tw_is_known(v)) {
        return v;
    }
    const double width = q->relative ? fabs(q->value) * q->spread / 100.0 : q->spread;
    v.u = q->spread_kind == TW_SPREAD_LIMIT ? width / sqrt(3.0) : width;
    return v;
}

tw_quantity tw_quantity_of(tw_value v, tw_unit unit) {
    const bool stated = tw_is_known(v) && v.u > 0.0;
    return (tw_quantity){.value = v.value,
                         .unit = unit,
                         .spread_kind = stated ? TW_SPREAD_STANDARD : TW_SPREAD_NONE,
                         .spread = stated ? v.u : 0.0};
}

size_t tw_quantity_format(const tw_quantity *q, char *out) {
    if (isnan(q->value)) {
        return (size_t)snprintf(out, TW_QUANTITY_TEXT, "unknown");
    }
    size_t n = put_exact(q->value, q->unit, out);
    if (q->spread_kind == TW_SPREAD_NONE) {
        return n;
    }
    const bool limit = q->spread_kind == TW_SPREAD_LIMIT;
    n += (size_t)snprintf(out + n, 8, limit ? " \xC2\xB1 " : " (u=");
    n += put_exact(q->spread, q->relative ? TW_UNIT_NONE : q->unit, out + n);
    n += (size_t)snprintf(out + n, 4, "%s%s", q->relative ? " %" : "", limit ? "" : ")");
    return n;
}

static digits round_to(double value, int n_digits) {
    char text[64];
    (void)snprintf(text, sizeof text, "%.*e", n_digits - 1, value);
    digits d = take_apart(text, false);
    if (value == 0.0) {
        for (d.n = 0; d.n < n_digits; d.n++) {
            d.d[d.n] = '0';
        }
    }
    return d;
}

/* Rounds to a decimal place (10^place), which may lie left of the first digit. */
static digits round_at(double value, int place) {
    const digits first = round_to(value, 17);
    int n = value == 0.0 ? 0 : first.exponent - place + 1;
    if (n > 17) {
        n = 17;
    }
    if (n >= 1) {
        digits d = round_to(value, n);
        if (d.exponent > first.exponent && d.n < (int)sizeof d.d) { /* 9.96 became 1.00e1: back to the same place */
            d.d[d.n++] = '0';
        }
        return d;
    }
    digits d = {.negative = value < 0.0, .d = "0", .n = 1, .exponent = place};
    if (n == 0 && first.d[0] >= '5') {
        d.d[0] = '1';
        return d;
    }
    d.negative = false;
    return d;
}

size_t tw_value_format(tw_value v, tw_unit unit, int n_digits, char *out) {
    bool scientific;
    if (!isfinite(v.value)) {
        return (size_t)snprintf(out, TW_QUANTITY_TEXT, isnan(v.value) ? "unknown" : v.value > 0 ? "inf" : "-inf");
    }
    if (!(v.u > 0.0) || !isfinite(v.u)) {
        const digits d = round_to(v.value, n_digits < 1 ? 1 : n_digits > 17 ? 17 : n_digits);
        const int prefix = choose_prefix(unit, d.exponent, &scientific);
        return put_amount(&d, unit, prefix, scientific, out);
    }
    const digits u = round_to(v.u, 2);
    const digits d = round_at(v.value, u.exponent - 1);
    int prefix = choose_prefix(unit, d.exponent > u.exponent ? d.exponent : u.exponent, &scientific);
    /* both numbers share the prefix; far outside its reach each has its own exponent */
    bool u_scientific = u.exponent < prefix - 12 || u.exponent > prefix + 6;
    const bool same_scale = !scientific && !u_scientific;
    size_t n = put_amount(&d, unit, prefix, !same_scale, out);
    n += (size_t)snprintf(out + n, 8, " (u=");
    n += put_amount(&u, unit, prefix, !same_scale, out + n);
    n += (size_t)snprintf(out + n, 4, ")");
    return n;
}

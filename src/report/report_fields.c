/* Fields of a reading as text. */
#include "report_private.h"

#include <math.h>
#include <string.h>

const tw_field *report__edge_field(const tw_reading_edge *edge, const char *key) {
    for (size_t i = 0; i < edge->n_fields; i++) {
        if (strcmp(edge->fields[i].key, key) == 0) {
            return &edge->fields[i];
        }
    }
    return NULL;
}

tw_value report__edge_value(const tw_reading_edge *edge, const char *key) {
    const tw_field *field = report__edge_field(edge, key);
    return field != NULL ? field->value : tw_unknown();
}

static void format_digits(tw_value v, const char *unit, int digits, char *out) {
    if (!isfinite(v.value)) {
        (void)snprintf(out, TW_QUANTITY_TEXT, "-");
        return;
    }
    for (int k = 0; k < TW_UNIT_COUNT; k++) {
        if (strcmp(tw_unit_symbol((tw_unit)k), unit) == 0) {
            (void)tw_value_format(v, (tw_unit)k, digits, out);
            return;
        }
    }
    /* a unit that the table does not have: no prefix, so nothing can be misread */
    char number[TW_QUANTITY_TEXT];
    (void)tw_value_format(v, TW_UNIT_NONE, digits, number);
    (void)snprintf(out, TW_QUANTITY_TEXT, "%.100s %.40s", number, unit);
}

void report__format(tw_value v, const char *unit, char *out) {
    format_digits(v, unit, 4, out);
}

/* "40.00 ns" becomes "40 ns". */
static void drop_zeros(char *out) {
    const size_t point = strcspn(out, ".");
    if (out[point] == '\0') {
        return;
    }
    const size_t end = point + 1 + strspn(out + point + 1, "0123456789");
    size_t keep = end;
    while (out[keep - 1] == '0') {
        keep--;
    }
    keep -= keep == point + 1 ? 1 : 0;
    memmove(out + keep, out + end, strlen(out + end) + 1);
}

void report__format_set(double value, const char *unit, char *out) {
    report__format(tw_exactly(value), unit, out);
    drop_zeros(out);
}

void report__format_short(tw_value v, const char *unit, char *out) {
    report__format(v, unit, out);
    char *spread = strstr(out, " (u=");
    if (spread != NULL) {
        *spread = '\0';
    } else if (isfinite(v.value)) {
        report__format_set(v.value, unit, out);
    }
}

/* The value with its third digit rounded up or down, or to the nearest. */
static double to_third_digit(double value, report__rounding rounding) {
    const double step = pow(10, floor(log10(fabs(value))) - 2), steps = value / step, nearest = round(steps);
    /* what has three digits already must not move by the division's own rounding */
    const bool is_short = fabs(steps - nearest) < 1e-6;
    return step * (rounding == REPORT_NEAREST || is_short ? nearest
                   : rounding == REPORT_UP                ? ceil(steps)
                                                          : floor(steps));
}

void report__format_sentence(tw_value v, const char *unit, report__rounding rounding, char *out) {
    enum { MOST_DIGITS = 3 };
    report__format_short(v, unit, out);
    size_t digits = 0;
    for (const char *c = out; *c != '\0' && *c != ' ' && *c != 'e'; c++) {
        digits += (*c >= '1' && *c <= '9') || (*c == '0' && digits > 0) ? 1 : 0;
    }
    if (digits <= MOST_DIGITS || !isfinite(v.value) || v.value == 0) {
        return;
    }
    format_digits(tw_exactly(to_third_digit(v.value, rounding)), unit, MOST_DIGITS, out);
    if (!(v.u > 0)) {
        drop_zeros(out);
    }
}

/* Appends as long as it fits. */
static size_t put(char *out, size_t size, size_t used, const char *piece) {
    const size_t n = strlen(piece);
    if (used + n < size) {
        memcpy(out + used, piece, n);
        used += n;
    }
    return used;
}

void report__pretty(const char *text, char *out, size_t size) {
    static const struct {
        const char *plain, *typographic;
        bool unit; /* stands behind a space only */
    } SIGNS[] = {
        {"mohm", "m\u03a9", true}, {"kohm", "k\u03a9", true}, {"uohm", "\u00b5\u03a9", true}, {"ohm", "\u03a9", true},
        {"deg", "\u00b0", true},   {"us", "\u00b5s", true},   {"uH", "\u00b5H", true},        {"uF", "\u00b5F", true},
        {"uJ", "\u00b5J", true},   {"uV", "\u00b5V", true},   {"uA", "\u00b5A", true},        {"uW", "\u00b5W", true},
        {"-", "\u2212", false},
    };
    size_t used = 0;
    for (size_t i = 0; text[i] != '\0';) {
        size_t k = 0;
        for (; k < sizeof SIGNS / sizeof SIGNS[0]; k++) {
            const size_t n = strlen(SIGNS[k].plain);
            const bool placed = SIGNS[k].unit ? i > 0 && text[i - 1] == ' ' : text[i + 1] >= '0' && text[i + 1] <= '9';
            if (placed && strncmp(text + i, SIGNS[k].plain, n) == 0) {
                used = put(out, size, used, SIGNS[k].typographic);
                i += n;
                break;
            }
        }
        if (k == sizeof SIGNS / sizeof SIGNS[0]) {
            const char one[2] = {text[i++], '\0'};
            used = put(out, size, used, one);
        }
    }
    out[used] = '\0';
}

const char *report__verdict_name(tw_commutation verdict) {
    switch (verdict) {
    case TW_COMMUTATION_FULL_ZVS:
        return "full ZVS";
    case TW_COMMUTATION_PARTIAL_ZVS:
        return "partial ZVS";
    case TW_COMMUTATION_REBOUND:
        return "rebound";
    case TW_COMMUTATION_HARD:
        return "hard";
    case TW_COMMUTATION_UNKNOWN:
        break;
    }
    return "not determined";
}

const char *report__kind_word(tw_reading_kind kind) {
    return kind == TW_READING_FORECAST ? "forecast" : "analysis";
}

size_t report__count_group(const tw_reading *reading, int group) {
    size_t n = 0;
    for (size_t i = 0; i < reading->n_fields; i++) {
        n += reading->fields[i].group == group ? 1 : 0;
    }
    return n;
}

/* Lines to cells, cells to values: quotes, decimal comma, markers for over range and for missing values. */
#include "capture_private.h"

#include <ctype.h>
#include <math.h>
#include <string.h>
#include <strings.h>

static bool is_blank(char c) {
    return c == ' ' || c == '\t' || c == '\r' || c == '\f';
}

capture_cell tw_capture__trim(const char *text, size_t length) {
    while (length > 0 && is_blank(text[0])) {
        text++;
        length--;
    }
    while (length > 0 && is_blank(text[length - 1])) {
        length--;
    }
    if (length >= 2 && (text[0] == '"' || text[0] == '\'') && text[length - 1] == text[0] &&
        memchr(text + 1, text[0], length - 2) == NULL) {
        return tw_capture__trim(text + 1, length - 2);
    }
    return (capture_cell){text, length};
}

/* Where the cell that starts at `at` ends: the next separator outside quotes. */
static size_t cell_end(const char *line, size_t length, char separator, size_t at) {
    size_t i = at;
    while (i < length && separator != line[i] && is_blank(line[i])) {
        i++;
    }
    if (i < length && line[i] == '"') {
        const char *close = memchr(line + i + 1, '"', length - i - 1);
        if (close != NULL) { /* a quote that is never closed is a plain character */
            i = (size_t)(close - line) + 1;
        }
    } else {
        i = at;
    }
    if (separator == ' ') {
        while (i < length && !is_blank(line[i])) {
            i++;
        }
        return i;
    }
    const char *end = memchr(line + i, separator, length - i);
    return end != NULL ? (size_t)(end - line) : length;
}

bool tw_capture__next_cell(const char *line, size_t length, char separator, size_t *at, capture_cell *out) {
    size_t i = *at;
    if (separator == ' ') {
        while (i < length && is_blank(line[i])) {
            i++;
        }
        if (i >= length) {
            return false;
        }
    } else if (i > length || (i == length && i == 0)) {
        return false;
    }
    const size_t end = cell_end(line, length, separator, i);
    *out = tw_capture__trim(line + i, end - i);
    *at = end + 1;
    return true;
}

size_t tw_capture__split(const char *line, size_t length, char separator, capture_cell *cells, size_t most) {
    size_t count = 0, at = 0;
    capture_cell cell;
    while (tw_capture__next_cell(line, length, separator, &at, &cell)) {
        if (count == most) {
            return most + 1;
        }
        cells[count++] = cell;
    }
    return count;
}

static bool same_word(const char *text, size_t length, const char *word) {
    return strlen(word) == length && strncasecmp(text, word, length) == 0;
}

static bool one_of(const char *text, size_t length, const char *const *words) {
    for (; *words != NULL; words++) {
        if (same_word(text, length, *words)) {
            return true;
        }
    }
    return false;
}

static bool only_number_bytes(const char *s, size_t n) {
    for (size_t i = 0; i < n; i++) {
        if (s[i] == '\0' || strchr("+-., 0123456789", s[i]) == NULL) {
            return false;
        }
    }
    return true;
}

static cell_kind read_marker(capture_cell cell, double *value) {
    static const char *const OVER[] = {"inf",  "infinity", "1.#inf",       "ol",  "ovl",  "ovld",
                                       "over", "overload", "overflow",     "ovr", "clip", "clipped",
                                       "ofl",  "o.l",      "\xe2\x88\x9e", NULL};
    static const char *const UNDER[] = {"under", "underflow", "undl", NULL};
    static const char *const MISSING[] = {"nan",   "1.#qnan", "1.#ind",  "n/a",     "#n/a", "na",
                                          "null",  "none",    "-",       "--",      "---",  "?",
                                          "#num!", "n.a.",    "invalid", "missing", NULL};
    const char *s = cell.text;
    size_t n = cell.length;
    if (n == 0) {
        return CELL_EMPTY;
    }
    bool stars = true;
    for (size_t i = 0; i < n && stars; i++) {
        stars = s[i] == '*' || s[i] == '#';
    }
    if (stars && n >= 2) {
        *value = (double)INFINITY;
        return CELL_UNSIGNED;
    }
    if (n > 16) {
        return CELL_TEXT;
    }
    if (one_of(s, n, MISSING)) {
        *value = (double)NAN;
        return CELL_MARKER;
    }
    if ((s[0] == '>' || s[0] == '<') && n > 1 && only_number_bytes(s + 1, n - 1)) {
        *value = s[0] == '<' ? -(double)INFINITY : (double)INFINITY; /* ">5.0" */
        return CELL_MARKER;
    }
    const bool negative = s[0] == '-', sign = negative || s[0] == '+';
    if (one_of(s + sign, n - sign, OVER)) {
        *value = negative ? -(double)INFINITY : (double)INFINITY;
        return CELL_MARKER;
    }
    if (one_of(s, n, UNDER)) {
        *value = -(double)INFINITY;
        return CELL_MARKER;
    }
    if (one_of(s + sign, n - sign, MISSING)) {
        *value = (double)NAN;
        return CELL_MARKER;
    }
    return CELL_TEXT;
}

/* 9.9E37 and 9.91E37 stand for infinity and not-a-number in SCPI-1999, volume 1, section 7.2.1. */
static double standard_sentinel(double v) {
    const double a = fabs(v);
    if (a < 9.89e37 || a > 9.92e37) {
        return v;
    }
    return a > 9.905e37 ? (double)NAN : v < 0 ? -(double)INFINITY : (double)INFINITY;
}

static size_t parse_with_comma(const char *s, size_t n, double *value) {
    char copy[64];
    const char *comma = memchr(s, ',', n);
    if (memchr(s, '.', n) != NULL) {
        return 0;
    }
    if (comma == NULL) {
        return tw_parse_number(s, n, value);
    }
    const size_t at = (size_t)(comma - s);
    if (n > sizeof copy || at + 1 >= n || !isdigit((unsigned char)s[at + 1])) {
        return 0;
    }
    memcpy(copy, s, n);
    copy[at] = '.';
    return tw_parse_number(copy, n, value);
}

cell_kind tw_capture__read_cell(capture_cell cell, char decimal, double *value) {
    if (cell.length == 0) {
        return CELL_EMPTY;
    }
    double v;
    const size_t used =
        decimal == ',' ? parse_with_comma(cell.text, cell.length, &v) : tw_parse_number(cell.text, cell.length, &v);
    if (used == cell.length) {
        *value = fabs(v) > 9e37 ? standard_sentinel(v) : v;
        return isnan(*value) || isinf(*value) ? CELL_MARKER : CELL_NUMBER;
    }
    const cell_kind kind = read_marker(cell, value);
    if (kind != CELL_TEXT || used == 0) {
        return kind;
    }
    const capture_cell rest = tw_capture__trim(cell.text + used, cell.length - used);
    capture_unit unit; /* "1.5 mV" in a cell */
    if (rest.length <= 8 && tw_capture__read_unit(rest, &unit) && unit.kind != UNIT_PER_DIVISION) {
        *value = v * unit.factor;
        return CELL_NUMBER;
    }
    return CELL_TEXT;
}

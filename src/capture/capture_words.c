/* Words: cleaning text of any encoding, units with prefixes, numbers with units. */
#include "capture_private.h"

#include <ctype.h>
#include <string.h>
#include <strings.h>

/* Length of the UTF-8 sequence at the start, 0 where it is none. */
static size_t utf8_step(const unsigned char *s, size_t n) {
    if (s[0] < 0x80) {
        return 1;
    }
    const size_t need = s[0] >= 0xc2 && s[0] < 0xe0   ? 2
                        : (s[0] & 0xf0) == 0xe0       ? 3
                        : s[0] >= 0xf0 && s[0] < 0xf5 ? 4
                                                      : 0;
    if (need == 0 || need > n) {
        return 0;
    }
    for (size_t i = 1; i < need; i++) {
        if ((s[i] & 0xc0) != 0x80) {
            return 0;
        }
    }
    return need;
}

bool tw_capture__is_utf8(const char *text, size_t length, bool *ascii) {
    const unsigned char *s = (const unsigned char *)text;
    *ascii = true;
    for (size_t i = 0; i < length;) {
        const size_t step = utf8_step(s + i, length - i);
        if (step == 0) {
            *ascii = false;
            return length - i < 4; /* the sample may cut a sequence */
        }
        *ascii = *ascii && step == 1;
        i += step;
    }
    return true;
}

void tw_capture__clean_text(capture_cell cell, char *out, size_t out_size) {
    const unsigned char *s = (const unsigned char *)cell.text;
    size_t used = 0;
    bool utf8 = true;
    for (size_t i = 0; i < cell.length && utf8;) {
        const size_t step = utf8_step(s + i, cell.length - i);
        utf8 = step != 0;
        i += step;
    }
    for (size_t i = 0; i < cell.length;) {
        const size_t step = utf8 ? utf8_step(s + i, cell.length - i) : 1;
        const size_t needed = !utf8 && s[i] >= 0x80 ? 2 : step;
        if (used + needed >= out_size) {
            break;
        }
        if (!utf8 && s[i] >= 0x80) {
            out[used] = (char)(0xc0 | s[i] >> 6);
            out[used + 1] = (char)(0x80 | (s[i] & 0x3f));
        } else if (s[i] < 0x20 || s[i] == 0x7f) {
            out[used] = ' ';
        } else {
            memcpy(out + used, s + i, step);
        }
        used += needed;
        i += step;
    }
    while (used > 0 && out[used - 1] == ' ') {
        used--;
    }
    out[used] = '\0';
}

size_t tw_capture__squash(capture_cell cell, char *out, size_t out_size) {
    size_t used = 0;
    for (size_t i = 0; i < cell.length && used + 1 < out_size; i++) {
        const unsigned char c = (unsigned char)cell.text[i];
        if (c < 0x80 && isalnum(c)) {
            out[used++] = (char)tolower(c);
        }
    }
    out[used] = '\0';
    return used;
}

/* ---- units ---- */

static const struct {
    const char *word;
    unit_kind kind;
    const char *base;
    bool exact; /* case matters, because prefixes do */
} WORDS[] = {
    {"s", UNIT_TIME, "s", true},
    {"sec", UNIT_TIME, "s", false},
    {"secs", UNIT_TIME, "s", false},
    {"second", UNIT_TIME, "s", false},
    {"seconds", UNIT_TIME, "s", false},
    {"V", UNIT_SIGNAL, "V", false},
    {"volt", UNIT_SIGNAL, "V", false},
    {"volts", UNIT_SIGNAL, "V", false},
    {"A", UNIT_SIGNAL, "A", false},
    {"amp", UNIT_SIGNAL, "A", false},
    {"amps", UNIT_SIGNAL, "A", false},
    {"ampere", UNIT_SIGNAL, "A", false},
    {"amperes", UNIT_SIGNAL, "A", false},
    {"W", UNIT_SIGNAL, "W", false},
    {"watt", UNIT_SIGNAL, "W", false},
    {"watts", UNIT_SIGNAL, "W", false},
    {"VA", UNIT_SIGNAL, "VA", false},
    {"VV", UNIT_SIGNAL, "V^2", true},
    {"ohm", UNIT_SIGNAL, "ohm", false},
    {"ohms", UNIT_SIGNAL, "ohm", false},
    {"\xce\xa9", UNIT_SIGNAL, "ohm", true},
    {"\xc2\xb0"
     "C",
     UNIT_SIGNAL, "degC", true},
    {"degC", UNIT_SIGNAL, "degC", true},
    {"%", UNIT_SIGNAL, "%", true},
    {"deg", UNIT_LEVEL, "deg", false},
    {"rad", UNIT_LEVEL, "rad", false},
    {"dB", UNIT_LEVEL, "dB", false},
    {"dBV", UNIT_LEVEL, "dBV", false},
    {"dBm", UNIT_LEVEL, "dBm", false},
    {"Hz", UNIT_FREQUENCY, "Hz", false},
    {"hertz", UNIT_FREQUENCY, "Hz", false},
    {"S/s", UNIT_RATE, "1/s", false},
    {"Sa/s", UNIT_RATE, "1/s", false},
    {"samples/s", UNIT_RATE, "1/s", false},
    {"sps", UNIT_RATE, "1/s", false},
    {"samples/second", UNIT_RATE, "1/s", false},
    {"pts/s", UNIT_RATE, "1/s", false},
    {"counts", UNIT_CODE, "", false},
    {"count", UNIT_CODE, "", false},
    {"codes", UNIT_CODE, "", false},
    {"code", UNIT_CODE, "", false},
    {"lsb", UNIT_CODE, "", false},
    {"adc", UNIT_CODE, "", false},
    {"raw", UNIT_CODE, "", false},
    {"levels", UNIT_CODE, "", false},
};

/* Prefixes of the SI brochure, 9th edition, table 7, in the range that records use. The micro sign has several codes:
 * U+00B5, U+03BC, the letter u, and byte E6 of an old code page (seen as U+00E6 here). */
static const struct {
    const char *text;
    double factor;
    bool word;
} PREFIXES[] = {
    {"p", 1e-12, false},       {"n", 1e-9, false},        {"u", 1e-6, false},    {"\xc2\xb5", 1e-6, false},
    {"\xce\xbc", 1e-6, false}, {"\xc3\xa6", 1e-6, false}, {"m", 1e-3, false},    {"k", 1e3, false},
    {"K", 1e3, false},         {"M", 1e6, false},         {"G", 1e9, false},     {"pico", 1e-12, true},
    {"nano", 1e-9, true},      {"micro", 1e-6, true},     {"milli", 1e-3, true}, {"kilo", 1e3, true},
    {"mega", 1e6, true},
};

static bool plain_unit(const char *text, size_t length, capture_unit *out) {
    for (size_t i = 0; i < sizeof WORDS / sizeof WORDS[0]; i++) {
        const char *w = WORDS[i].word;
        if (strlen(w) == length &&
            (WORDS[i].exact ? memcmp(text, w, length) == 0 : strncasecmp(text, w, length) == 0)) {
            *out = (capture_unit){.kind = WORDS[i].kind, .factor = 1.0};
            (void)snprintf(out->base, sizeof out->base, "%s", WORDS[i].base);
            return true;
        }
    }
    return false;
}

static bool prefixed_unit(const char *text, size_t length, capture_unit *out) {
    if (plain_unit(text, length, out)) {
        return true;
    }
    for (size_t i = 0; i < sizeof PREFIXES / sizeof PREFIXES[0]; i++) {
        const size_t n = strlen(PREFIXES[i].text);
        const bool starts = n < length && (PREFIXES[i].word ? strncasecmp(text, PREFIXES[i].text, n) == 0
                                                            : memcmp(text, PREFIXES[i].text, n) == 0);
        if (starts && plain_unit(text + n, length - n, out) && out->kind != UNIT_CODE && out->kind != UNIT_LEVEL &&
            !(strcmp(out->base, "%") == 0)) {
            out->factor = PREFIXES[i].factor;
            return true;
        }
    }
    return false;
}

bool tw_capture__read_unit(capture_cell cell, capture_unit *out) {
    char text[40];
    if (cell.length == 0 || cell.length > 24) {
        return false;
    }
    tw_capture__clean_text(cell, text, sizeof text);
    size_t n = strlen(text);
    if (n == 1 && text[0] == 'S') { /* siemens is no unit of a record; seconds are meant */
        text[0] = 's';
    }
    if (prefixed_unit(text, n, out)) {
        return true;
    }
    static const char *const DIVISION[] = {"/div", "/division", " per div", " per division"};
    for (size_t i = 0; i < sizeof DIVISION / sizeof DIVISION[0]; i++) {
        const size_t d = strlen(DIVISION[i]);
        if (n > d && strcasecmp(text + n - d, DIVISION[i]) == 0 && prefixed_unit(text, n - d, out)) {
            out->kind = UNIT_PER_DIVISION;
            return true;
        }
    }
    return false;
}

bool tw_capture__read_bracketed_unit(capture_cell cell, capture_unit *out) {
    if (cell.length >= 2) {
        const char a = cell.text[0], b = cell.text[cell.length - 1];
        if ((a == '(' && b == ')') || (a == '[' && b == ']') || (a == '{' && b == '}')) {
            cell = tw_capture__trim(cell.text + 1, cell.length - 2);
        }
    }
    return tw_capture__read_unit(cell, out);
}

size_t tw_capture__read_quantity(capture_cell text, char decimal, double *value, capture_unit *unit) {
    char copy[48];
    const size_t n = text.length < sizeof copy ? text.length : sizeof copy;
    memcpy(copy, text.text, n);
    bool point = false;
    for (size_t i = 0; i < n; i++) {
        point = point || copy[i] == '.';
    }
    for (size_t i = 1; i + 1 < n; i++) { /* one comma between digits is a decimal mark where no point stands */
        if (copy[i] == ',' && decimal == ',' && !point && isdigit((unsigned char)copy[i - 1]) &&
            isdigit((unsigned char)copy[i + 1])) {
            copy[i] = '.';
            break;
        }
    }
    *unit = (capture_unit){.factor = 1.0};
    size_t used = tw_parse_number(copy, n, value);
    if (used == 0) {
        return 0;
    }
    size_t at = used;
    while (at < text.length && (text.text[at] == ' ' || text.text[at] == '\t')) {
        at++;
    }
    size_t end = at;
    while (end < text.length && strchr(" \t,;|()[]\"", text.text[end]) == NULL) {
        end++;
    }
    if (at < text.length && strchr("([", text.text[at]) != NULL) {
        const char *close = memchr(text.text + at, text.text[at] == '(' ? ')' : ']', text.length - at);
        end = close != NULL ? (size_t)(close - text.text) + 1 : at;
    }
    const capture_cell word = {text.text + at, end - at};
    static const struct {
        char letter;
        double factor;
    } BARE[] = {{'k', 1e3}, {'M', 1e6}, {'G', 1e9}, {'m', 1e-3}, {'u', 1e-6}, {'n', 1e-9}, {'p', 1e-12}};
    if (tw_capture__read_bracketed_unit(word, unit)) {
        return end;
    }
    for (size_t i = 0; i < sizeof BARE / sizeof BARE[0] && word.length == 1; i++) {
        if (word.text[0] == BARE[i].letter) { /* "500k" */
            *value *= BARE[i].factor;
            return end;
        }
    }
    return used;
}

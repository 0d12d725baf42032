/* Growing text, warnings, numbers as text. */
#include "tankwright/base.h"

#include <locale.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

void tw_text_init(tw_ctx *ctx, tw_text *text, size_t limit) {
    *text = (tw_text){.ctx = ctx, .limit = limit};
}

void tw_text_dispose(tw_text *text) {
    tw_free(text->data);
    *text = (tw_text){.ctx = text->ctx, .limit = text->limit};
}

/* Makes room for `more` bytes and the terminator. */
static bool reserve(tw_text *text, size_t more) {
    if (text->status != TW_OK) {
        return false;
    }
    if (more > text->limit || text->length > text->limit - more) {
        text->status = tw_fail(text->ctx, TW_TOO_LARGE, "base", "text would grow beyond %zu bytes", text->limit);
        return false;
    }
    const size_t needed = text->length + more + 1;
    if (needed <= text->capacity) {
        return true;
    }
    const size_t grown = needed < 64 ? 64 : needed + needed / 2;
    char *data = tw_resize(text->ctx, text->data, grown, 1);
    if (data == NULL) {
        text->status = TW_NO_MEMORY;
        return false;
    }
    text->data = data;
    text->capacity = grown;
    return true;
}

void tw_text_append(tw_text *text, const char *bytes, size_t n) {
    if (!reserve(text, n)) {
        return;
    }
    if (n > 0) {
        memcpy(text->data + text->length, bytes, n);
    }
    text->length += n;
    text->data[text->length] = '\0';
}

void tw_text_add(tw_text *text, const char *string) {
    tw_text_append(text, string, strlen(string));
}

void tw_text_addf(tw_text *text, const char *format, ...) {
    va_list args, again;
    va_start(args, format);
    va_copy(again, args);
    const int n = vsnprintf(NULL, 0, format, args);
    va_end(args);
    if (n >= 0 && reserve(text, (size_t)n)) {
        (void)vsnprintf(text->data + text->length, (size_t)n + 1, format, again);
        text->length += (size_t)n;
    }
    va_end(again);
}

void tw_text_cut(tw_text *text, size_t length) {
    if (length < text->length) {
        text->length = length;
        text->data[length] = '\0';
    }
}

const char *tw_text_string(const tw_text *text) {
    return text->data != NULL ? text->data : "";
}

/* ---- warnings ---- */

bool tw_warnings_has(const tw_warnings *list, const char *code) {
    for (size_t i = 0; i < list->count; i++) {
        if (strcmp(list->items[i].code, code) == 0) {
            return true;
        }
    }
    return false;
}

static tw_status append_warning(tw_ctx *ctx, tw_warnings *list, const tw_warning *warning) {
    if (tw_warnings_has(list, warning->code)) {
        return TW_OK;
    }
    tw_warning *items = tw_resize(ctx, list->items, list->count + 1, sizeof *items);
    if (items == NULL) {
        return TW_NO_MEMORY;
    }
    items[list->count] = *warning;
    list->items = items;
    list->count++;
    return TW_OK;
}

tw_status tw_warn(tw_ctx *ctx, tw_warnings *list, const char *code, const char *format, ...) {
    tw_warning w = {{0}, {0}};
    (void)snprintf(w.code, sizeof w.code, "%s", code);
    va_list args;
    va_start(args, format);
    (void)vsnprintf(w.message, sizeof w.message, format, args);
    va_end(args);
    return append_warning(ctx, list, &w);
}

tw_status tw_warnings_append(tw_ctx *ctx, tw_warnings *list, const tw_warnings *more) {
    for (size_t i = 0; i < more->count; i++) {
        TW_TRY(append_warning(ctx, list, &more->items[i]));
    }
    return TW_OK;
}

void tw_warnings_dispose(tw_warnings *list) {
    tw_free(list->items);
    *list = (tw_warnings){NULL, 0};
}

/* ---- numbers ---- */

static bool is_digit(char c) {
    return c >= '0' && c <= '9';
}

/* Length of the decimal number at the start of the text, 0 where there is none. Also gives its digits as
 * an integer and a power of ten when at most 19 significant digits are there. */
static size_t scan_number(const char *s, size_t length, bool *negative, uint64_t *digits, int *exponent, bool *exact) {
    size_t i = 0;
    bool any = false;
    int significant = 0;
    int power = 0;
    *negative = false;
    *digits = 0;
    if (i < length && (s[i] == '+' || s[i] == '-')) {
        *negative = s[i] == '-';
        i++;
    }
    bool after_point = false;
    for (; i < length; i++) {
        if (s[i] == '.' && !after_point) {
            after_point = true;
            continue;
        }
        if (!is_digit(s[i])) {
            break;
        }
        any = true;
        if (significant < 19) {
            *digits = *digits * 10 + (uint64_t)(s[i] - '0');
            if (*digits != 0) {
                significant++;
            }
            power -= after_point ? 1 : 0;
        } else {
            significant++; /* more digits than 64 bits hold: the slow path decides */
            power += after_point ? 0 : 1;
        }
    }
    if (!any) {
        return 0;
    }
    *exact = significant <= 19;
    if (i < length && (s[i] == 'e' || s[i] == 'E')) {
        size_t j = i + 1;
        bool minus = false;
        if (j < length && (s[j] == '+' || s[j] == '-')) {
            minus = s[j] == '-';
            j++;
        }
        if (j < length && is_digit(s[j])) {
            int e = 0;
            for (; j < length && is_digit(s[j]); j++) {
                e = e < 100000 ? e * 10 + (s[j] - '0') : e;
            }
            power += minus ? -e : e;
            i = j;
        }
    }
    *exponent = power;
    return i;
}

size_t tw_parse_number(const char *text, size_t length, double *out) {
    static const double POWERS[] = {1e0,  1e1,  1e2,  1e3,  1e4,  1e5,  1e6,  1e7,  1e8,  1e9,  1e10, 1e11,
                                    1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22};
    bool negative, exact;
    uint64_t digits;
    int exponent = 0;
    const size_t used = scan_number(text, length, &negative, &digits, &exponent, &exact);
    if (used == 0) {
        return 0;
    }
    /* Both operands exact in binary: one rounding, hence the correctly rounded result (W. D. Clinger, "How
     * to read floating point numbers accurately", PLDI 1990). */
    if (exact && digits <= (UINT64_C(1) << 53) && exponent >= -22 && exponent <= 22) {
        const double d = (double)digits;
        const double v = exponent < 0 ? d / POWERS[-exponent] : d * POWERS[exponent];
        *out = negative ? -v : v;
        return used;
    }
    char copy[1100]; /* a double has at most 767 significant digits; longer text is cut below that */
    if (used >= sizeof copy) {
        return 0;
    }
    memcpy(copy, text, used);
    copy[used] = '\0';
    const locale_t c_locale = newlocale(LC_ALL_MASK, "C", (locale_t)0);
    if (c_locale == (locale_t)0) {
        return 0;
    }
    *out = strtod_l(copy, NULL, c_locale);
    freelocale(c_locale);
    return used;
}

size_t tw_format_number(double value, char *out) {
    int n = 0;
    for (int digits = 1; digits <= 17; digits++) {
        n = snprintf(out, TW_NUMBER_TEXT, "%.*g", digits, value);
        for (int i = 0; i < n; i++) {
            out[i] = (char)(out[i] == ',' ? '.' : out[i]);
        }
        double back;
        if (!isfinite(value) || (tw_parse_number(out, (size_t)n, &back) == (size_t)n && back == value)) {
            break;
        }
    }
    return (size_t)n;
}

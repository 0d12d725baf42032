/* Growing text, warnings, numbers to text. */
#include "tankwright/base.h"

#include <math.h>
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

/* ---- numbers (reading them: base_number.c) ---- */

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

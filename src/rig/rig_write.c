/* A rig as YAML, in the order of the table, one key a line. */
#include "rig_private.h"

#include <math.h>
#include <string.h>

enum { TEXT_LIMIT = 64 * 1024, COMMENT_COLUMN = 46, NAME_SIZE = TW_RIG_NAME_LIMIT + 16 };

/* Sections that two names share. */
static size_t common_depth(const char *a, const char *b) {
    size_t depth = 0;
    for (size_t i = 0; a[i] != '\0' && a[i] == b[i]; i++) {
        if (a[i] == '.') {
            depth++;
        }
    }
    return depth;
}

static void indent(tw_text *out, size_t depth) {
    for (size_t i = 0; i < depth; i++) {
        tw_text_add(out, "  ");
    }
}

static void put_title(tw_text *out, const char *title) {
    tw_text_add(out, "\"");
    for (const char *s = title; *s != '\0'; s++) {
        if (*s == '"' || *s == '\\') {
            tw_text_add(out, "\\");
        }
        tw_text_append(out, s, 1);
    }
    tw_text_add(out, "\"");
}

/* Digits as a person would state them. */
static double to_digits(double x, int digits) {
    char text[40];
    const int n = snprintf(text, sizeof text, "%.*e", digits - 1, x);
    for (int i = 0; i < n; i++) {
        text[i] = (char)(text[i] == ',' ? '.' : text[i]); /* another locale's point */
    }
    double back = 0.0;
    (void)tw_parse_number(text, (size_t)n, &back);
    return back;
}

/* The quantity with this value and exactly this u whose statement is shortest: "± 3 %" or "± 5 V" where a limit of
 * at most four digits has the same u bit for bit, otherwise "(u=...)". */
static tw_quantity as_stated(tw_value v, tw_unit unit) {
    const tw_quantity plain = tw_quantity_of(v, unit);
    if (plain.spread_kind == TW_SPREAD_NONE) {
        return plain;
    }
    const double limit = v.u * sqrt(3.0);
    for (int digits = 1; digits <= 4; digits++) {
        tw_quantity tries[3] = {plain, plain, plain};
        tries[0].spread = to_digits(v.u, digits);
        tries[1].spread_kind = tries[2].spread_kind = TW_SPREAD_LIMIT;
        tries[1].spread = to_digits(limit / fabs(v.value) * 100.0, digits);
        tries[1].relative = true;
        tries[2].spread = to_digits(limit, digits);
        for (size_t k = 0; k < 3; k++) {
            if (tw_quantity_value(&tries[k]).u == v.u) {
                return tries[k];
            }
        }
    }
    return plain;
}

static void put_value(tw_text *out, const tw_rig *rig, size_t index) {
    const tw_rig_key_row *row = tw_rig__row(index);
    const void *field = tw_rig__field(rig, index);
    char text[TW_QUANTITY_TEXT];
    switch (row->type) {
    case TW_RIG_KEY_TITLE:
        put_title(out, rig->title);
        break;
    case TW_RIG_KEY_WORD: {
        int n;
        memcpy(&n, field, sizeof n);
        tw_text_add(out, row->words[n]);
        break;
    }
    case TW_RIG_KEY_BOOL: {
        bool truth;
        memcpy(&truth, field, sizeof truth);
        tw_text_add(out, truth ? "true" : "false");
        break;
    }
    case TW_RIG_KEY_BITS: {
        int n;
        memcpy(&n, field, sizeof n);
        tw_text_addf(out, "%d", n);
        break;
    }
    case TW_RIG_KEY_CHANNEL: {
        size_t n;
        memcpy(&n, field, sizeof n);
        tw_text_addf(out, "%zu", n);
        break;
    }
    case TW_RIG_KEY_QUANTITY:
    case TW_RIG_KEY_PLAIN: {
        double number;
        memcpy(&number, field, sizeof number);
        const tw_value v = row->type == TW_RIG_KEY_PLAIN ? tw_exactly(number) : tw_rig__value(rig, index);
        const tw_quantity q = as_stated(v, row->unit);
        (void)tw_quantity_format(&q, text);
        tw_text_add(out, text);
        break;
    }
    }
}

/* The part of a name after `depth` dots. */
static const char *part(const char *name, size_t depth) {
    for (; depth > 0; depth--) {
        name = strchr(name, '.') + 1;
    }
    return name;
}

/* One line "name: value", with "# default" where it is one. */
static void put_line(tw_text *out, const tw_rig *rig, size_t index, const char *name, size_t depth) {
    const size_t start = out->length;
    indent(out, depth);
    tw_text_addf(out, "%s: ", name);
    put_value(out, rig, index);
    if (!tw_rig__given(rig, index) && out->status == TW_OK) {
        const size_t width = tw_utf8_count(out->data + start, out->length - start);
        tw_text_addf(out, "%*s# default", width < COMMENT_COLUMN ? (int)(COMMENT_COLUMN - width) : 1, "");
    }
    tw_text_add(out, "\n");
}

tw_status tw_rig_write(tw_ctx *ctx, const tw_rig *rig, tw_text *out) {
    tw_text own; /* a failure must not leave half a rig in the caller's text */
    tw_text_init(ctx, &own, TEXT_LIMIT);
    char last[NAME_SIZE] = "", name[NAME_SIZE];
    for (size_t i = 0; i < tw_rig__count(); i++) {
        const tw_rig_key_row *row = tw_rig__row(i);
        if (!tw_rig__given(rig, i) && (row->detail || !tw_rig__applies(rig, i))) {
            continue;
        }
        (void)snprintf(name, sizeof name, "%s%s", row->name, row->type == TW_RIG_KEY_CHANNEL ? ".channel" : "");
        size_t depth = common_depth(last, name);
        const char *rest = part(name, depth);
        for (const char *dot; (dot = strchr(rest, '.')) != NULL; rest = dot + 1, depth++) {
            indent(&own, depth);
            if (rest[0] >= '0' && rest[0] <= '9') { /* an entry of a list */
                tw_text_add(&own, "-\n");
            } else {
                tw_text_addf(&own, "%.*s:\n", (int)(dot - rest), rest);
            }
        }
        put_line(&own, rig, i, rest, depth);
        memcpy(last, name, sizeof last);
    }
    tw_status status = own.status;
    if (status == TW_OK) {
        tw_text_append(out, tw_text_string(&own), own.length);
        status = out->status;
    }
    tw_text_dispose(&own);
    return status;
}

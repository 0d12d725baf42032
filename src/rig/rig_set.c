/* One key from text, with its default and its legal range. */
#include "rig_private.h"

#include <math.h>
#include <string.h>

/* Sets a key to a number: the value itself, the number of a word, truth, bits, channel. */
static void store(tw_rig *rig, size_t index, double number, double u) {
    const tw_rig_key_row *row = tw_rig__row(index);
    char *field = (char *)rig + row->offset;
    switch (row->type) {
    case TW_RIG_KEY_TITLE:
        memset(field, 0, sizeof rig->title);
        break;
    case TW_RIG_KEY_WORD:
    case TW_RIG_KEY_BITS: {
        const int n = (int)number; /* every word key is an enum of int's size, see rig.h */
        memcpy(field, &n, sizeof n);
        break;
    }
    case TW_RIG_KEY_BOOL: {
        const bool truth = number != 0.0;
        memcpy(field, &truth, sizeof truth);
        break;
    }
    case TW_RIG_KEY_CHANNEL: {
        const size_t n = (size_t)number;
        memcpy(field, &n, sizeof n);
        break;
    }
    case TW_RIG_KEY_QUANTITY: {
        const tw_value v = {.value = number, .u = u};
        memcpy(field, &v, sizeof v);
        break;
    }
    case TW_RIG_KEY_PLAIN:
        memcpy(field, &number, sizeof number);
        break;
    }
}

_Static_assert(sizeof(tw_supply_kind) == sizeof(int) && sizeof(tw_rig_arrangement) == sizeof(int) &&
                   sizeof(tw_pan_kind) == sizeof(int) && sizeof(tw_current_pickup_kind) == sizeof(int) &&
                   sizeof(tw_voltage_pickup_kind) == sizeof(int) && sizeof(tw_ferrite_kind) == sizeof(int) &&
                   sizeof(tw_pan_saturation) == sizeof(int),
               "words are stored as int");

tw_rig tw_rig_default(void) {
    tw_rig rig;
    memset(&rig, 0, sizeof rig);
    for (size_t i = 0; i < tw_rig__count(); i++) {
        store(&rig, i, tw_rig__row(i)->initial, tw_rig__row(i)->initial_u);
    }
    return rig;
}

/* "1 nH to 1 H" or "at least 0 and below 1". */
static const char *range_text(const tw_rig_key_row *row, char *out, size_t out_size) {
    char low[TW_QUANTITY_TEXT], high[TW_QUANTITY_TEXT];
    const tw_quantity from = tw_quantity_of(tw_exactly(row->low), row->unit);
    const tw_quantity to = tw_quantity_of(tw_exactly(row->high), row->unit);
    (void)tw_quantity_format(&from, low);
    (void)tw_quantity_format(&to, high);
    (void)snprintf(out, out_size, row->below_high ? "at least %s and below %s" : "%s to %s", low, high);
    return out;
}

static tw_status set_quantity(tw_ctx *ctx, tw_rig *rig, size_t index, const char *text, size_t length,
                              const tw_place *origin) {
    const tw_rig_key_row *row = tw_rig__row(index);
    char quote[TW_QUOTE_TEXT], range[2 * TW_QUANTITY_TEXT + 32];
    tw_quantity q;
    TW_TRY(tw_quantity_parse(ctx, text, length, row->unit, origin, &q));
    const tw_value v = tw_quantity_value(&q);
    (void)range_text(row, range, sizeof range);
    if (!tw_is_known(v)) {
        if (!row->unknown_legal) {
            return tw_fail_at(ctx, TW_BAD_DATA, "rig", origin,
                              "found 'unknown'; expected %s, %s (leave the key out for its default)",
                              tw_unit_quantity(row->unit), range);
        }
    } else if (v.value < row->low || v.value > row->high || (row->below_high && v.value >= row->high)) {
        char bare[TW_QUANTITY_TEXT + 16] = "";
        if (length > 0 && text[length - 1] >= '0' && text[length - 1] <= '9' && row->unit != TW_UNIT_NONE) {
            /* a forgotten prefix is the likeliest slip */
            char read_as[TW_QUANTITY_TEXT];
            const tw_quantity plain = tw_quantity_of(tw_exactly(v.value), row->unit);
            (void)tw_quantity_format(&plain, read_as);
            (void)snprintf(bare, sizeof bare, ", which is %s", read_as);
        }
        return tw_fail_at(ctx, TW_OUT_OF_RANGE, "rig", origin, "found %s%s; expected %s, %s",
                          tw_quote(text, length, quote), bare, tw_unit_quantity(row->unit), range);
    } else if (row->type == TW_RIG_KEY_PLAIN && q.spread_kind != TW_SPREAD_NONE) {
        return tw_fail_at(ctx, TW_BAD_DATA, "rig", origin, "found %s; expected a number without uncertainty",
                          tw_quote(text, length, quote));
    }
    store(rig, index, v.value, v.u);
    return TW_OK;
}

enum { FEW_WORDS = 5 };

/* The nearest word, or one that shares a part between dashes ("carbon-steel", "steel-low-carbon"). */
static const char *near_word(const char *typed, const char *const *words, size_t n) {
    const char *near = tw_nearest_name(typed, words, n);
    for (const char *part = typed; near == NULL && *part != '\0';) {
        const size_t length = strcspn(part, "-_ ");
        for (size_t k = 0; near == NULL && k < n && length >= 4; k++) {
            for (const char *w = words[k]; near == NULL && w != NULL; w = strchr(w, '-')) {
                w += *w == '-';
                near = strncmp(w, part, length) == 0 && (w[length] == '-' || w[length] == '\0') ? words[k] : NULL;
            }
        }
        part += length;
        part += strspn(part, "-_ ");
    }
    return near;
}

static tw_status set_word(tw_ctx *ctx, tw_rig *rig, size_t index, const char *text, size_t length,
                          const tw_place *origin) {
    static const char *const TRUTHS[] = {"true", "false", NULL};
    const tw_rig_key_row *row = tw_rig__row(index);
    const char *const *words = row->type == TW_RIG_KEY_BOOL ? TRUTHS : row->words;
    char list[200], quote[TW_QUOTE_TEXT];
    size_t used = 0, n = 0;
    for (int i = 0; words[i] != NULL; i++, n++) {
        if (strlen(words[i]) == length && memcmp(words[i], text, length) == 0) {
            store(rig, index, row->type == TW_RIG_KEY_BOOL ? i == 0 : i, 0.0);
            return TW_OK;
        }
        const char *joint = i == 0 ? "" : words[i + 1] == NULL ? " or " : ", ";
        used += (size_t)snprintf(list + used, sizeof list - used, "%s%s", joint, words[i]);
    }
    (void)tw_quote(text, length, quote);
    if (n > FEW_WORDS) { /* a list that long is read for the one word that was meant */
        char typed[32];
        const size_t kept = length < sizeof typed ? length : sizeof typed - 1;
        memcpy(typed, text, kept);
        typed[kept] = '\0';
        const char *near = near_word(typed, words, n);
        return tw_fail_at(ctx, TW_BAD_DATA, "rig", origin, "found %s%s%s%s; expected %s", quote,
                          near != NULL ? ", did you mean " : "", near != NULL ? near : "", near != NULL ? "?" : "",
                          list);
    }
    return tw_fail_at(ctx, TW_BAD_DATA, "rig", origin, "found %s; expected %s", quote, list);
}

static tw_status set_integer(tw_ctx *ctx, tw_rig *rig, size_t index, const char *text, size_t length,
                             const tw_place *origin) {
    const tw_rig_key_row *row = tw_rig__row(index);
    char quote[TW_QUOTE_TEXT];
    double number = 0.0;
    bool good = length > 0 && length <= 3;
    for (size_t i = 0; i < length && good; i++) {
        good = text[i] >= '0' && text[i] <= '9';
        number = 10.0 * number + (text[i] - '0');
    }
    if (!good || number < row->low || number > row->high) {
        return tw_fail_at(ctx, good ? TW_OUT_OF_RANGE : TW_BAD_DATA, "rig", origin,
                          "found %s; expected a whole number, %.0f to %.0f%s", tw_quote(text, length, quote), row->low,
                          row->high, row->type == TW_RIG_KEY_CHANNEL ? " (0: not recorded)" : "");
    }
    store(rig, index, number, 0.0);
    return TW_OK;
}

/* Control characters and line separators would break the one line that a title is. */
static bool is_line_of_text(const char *text, size_t length, size_t *bad) {
    if (!tw_utf8_valid(text, length, bad)) {
        return false;
    }
    for (*bad = 0; *bad < length; ++*bad) {
        const unsigned char *s = (const unsigned char *)text + *bad;
        const bool c1 = s[0] == 0xC2 && s[1] < 0xA0;
        const bool separator = s[0] == 0xE2 && s[1] == 0x80 && (s[2] == 0xA8 || s[2] == 0xA9);
        const bool not_text = s[0] == 0xEF && ((s[1] == 0xBB && s[2] == 0xBF) || (s[1] == 0xBF && s[2] >= 0xBE));
        if (s[0] < 0x20 || s[0] == 0x7F || c1 || separator || not_text) {
            return false;
        }
    }
    return true;
}

static tw_status set_title(tw_ctx *ctx, tw_rig *rig, const char *text, size_t length, const tw_place *origin) {
    char quote[TW_QUOTE_TEXT];
    size_t bad = 0;
    if (length >= sizeof rig->title) {
        return tw_fail_at(ctx, TW_TOO_LARGE, "rig", origin, "found %zu bytes; expected a title of at most %zu bytes",
                          length, sizeof rig->title - 1);
    }
    if (!is_line_of_text(text, length, &bad)) {
        return tw_fail_at(ctx, TW_BAD_DATA, "rig", origin, "found %s; expected one line of plain text",
                          tw_quote(text, length, quote));
    }
    memset(rig->title, 0, sizeof rig->title);
    memcpy(rig->title, text, length);
    return TW_OK;
}

tw_status tw_rig__set(tw_ctx *ctx, tw_rig *rig, size_t index, const char *text, size_t length, const tw_place *origin) {
    switch (tw_rig__row(index)->type) {
    case TW_RIG_KEY_TITLE:
        TW_TRY(set_title(ctx, rig, text, length, origin));
        break;
    case TW_RIG_KEY_WORD:
    case TW_RIG_KEY_BOOL:
        TW_TRY(set_word(ctx, rig, index, text, length, origin));
        break;
    case TW_RIG_KEY_BITS:
    case TW_RIG_KEY_CHANNEL:
        TW_TRY(set_integer(ctx, rig, index, text, length, origin));
        break;
    case TW_RIG_KEY_QUANTITY:
    case TW_RIG_KEY_PLAIN:
        TW_TRY(set_quantity(ctx, rig, index, text, length, origin));
        break;
    }
    tw_rig__mark_given(rig, index);
    return TW_OK;
}

tw_status tw_rig_set(tw_ctx *ctx, tw_rig *rig, const char *key, const char *text) {
    char hint[120], quote[TW_QUOTE_TEXT];
    const size_t index = tw_rig__find(key);
    if (index == SIZE_MAX) {
        if (tw_rig__find_section(key) != SIZE_MAX) {
            return tw_fail(ctx, TW_BAD_ARGUMENT, "rig", "%s is a section; name one of its keys", key);
        }
        return tw_fail(ctx, TW_BAD_ARGUMENT, "rig", "unknown key %s%s", tw_quote(key, strlen(key), quote),
                       tw_rig__hint(key, hint, sizeof hint));
    }
    const tw_place origin = {.line = 0, .column = 1, .key = tw_rig__row(index)->name};
    return tw_rig__set(ctx, rig, index, text, strlen(text), &origin);
}

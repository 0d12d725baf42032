/* A rig from a file or from memory: text check, YAML, overrides, relations. */
#include "rig_private.h"

#include <string.h>

enum { FILE_LIMIT = 1 << 20 };

/* "section.key" into out; false where it would be longer than any name. */
bool tw_rig__join_path(const char *section, const char *key, size_t length, char out[TW_RIG_PATH_SIZE]) {
    const size_t n = strlen(section);
    const size_t dot = n > 0 ? 1 : 0;
    if (length == 0 || length >= TW_RIG_PATH_SIZE || n + dot + length >= TW_RIG_PATH_SIZE ||
        memchr(key, '\0', length) != NULL) {
        return false;
    }
    memcpy(out, section, n);
    memcpy(out + n, ".", dot);
    memcpy(out + n + dot, key, length);
    out[n + dot + length] = '\0';
    return true;
}

/* Refuses what is no text before a YAML reader sees it. */
static tw_status check_text(tw_ctx *ctx, const char *name, const char *text, size_t length) {
    size_t bad = length;
    bool binary = false;
    (void)tw_utf8_valid(text, length, &bad);
    for (size_t i = 0; i < bad && !binary; i++) {
        const unsigned char c = (unsigned char)text[i];
        if ((c < 0x20 && c != '\t' && c != '\n' && c != '\r') || c == 0x7F) {
            bad = i;
            binary = true;
        }
    }
    if (bad == length) {
        return TW_OK;
    }
    tw_place place = {.file = name, .line = 1};
    size_t line_start = 0;
    for (size_t i = 0; i < bad; i++) {
        if (text[i] == '\n') {
            place.line++;
            line_start = i + 1;
        }
    }
    place.column = 1 + tw_utf8_count(text + line_start, bad - line_start);
    return tw_fail_at(ctx, TW_BAD_DATA, "rig", &place, "found the byte 0x%02X; expected UTF-8 text%s",
                      (unsigned)(unsigned char)text[bad], binary ? " without control characters" : "");
}

static void override_name(const char *text, char *out, size_t out_size) {
    (void)snprintf(out, out_size, "--set %s", text);
}

static tw_status apply_override(tw_ctx *ctx, tw_rig *rig, tw_rig_position *at, const char *text) {
    char name[256], key[TW_RIG_PATH_SIZE], hint[160], quote[TW_QUOTE_TEXT];
    override_name(text, name, sizeof name);
    const char *equals = strchr(text, '=');
    tw_place place = {.file = name, .column = 1};
    if (equals == NULL || equals == text) {
        return tw_fail_at(ctx, TW_BAD_ARGUMENT, "rig", &place, "expected KEY=VALUE, such as bridge.frequency=30k");
    }
    const size_t n = (size_t)(equals - text);
    size_t index = SIZE_MAX;
    if (tw_rig__join_path("", text, n, key)) {
        index = tw_rig__find(key);
    }
    if (index == SIZE_MAX) {
        const bool section = n < TW_RIG_PATH_SIZE && tw_rig__find_section(key) != SIZE_MAX;
        return tw_fail_at(ctx, TW_BAD_ARGUMENT, "rig", &place, "unknown key %s%s", tw_quote(text, n, quote),
                          section                ? ", which is a section; name one of its keys"
                          : n < TW_RIG_PATH_SIZE ? tw_rig__hint(key, hint, sizeof hint)
                                                 : "");
    }
    place.column = n + 2;
    place.key = tw_rig__row(index)->name;
    TW_TRY(tw_rig__set(ctx, rig, index, equals + 1, strlen(equals + 1), &place));
    at[index] = (tw_rig_position){.override = text};
    return TW_OK;
}

/* Gives a failure of tw_rig_check the place where that key was set. */
static void locate_failure(tw_ctx *ctx, const char *name, const tw_rig_position *at) {
    const size_t index = tw_rig__find(tw_ctx_error(ctx)->key);
    tw_place place = {.file = name};
    char option[256];
    if (index != SIZE_MAX) {
        place.line = at[index].line;
        place.column = at[index].column;
        if (at[index].override != NULL) {
            override_name(at[index].override, option, sizeof option);
            place.file = option;
        }
    }
    tw_error_add_place(ctx, &place);
}

tw_status tw_rig_parse(tw_ctx *ctx, const char *name, const char *text, size_t length, const char *const *overrides,
                       size_t n_overrides, tw_rig *out) {
    tw_rig rig = tw_rig_default();
    tw_rig_position at[TW_RIG_MAX_KEYS];
    memset(at, 0, sizeof at);
    if (length > FILE_LIMIT) {
        const tw_place place = {.file = name};
        return tw_fail_at(ctx, TW_TOO_LARGE, "rig", &place, "larger than %d bytes", FILE_LIMIT);
    }
    if (length >= 3 && memcmp(text, "\xEF\xBB\xBF", 3) == 0) { /* a byte order mark says nothing in UTF-8 */
        text += 3;
        length -= 3;
    }
    TW_TRY(check_text(ctx, name, text, length));
    TW_TRY(tw_rig__read_yaml(ctx, name, text, length, &rig, at));
    for (size_t i = 0; i < n_overrides; i++) {
        TW_TRY(apply_override(ctx, &rig, at, overrides[i]));
    }
    const tw_status status = tw_rig_check(ctx, &rig);
    if (status != TW_OK) {
        locate_failure(ctx, name, at);
        return status;
    }
    *out = rig;
    return TW_OK;
}

tw_status tw_rig_load(tw_ctx *ctx, const char *path, const char *const *overrides, size_t n_overrides, tw_rig *out) {
    char *text;
    size_t length;
    TW_TRY(tw_read_file(ctx, path, FILE_LIMIT, &text, &length));
    const tw_status status = tw_rig_parse(ctx, path, text, length, overrides, n_overrides, out);
    tw_free(text);
    return status;
}

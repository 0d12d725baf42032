/* Reading a rig file: YAML 1.2 by libfyaml's event interface, so that nothing is built in memory that the table of
 * keys does not know. Anchors, aliases, tags and further documents are refused; nesting is bounded by the sections
 * that exist.
 */
#include "rig_private.h"

#include <libfyaml.h>
#include <string.h>

enum { FILE_LIMIT = 1 << 20, MAX_SECTIONS = 32, PATH_SIZE = TW_RIG_NAME_LIMIT + 1 };

/* Where a key was set, so that a relation between keys can be reported there. */
typedef struct position {
    size_t line, column;
    const char *override; /* the option's text, NULL where the file set it */
} position;

typedef struct loader {
    tw_ctx *ctx;
    const char *name;
    tw_rig *rig;
    struct fy_parser *parser;
    struct fy_diag *diag;
    bool seen_section[MAX_SECTIONS];
    position *at; /* one a key */
} loader;

static tw_place place_of(const loader *l, const struct fy_mark *mark, const char *key) {
    tw_place place = {.file = l->name, .key = key};
    if (mark != NULL) {
        place.line = (size_t)(mark->line > 0 ? mark->line : 0) + 1;
        place.column = (size_t)(mark->column > 0 ? mark->column : 0) + 1;
    }
    return place;
}

static tw_status refuse(const loader *l, const struct fy_mark *mark, const char *key, const char *format, ...)
    TW_PRINTF(4, 5);
static tw_status refuse(const loader *l, const struct fy_mark *mark, const char *key, const char *format, ...) {
    char message[400];
    va_list args;
    va_start(args, format);
    (void)vsnprintf(message, sizeof message, format, args);
    va_end(args);
    const tw_place place = place_of(l, mark, key);
    return tw_fail_at(l->ctx, TW_BAD_DATA, "rig", &place, "%s", message);
}

static void no_output(struct fy_diag *diag, void *user, const char *text, size_t length) {
    (void)diag;
    (void)user;
    (void)text;
    (void)length;
}

/* What libfyaml found wrong, as our error. */
static tw_status syntax_failure(const loader *l) {
    void *iterator = NULL;
    const struct fy_diag_error *e = fy_diag_errors_iterate(l->diag, &iterator);
    tw_place place = {.file = l->name};
    char message[240];
    if (e == NULL || e->msg == NULL) {
        return tw_fail_at(l->ctx, TW_BAD_DATA, "rig", &place, "not readable as YAML");
    }
    place.line = e->line > 0 ? (size_t)e->line : 1;
    place.column = e->column > 0 ? (size_t)e->column : 1;
    (void)snprintf(message, sizeof message, "%s", e->msg);
    for (char *c = message; *c != '\0'; c++) { /* the message may repeat bytes of the file: keep it one plain line */
        *c = *c >= ' ' && *c <= '~' ? *c : '?';
    }
    return tw_fail_at(l->ctx, TW_BAD_DATA, "rig", &place, "not readable as YAML: %s", message);
}

/* The next event; the caller frees it. */
static tw_status next_event(const loader *l, struct fy_event **event) {
    *event = fy_parser_parse(l->parser);
    return *event != NULL ? TW_OK : syntax_failure(l);
}

static struct fy_mark mark_of(struct fy_event *event) {
    const struct fy_mark *mark = fy_event_start_mark(event);
    return mark != NULL ? *mark : (struct fy_mark){0, 0, 0};
}

static const char *kind_of(const struct fy_event *event) {
    switch (event->type) {
    case FYET_MAPPING_START:
        return "keys";
    case FYET_SEQUENCE_START:
        return "a list";
    case FYET_ALIAS:
        return "an alias";
    default:
        return "a value";
    }
}

static tw_status refuse_decoration(const loader *l, struct fy_event *event, const char *key) {
    const struct fy_mark mark = mark_of(event);
    if (event->type == FYET_ALIAS) {
        return refuse(l, &mark, key, "found an alias; expected the value itself");
    }
    if (fy_event_get_anchor_token(event) != NULL) {
        return refuse(l, &mark, key, "found an anchor; expected the value alone");
    }
    if (fy_event_get_tag_token(event) != NULL) {
        return refuse(l, &mark, key, "found a tag; expected the value alone");
    }
    return TW_OK;
}

static const char *scalar_text(struct fy_event *event, size_t *length) {
    *length = 0;
    const char *text = event->scalar.value != NULL ? fy_token_get_text(event->scalar.value, length) : NULL;
    return text != NULL ? text : "";
}

/* What a key holds, for "expected ...". */
static const char *expected_for(size_t index) {
    switch (tw_rig__row(index)->type) {
    case TW_RIG_KEY_TITLE:
        return "a line of text";
    case TW_RIG_KEY_WORD:
        return "a word";
    case TW_RIG_KEY_BOOL:
        return "true or false";
    case TW_RIG_KEY_BITS:
    case TW_RIG_KEY_CHANNEL:
        return "a whole number";
    default:
        return tw_unit_quantity(tw_rig__row(index)->unit);
    }
}

static tw_status set_from_scalar(loader *l, size_t index, const struct fy_mark *key_mark, struct fy_event *event) {
    const tw_rig_key_row *row = tw_rig__row(index);
    const struct fy_mark *value_mark = fy_event_start_mark(event);
    const struct fy_mark mark =
        value_mark != NULL ? *value_mark : *key_mark; /* a missing value has no place of its own */
    if (tw_rig__given(l->rig, index)) {
        return refuse(l, &mark, row->name, "given a second time (first at line %zu)", l->at[index].line);
    }
    size_t length;
    const char *text = scalar_text(event, &length);
    const tw_place place = place_of(l, &mark, row->name);
    TW_TRY(tw_rig__set(l->ctx, l->rig, index, text, length, &place));
    l->at[index] = (position){.line = place.line, .column = place.column};
    return TW_OK;
}

static tw_status read_section(loader *l, const char *path);

static tw_status enter_section(loader *l, size_t section, const char *path, const struct fy_mark *mark) {
    if (l->seen_section[section]) {
        return refuse(l, mark, path, "section given a second time");
    }
    l->seen_section[section] = true;
    return read_section(l, path);
}

/* The value of the key or section `path`; `key_mark` is where its name stands. */
static tw_status read_value(loader *l, const char *path, const struct fy_mark *key_mark, struct fy_event *event) {
    const size_t index = tw_rig__find(path);
    const size_t section = tw_rig__find_section(path);
    char hint[160], quote[TW_QUOTE_TEXT];
    if (index == SIZE_MAX && section == SIZE_MAX) {
        return refuse(l, key_mark, NULL, "unknown key %s%s", tw_quote(path, strlen(path), quote),
                      tw_rig__hint(path, hint, sizeof hint));
    }
    TW_TRY(refuse_decoration(l, event, path));
    const struct fy_mark mark = mark_of(event);
    if (event->type == FYET_MAPPING_START && section != SIZE_MAX) {
        return enter_section(l, section, path, key_mark);
    }
    if (event->type == FYET_SCALAR && index != SIZE_MAX) {
        if (section != SIZE_MAX && l->seen_section[section]) {
            return refuse(l, key_mark, path, "given a second time");
        }
        return set_from_scalar(l, index, key_mark, event);
    }
    size_t length = 0;
    if (event->type == FYET_SCALAR) {
        const char *text = scalar_text(event, &length);
        if (length == 0) { /* a section whose keys are all commented out */
            return TW_OK;
        }
        return refuse(l, &mark, path, "found %s; expected keys below this section", tw_quote(text, length, quote));
    }
    return refuse(l, &mark, path, "found %s; expected %s", kind_of(event),
                  index != SIZE_MAX ? expected_for(index) : "keys below this section");
}

/* "section.key" into out; false where it would be longer than any name. */
static bool join_path(const char *section, const char *key, size_t length, char out[PATH_SIZE]) {
    const size_t n = strlen(section);
    const size_t dot = n > 0 ? 1 : 0;
    if (length == 0 || length >= PATH_SIZE || n + dot + length >= PATH_SIZE || memchr(key, '\0', length) != NULL) {
        return false;
    }
    memcpy(out, section, n);
    memcpy(out + n, ".", dot);
    memcpy(out + n + dot, key, length);
    out[n + dot + length] = '\0';
    return true;
}

/* One "key: value" whose key event has been read. */
static tw_status read_pair(loader *l, const char *section, struct fy_event *key) {
    const struct fy_mark mark = mark_of(key);
    char path[PATH_SIZE], quote[TW_QUOTE_TEXT];
    size_t length;
    if (key->type != FYET_SCALAR) {
        return refuse(l, &mark, section[0] != '\0' ? section : NULL, "found %s; expected the name of a key",
                      kind_of(key));
    }
    TW_TRY(refuse_decoration(l, key, section[0] != '\0' ? section : NULL));
    const char *text = scalar_text(key, &length);
    if (memchr(text, '.', length) != NULL) {
        return refuse(l, &mark, NULL, "found %s; in a file the keys of a section stand below it, without dots",
                      tw_quote(text, length, quote));
    }
    if (!join_path(section, text, length, path)) {
        return refuse(l, &mark, NULL, "unknown key %s", tw_quote(text, length, quote));
    }
    struct fy_event *value;
    TW_TRY(next_event(l, &value));
    const tw_status status = read_value(l, path, &mark, value);
    fy_parser_event_free(l->parser, value);
    return status;
}

static tw_status read_section(loader *l, const char *path) {
    for (;;) {
        struct fy_event *event;
        TW_TRY(next_event(l, &event));
        const bool end = event->type == FYET_MAPPING_END;
        const tw_status status = end ? TW_OK : read_pair(l, path, event);
        fy_parser_event_free(l->parser, event);
        if (end || status != TW_OK) {
            return status;
        }
    }
}

/* The one document: a mapping at its top. */
static tw_status read_document(loader *l) {
    struct fy_event *event;
    TW_TRY(next_event(l, &event));
    tw_status status = refuse_decoration(l, event, NULL);
    const struct fy_mark mark = mark_of(event);
    if (status == TW_OK && event->type != FYET_MAPPING_START) {
        status = refuse(l, &mark, NULL, "found %s; expected sections such as 'bridge:'", kind_of(event));
    }
    fy_parser_event_free(l->parser, event);
    return status == TW_OK ? read_section(l, "") : status;
}

static tw_status read_stream(loader *l) {
    for (int documents = 0;;) {
        struct fy_event *event;
        TW_TRY(next_event(l, &event));
        const enum fy_event_type type = event->type;
        const struct fy_mark mark = mark_of(event);
        fy_parser_event_free(l->parser, event);
        if (type == FYET_STREAM_END) {
            return documents == 1 ? TW_OK : refuse(l, NULL, NULL, "empty; expected sections such as 'bridge:'");
        }
        if (type != FYET_DOCUMENT_START) {
            continue; /* stream start, document end */
        }
        if (++documents > 1) {
            return refuse(l, &mark, NULL, "found a second document; expected one");
        }
        TW_TRY(read_document(l));
    }
}

/* Refuses what is no text before a YAML reader sees it. */
static tw_status check_text(const loader *l, const char *text, size_t length) {
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
    struct fy_mark mark = {0, 0, 0};
    size_t line_start = 0;
    for (size_t i = 0; i < bad; i++) {
        if (text[i] == '\n') {
            mark.line++;
            line_start = i + 1;
        }
    }
    mark.column = (int)tw_utf8_count(text + line_start, bad - line_start);
    return refuse(l, &mark, NULL, "found the byte 0x%02X; expected UTF-8 text%s", (unsigned)(unsigned char)text[bad],
                  binary ? " without control characters" : "");
}

static tw_status parse_yaml(loader *l, const char *text, size_t length) {
    struct fy_diag_cfg diag_cfg;
    fy_diag_cfg_default(&diag_cfg);
    diag_cfg.fp = NULL;
    diag_cfg.output_fn = no_output;
    diag_cfg.colorize = false;
    l->diag = fy_diag_create(&diag_cfg);
    if (l->diag == NULL) {
        return tw_fail(l->ctx, TW_NO_MEMORY, "rig", "out of memory");
    }
    fy_diag_set_collect_errors(l->diag, true);
    const struct fy_parse_cfg cfg = {
        .flags = FYPCF_QUIET | FYPCF_DEFAULT_VERSION_1_2 | FYPCF_JSON_NONE | FYPCF_DISABLE_MMAP_OPT, .diag = l->diag};
    l->parser = fy_parser_create(&cfg);
    tw_status status;
    if (l->parser == NULL || fy_parser_set_string(l->parser, text, length) != 0) {
        status = tw_fail(l->ctx, TW_NO_MEMORY, "rig", "out of memory");
    } else {
        status = read_stream(l);
    }
    if (l->parser != NULL) {
        fy_parser_destroy(l->parser);
    }
    fy_diag_destroy(l->diag);
    return status;
}

static void override_name(const char *text, char *out, size_t out_size) {
    (void)snprintf(out, out_size, "--set %s", text);
}

static tw_status apply_override(const loader *l, const char *text) {
    char name[256], key[PATH_SIZE], hint[160], quote[TW_QUOTE_TEXT];
    override_name(text, name, sizeof name);
    const char *equals = strchr(text, '=');
    tw_place place = {.file = name, .column = 1};
    if (equals == NULL || equals == text) {
        return tw_fail_at(l->ctx, TW_BAD_ARGUMENT, "rig", &place, "expected KEY=VALUE, such as bridge.frequency=30k");
    }
    const size_t n = (size_t)(equals - text);
    size_t index = SIZE_MAX;
    if (join_path("", text, n, key)) {
        index = tw_rig__find(key);
    }
    if (index == SIZE_MAX) {
        const bool section = n < PATH_SIZE && tw_rig__find_section(key) != SIZE_MAX;
        return tw_fail_at(l->ctx, TW_BAD_ARGUMENT, "rig", &place, "unknown key %s%s", tw_quote(text, n, quote),
                          section         ? ", which is a section; name one of its keys"
                          : n < PATH_SIZE ? tw_rig__hint(key, hint, sizeof hint)
                                          : "");
    }
    place.column = n + 2;
    place.key = tw_rig__row(index)->name;
    TW_TRY(tw_rig__set(l->ctx, l->rig, index, equals + 1, strlen(equals + 1), &place));
    l->at[index] = (position){.override = text};
    return TW_OK;
}

/* Gives a failure of tw_rig_check the place where that key was set. */
static void locate_failure(const loader *l) {
    const size_t index = tw_rig__find(tw_ctx_error(l->ctx)->key);
    tw_place place = {.file = l->name};
    char name[256];
    if (index != SIZE_MAX) {
        place.line = l->at[index].line;
        place.column = l->at[index].column;
        if (l->at[index].override != NULL) {
            override_name(l->at[index].override, name, sizeof name);
            place.file = name;
        }
    }
    tw_error_add_place(l->ctx, &place);
}

tw_status tw_rig_parse(tw_ctx *ctx, const char *name, const char *text, size_t length, const char *const *overrides,
                       size_t n_overrides, tw_rig *out) {
    tw_rig rig = tw_rig_default();
    position at[TW_RIG_MAX_KEYS];
    memset(at, 0, sizeof at);
    loader l = {.ctx = ctx, .name = name, .rig = &rig, .at = at};
    if (length > FILE_LIMIT) {
        const tw_place place = {.file = name};
        return tw_fail_at(ctx, TW_TOO_LARGE, "rig", &place, "larger than %d bytes", FILE_LIMIT);
    }
    if (length >= 3 && memcmp(text, "\xEF\xBB\xBF", 3) == 0) { /* a byte order mark says nothing in UTF-8 */
        text += 3;
        length -= 3;
    }
    TW_TRY(check_text(&l, text, length));
    TW_TRY(parse_yaml(&l, text, length));
    for (size_t i = 0; i < n_overrides; i++) {
        TW_TRY(apply_override(&l, overrides[i]));
    }
    const tw_status status = tw_rig_check(ctx, &rig);
    if (status != TW_OK) {
        locate_failure(&l);
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

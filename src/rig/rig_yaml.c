/* Reading a rig file: YAML 1.2 by libfyaml's event interface, so that nothing is built in memory that the table of
 * keys does not know. Anchors, aliases, tags and further documents are refused; nesting is bounded by the sections
 * that exist.
 */
#include "rig_private.h"

#include <libfyaml.h>
#include <string.h>

enum { MAX_SECTIONS = 64 };

typedef struct loader {
    tw_ctx *ctx;
    const char *name;
    tw_rig *rig;
    struct fy_parser *parser;
    struct fy_diag *diag;
    bool seen_section[MAX_SECTIONS];
    tw_rig_position *at; /* one a key */
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
    l->at[index] = (tw_rig_position){.line = place.line, .column = place.column};
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

static bool item_path(const char *list, size_t number, char out[TW_RIG_PATH_SIZE]) {
    char digits[24];
    (void)snprintf(digits, sizeof digits, "%zu", number);
    return tw_rig__join_path(list, digits, strlen(digits), out);
}

static bool is_list(const char *path) {
    char first[TW_RIG_PATH_SIZE];
    return item_path(path, 1, first) && tw_rig__find_section(first) != SIZE_MAX;
}

static tw_status read_item(loader *l, const char *list, size_t number, struct fy_event *event) {
    char path[TW_RIG_PATH_SIZE];
    const struct fy_mark mark = mark_of(event);
    const size_t section = item_path(list, number, path) ? tw_rig__find_section(path) : SIZE_MAX;
    if (section == SIZE_MAX) {
        return refuse(l, &mark, list, "found %zu entries or more; expected at most %zu", number, number - 1);
    }
    TW_TRY(refuse_decoration(l, event, path));
    if (event->type != FYET_MAPPING_START) {
        return refuse(l, &mark, path, "found %s; expected keys of an entry", kind_of(event));
    }
    return enter_section(l, section, path, &mark);
}

/* A list of sections: entry k is the section "path.k", counted from 1. */
static tw_status read_list(loader *l, const char *path) {
    for (size_t number = 1;; number++) {
        struct fy_event *event;
        TW_TRY(next_event(l, &event));
        const bool end = event->type == FYET_SEQUENCE_END;
        const tw_status status = end ? TW_OK : read_item(l, path, number, event);
        fy_parser_event_free(l->parser, event);
        if (end || status != TW_OK) {
            return status;
        }
    }
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
    if (event->type == FYET_SEQUENCE_START && section != SIZE_MAX && is_list(path)) {
        if (l->seen_section[section]) {
            return refuse(l, key_mark, path, "section given a second time");
        }
        l->seen_section[section] = true;
        return read_list(l, path);
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

/* One "key: value" whose key event has been read. */
static tw_status read_pair(loader *l, const char *section, struct fy_event *key) {
    const struct fy_mark mark = mark_of(key);
    char path[TW_RIG_PATH_SIZE], quote[TW_QUOTE_TEXT];
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
    if (!tw_rig__join_path(section, text, length, path)) {
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

tw_status tw_rig__read_yaml(tw_ctx *ctx, const char *name, const char *text, size_t length, tw_rig *rig,
                            tw_rig_position *at) {
    loader reader = {.ctx = ctx, .name = name, .rig = rig, .at = at};
    loader *l = &reader;
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

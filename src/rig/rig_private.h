/* What the files of rig share: the one table of keys that drives loading, --set, checking, suggestions and writing. */
#ifndef TW_RIG_PRIVATE_H
#define TW_RIG_PRIVATE_H

#include "tankwright/rig.h"
#include "tankwright/units.h"

typedef enum tw_rig_key_type {
    TW_RIG_KEY_TITLE,    /* char[200] */
    TW_RIG_KEY_WORD,     /* an enum (int), one of `words` */
    TW_RIG_KEY_BOOL,     /* bool */
    TW_RIG_KEY_BITS,     /* int */
    TW_RIG_KEY_CHANNEL,  /* size_t */
    TW_RIG_KEY_QUANTITY, /* tw_value */
    TW_RIG_KEY_PLAIN     /* double without uncertainty */
} tw_rig_key_type;

typedef struct tw_rig_key_row {
    const char *name;
    size_t offset; /* into tw_rig */
    const char *const *words;
    double low, high; /* legal range, ends included (but see below_high) */
    double initial;   /* default; NaN: unknown; the number of the word, truth, bits, channel */
    double initial_u; /* standard uncertainty of the default */
    tw_rig_key_type type;
    tw_unit unit;
    bool unknown_legal;
    bool below_high; /* the upper end itself is not legal */
    bool detail;     /* nothing but a more exact answer hangs on it: printed only where it was given */
} tw_rig_key_row;

enum { TW_RIG_MAX_KEYS = 256, TW_RIG_NAME_LIMIT = 63, TW_RIG_PATH_SIZE = TW_RIG_NAME_LIMIT + 1 };

/* Where a key was set, so that a relation between keys can be reported there. */
typedef struct tw_rig_position {
    size_t line, column;
    const char *override; /* the option's text, NULL where the file set it */
} tw_rig_position;

size_t tw_rig__count(void);
const tw_rig_key_row *tw_rig__row(size_t index);
/* Index of a key or SIZE_MAX. "recorder.channels.current.channel" is the same as "recorder.channels.current". */
size_t tw_rig__find(const char *name);
/* Index of a section such as "bridge" or "pickups.current", or SIZE_MAX. */
size_t tw_rig__find_section(const char *path);
/* The nearest key or section for an unknown path, NULL where none is near. */
const char *tw_rig__suggest(const char *path);
/* "; did you mean X?" or "" into out. */
const char *tw_rig__hint(const char *path, char *out, size_t out_size);

void tw_rig__mark_given(tw_rig *rig, size_t index);
bool tw_rig__given(const tw_rig *rig, size_t index);

/* Sets key `index` from text; `origin` is the place of the text's first byte. Marks the key as given. */
tw_status tw_rig__set(tw_ctx *ctx, tw_rig *rig, size_t index, const char *text, size_t length, const tw_place *origin);

/* Pointers into a rig. */
const void *tw_rig__field(const tw_rig *rig, size_t index);
tw_value tw_rig__value(const tw_rig *rig, size_t index);

/* Whether the key has a meaning with the kinds chosen in this rig (pan.coupling with kind coupled, ...). */
bool tw_rig__applies(const tw_rig *rig, size_t index);

/* "section.key" into out; false where it would be longer than any name. */
bool tw_rig__join_path(const char *section, const char *key, size_t length, char out[TW_RIG_PATH_SIZE]);

/* Reads YAML text into `rig`, which holds the defaults, and notes in at[] (one a key) where each key was set. */
tw_status tw_rig__read_yaml(tw_ctx *ctx, const char *name, const char *text, size_t length, tw_rig *rig,
                            tw_rig_position *at);

#endif

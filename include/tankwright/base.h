/* base: status and error record, context, memory, text, strict number parsing, whole-or-nothing files.
 *
 * No physics. Every other room may call this one; it calls none.
 *
 * Conventions that hold in the whole library
 *   - SI units without prefix; a unit suffix stands on each dimensional field (_s _hz _h _f _ohm ...).
 *   - Argument order: context, object, inputs (const), options, outputs, callback and user data.
 *   - A function that can fail returns tw_status and leaves its outputs untouched unless it returns TW_OK.
 *   - The detail of a failure lies in the context's error record; the first failure wins.
 *   - One context per thread. The library keeps no mutable global state.
 */
#ifndef TANKWRIGHT_BASE_H
#define TANKWRIGHT_BASE_H

#include <stdarg.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#if defined(__GNUC__)
#define TW_MUST_USE __attribute__((warn_unused_result))
#define TW_PRINTF(fmt, args) __attribute__((format(printf, fmt, args)))
#else
#define TW_MUST_USE
#define TW_PRINTF(fmt, args)
#endif

#define TW_PI 3.14159265358979323846

/* ---- status ------------------------------------------------------------------------------------- */

/* name, text. A code says what a caller can do about it; "not converged yet" or "event found" are
 * outcomes and belong in results, not here. */
#define TW_STATUS_LIST(X)                                                \
    X(OK, "done")                                                        \
    X(BAD_ARGUMENT, "bad argument")                                      \
    X(OUT_OF_RANGE, "value out of range")                                \
    X(BAD_DATA, "unusable data")                                         \
    X(NEEDS_OPTION, "the data leave a doubt that an option must settle") \
    X(NO_CONVERGENCE, "no convergence")                                  \
    X(SINGULAR, "singular system")                                       \
    X(TOO_LARGE, "too large")                                            \
    X(NO_MEMORY, "out of memory")                                        \
    X(STORAGE, "file or storage failure")                                \
    X(CANCELLED, "cancelled")                                            \
    X(INTERNAL, "internal fault")

typedef enum tw_status {
#define TW_STATUS_ENUM(name, text) TW_##name,
    TW_STATUS_LIST(TW_STATUS_ENUM)
#undef TW_STATUS_ENUM
        TW_STATUS_COUNT
} tw_status;

/* Returns a static English text; "unknown status" for a value outside the list. */
const char *tw_status_text(tw_status status);

/* Forwards a failure to the caller. */
#define TW_TRY(call)                            \
    do {                                        \
        const tw_status tw_try_status = (call); \
        if (tw_try_status != TW_OK) {           \
            return tw_try_status;               \
        }                                       \
    } while (0)

/* ---- values that several rooms pass on ---------------------------------------------------------- */

/* A number in SI units with its standard uncertainty. u = 0: none stated. value = NaN: unknown. */
typedef struct tw_value {
    double value;
    double u;
} tw_value;

tw_value tw_exactly(double value);
tw_value tw_unknown(void);
bool tw_is_known(tw_value v);

/* ---- context and error record ------------------------------------------------------------------- */

typedef struct tw_ctx tw_ctx;

/* Where in the user's input something stands. file and key may be NULL; line and column are counted
 * from 1, 0 = not applicable. The strings are borrowed. */
typedef struct tw_place {
    const char *file;
    size_t line;
    size_t column;
    const char *key;
} tw_place;

typedef struct tw_error {
    tw_status status;    /* TW_OK: nothing has failed */
    char room[16];       /* the room that reported */
    char file[256];      /* "" where none */
    size_t line, column; /* 0 where none */
    char key[64];        /* rig key or option name, "" where none */
    char message[512];   /* one sentence, no full stop, no repetition of the place */
} tw_error;

/* Returns NULL when memory is out. Destroy accepts NULL. */
tw_ctx *tw_ctx_create(void);
void tw_ctx_destroy(tw_ctx *ctx);

/* Borrowed; valid until the context is destroyed. Its status is TW_OK when nothing has failed. */
const tw_error *tw_ctx_error(const tw_ctx *ctx);
void tw_ctx_clear_error(tw_ctx *ctx);

/* Records a failure (unless one is recorded already) and returns `status`, so that callers can write
 * `return tw_fail(...)`. `place` may be NULL. */
tw_status tw_fail(tw_ctx *ctx, tw_status status, const char *room, const char *format, ...) TW_PRINTF(4, 5);
tw_status tw_fail_at(tw_ctx *ctx, tw_status status, const char *room, const tw_place *place, const char *format, ...)
    TW_PRINTF(5, 6);

/* Adds a place to the recorded failure where it has none: for an upper layer that knows the file. */
void tw_error_add_place(tw_ctx *ctx, const tw_place *place);

/* "FILE:LINE:COL: KEY: message" into `out` (cut to fit). Returns `out`. */
const char *tw_error_format(const tw_error *error, char *out, size_t out_size);

/* Progress and cancelling. The callback gets the done fraction 0..1 and the name of the work; a return
 * of true asks to stop, and tw_progress then returns TW_CANCELLED. */
typedef bool tw_progress_fn(double fraction, const char *what, void *user);
void tw_ctx_set_progress(tw_ctx *ctx, tw_progress_fn *fn, void *user);
tw_status tw_progress(tw_ctx *ctx, double fraction, const char *what) TW_MUST_USE;

/* ---- memory ------------------------------------------------------------------------------------- */

/* Zeroed memory for count elements of `size` bytes; the product is checked. Returns NULL after recording
 * TW_NO_MEMORY. count = 0 gives a valid pointer. Release with tw_free. */
void *tw_alloc(tw_ctx *ctx, size_t count, size_t size);

/* Like realloc with a checked product; new bytes are not zeroed; `old` stays valid on failure. */
void *tw_resize(tw_ctx *ctx, void *old, size_t count, size_t size);

/* Copy of a string (up to its terminator). */
char *tw_copy_string(tw_ctx *ctx, const char *text);

/* Accepts NULL. */
void tw_free(void *memory);

/* For tests: the n-th allocation from now fails (1 = the next one); 0 switches that off. */
void tw_ctx_fail_allocation(tw_ctx *ctx, size_t n);

/* ---- growing text ------------------------------------------------------------------------------- */

/* A byte string that grows up to a limit. After a failed append the text stays as it was, `status` holds
 * the failure and later appends do nothing: append many times, check once. Always NUL-terminated. */
typedef struct tw_text {
    tw_ctx *ctx;
    char *data;
    size_t length, capacity, limit;
    tw_status status;
} tw_text;

void tw_text_init(tw_ctx *ctx, tw_text *text, size_t limit);
void tw_text_dispose(tw_text *text);
void tw_text_append(tw_text *text, const char *bytes, size_t n);
void tw_text_add(tw_text *text, const char *string);
void tw_text_addf(tw_text *text, const char *format, ...) TW_PRINTF(2, 3);
/* Shortens to `length` bytes and clears nothing else. */
void tw_text_cut(tw_text *text, size_t length);
/* "" instead of NULL. */
const char *tw_text_string(const tw_text *text);

/* ---- warnings ----------------------------------------------------------------------------------- */

/* Findings that do not stop the work: a code (snake_case, stable) and a sentence. */
typedef struct tw_warning {
    char code[40];
    char message[400];
} tw_warning;

typedef struct tw_warnings {
    tw_warning *items;
    size_t count;
} tw_warnings;

/* Appends; a code that is there already is not added twice. */
tw_status tw_warn(tw_ctx *ctx, tw_warnings *list, const char *code, const char *format, ...)
    TW_PRINTF(4, 5) TW_MUST_USE;
tw_status tw_warnings_append(tw_ctx *ctx, tw_warnings *list, const tw_warnings *more) TW_MUST_USE;
bool tw_warnings_has(const tw_warnings *list, const char *code);
void tw_warnings_dispose(tw_warnings *list);

/* ---- numbers as text ---------------------------------------------------------------------------- */

/* Reads one decimal floating number at the start of `text` (optional sign, digits with an optional point,
 * optional exponent; no white space, no hexadecimal, no inf or nan), correctly rounded, whatever the locale.
 * Returns the bytes used, 0 where no number stands there. */
size_t tw_parse_number(const char *text, size_t length, double *out);

/* Shortest decimal text that reads back as the same double ("%.17g" at most), whatever the locale.
 * `out` needs TW_NUMBER_TEXT bytes. Returns its length. */
#define TW_NUMBER_TEXT 32
size_t tw_format_number(double value, char *out);

/* ---- files -------------------------------------------------------------------------------------- */

/* Reads a whole file of at most `limit` bytes into memory with one NUL beyond the end; *data goes to the
 * caller (tw_free). Errors name the file. */
tw_status tw_read_file(tw_ctx *ctx, const char *path, size_t limit, char **data, size_t *length) TW_MUST_USE;

/* A file that appears whole or not at all: bytes go to a temporary file beside it, tw_output_commit flushes,
 * syncs and renames, tw_output_abandon removes. Exactly one of the two ends it. */
typedef struct tw_output {
    FILE *stream;    /* write here */
    char *path;      /* the final name */
    char *temporary; /* the name until then */
} tw_output;

tw_status tw_output_open(tw_ctx *ctx, const char *path, tw_output *out) TW_MUST_USE;
tw_status tw_output_commit(tw_ctx *ctx, tw_output *out) TW_MUST_USE;
void tw_output_abandon(tw_output *out);

/* Writes `length` bytes as a whole file. */
tw_status tw_write_file(tw_ctx *ctx, const char *path, const char *data, size_t length) TW_MUST_USE;

#endif

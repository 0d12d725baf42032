/* Context, error record, progress, memory. */
#include "tankwright/base.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

struct tw_ctx {
    tw_error error;
    tw_progress_fn *progress;
    void *progress_user;
    size_t allocations_until_failure; /* 0: never fail on purpose */
};

static const char *const STATUS_TEXT[] = {
#define STATUS_ROW(name, text) text,
    TW_STATUS_LIST(STATUS_ROW)
#undef STATUS_ROW
};

const char *tw_status_text(tw_status status) {
    return (unsigned)status < TW_STATUS_COUNT ? STATUS_TEXT[status] : "unknown status";
}

tw_value tw_exactly(double value) {
    return (tw_value){.value = value, .u = 0.0};
}

tw_value tw_unknown(void) {
    return (tw_value){.value = (double)NAN, .u = 0.0};
}

bool tw_is_known(tw_value v) {
    return !isnan(v.value);
}

tw_ctx *tw_ctx_create(void) {
    return calloc(1, sizeof(tw_ctx));
}

void tw_ctx_destroy(tw_ctx *ctx) {
    free(ctx);
}

const tw_error *tw_ctx_error(const tw_ctx *ctx) {
    return &ctx->error;
}

void tw_ctx_clear_error(tw_ctx *ctx) {
    memset(&ctx->error, 0, sizeof ctx->error);
}

static void copy_cut(char *out, size_t out_size, const char *text) {
    if (text == NULL) {
        out[0] = '\0';
        return;
    }
    const size_t n = strlen(text);
    const size_t kept = n < out_size ? n : out_size - 1;
    memcpy(out, text, kept);
    out[kept] = '\0';
}

TW_PRINTF(5, 0)
TW_PRINTF(5, 0)
static tw_status fail_with(tw_ctx *ctx, tw_status status, const char *room, const tw_place *place, const char *format,
                           va_list args) {
    tw_error *e = &ctx->error;
    if (e->status != TW_OK) {
        return status;
    }
    e->status = status;
    copy_cut(e->room, sizeof e->room, room);
    (void)vsnprintf(e->message, sizeof e->message, format, args);
    if (place != NULL) {
        tw_error_add_place(ctx, place);
    }
    return status;
}

tw_status tw_fail(tw_ctx *ctx, tw_status status, const char *room, const char *format, ...) {
    va_list args;
    va_start(args, format);
    const tw_status s = fail_with(ctx, status, room, NULL, format, args);
    va_end(args);
    return s;
}

tw_status tw_fail_at(tw_ctx *ctx, tw_status status, const char *room, const tw_place *place, const char *format, ...) {
    va_list args;
    va_start(args, format);
    const tw_status s = fail_with(ctx, status, room, place, format, args);
    va_end(args);
    return s;
}

void tw_error_add_place(tw_ctx *ctx, const tw_place *place) {
    tw_error *e = &ctx->error;
    if (e->status == TW_OK) {
        return;
    }
    if (e->file[0] == '\0') {
        copy_cut(e->file, sizeof e->file, place->file);
    }
    if (e->line == 0) {
        e->line = place->line;
        e->column = place->column;
    }
    if (e->key[0] == '\0') {
        copy_cut(e->key, sizeof e->key, place->key);
    }
}

const char *tw_error_format(const tw_error *error, char *out, size_t out_size) {
    char where[400] = "";
    if (error->file[0] != '\0' && error->line > 0 && error->column == 0) {
        (void)snprintf(where, sizeof where, "%s:%zu: ", error->file, error->line);
    } else if (error->file[0] != '\0' && error->line > 0) {
        (void)snprintf(where, sizeof where, "%s:%zu:%zu: ", error->file, error->line, error->column);
    } else if (error->file[0] != '\0') {
        (void)snprintf(where, sizeof where, "%s: ", error->file);
    }
    (void)snprintf(out, out_size, "%s%s%s%s", where, error->key, error->key[0] != '\0' ? ": " : "", error->message);
    return out;
}

void tw_ctx_set_progress(tw_ctx *ctx, tw_progress_fn *fn, void *user) {
    ctx->progress = fn;
    ctx->progress_user = user;
}

tw_status tw_progress(tw_ctx *ctx, double fraction, const char *what) {
    if (ctx->progress != NULL && ctx->progress(fraction, what, ctx->progress_user)) {
        return tw_fail(ctx, TW_CANCELLED, "base", "%s was cancelled", what);
    }
    return TW_OK;
}

/* True when this allocation must fail: by request of a test, or because the product overflows. */
static bool refuse(tw_ctx *ctx, size_t count, size_t size) {
    if (ctx->allocations_until_failure > 0 && --ctx->allocations_until_failure == 0) {
        return true;
    }
    return size != 0 && count > (size_t)PTRDIFF_MAX / size;
}

static void *checked(tw_ctx *ctx, void *memory, size_t count, size_t size) {
    if (memory == NULL) {
        (void)tw_fail(ctx, TW_NO_MEMORY, "base", "out of memory (%zu items of %zu bytes wanted)", count, size);
    }
    return memory;
}

void *tw_alloc(tw_ctx *ctx, size_t count, size_t size) {
    void *memory = refuse(ctx, count, size) ? NULL : calloc(count > 0 ? count : 1, size > 0 ? size : 1);
    return checked(ctx, memory, count, size);
}

void *tw_resize(tw_ctx *ctx, void *old, size_t count, size_t size) {
    const size_t bytes = count * size;
    void *memory = refuse(ctx, count, size) ? NULL : realloc(old, bytes > 0 ? bytes : 1);
    return checked(ctx, memory, count, size);
}

char *tw_copy_string(tw_ctx *ctx, const char *text) {
    const size_t n = strlen(text) + 1;
    char *copy = tw_alloc(ctx, n, 1);
    if (copy != NULL) {
        memcpy(copy, text, n);
    }
    return copy;
}

void tw_free(void *memory) {
    free(memory);
}

void tw_ctx_fail_allocation(tw_ctx *ctx, size_t n) {
    ctx->allocations_until_failure = n;
}

/* Which format a file has, by its first bytes; and what the readers of binary formats share. */
#include "capture_private.h"

#include <math.h>
#include <string.h>

static bool starts_with(const char *bytes, size_t length, const char *magic, size_t n) {
    return length >= n && memcmp(bytes, magic, n) == 0;
}

/* Containers that hold samples without loss. "RIFF" and "FORM" hold other things too, so their kind is looked at. */
static bool is_audio(const char *b, size_t n) {
    if (n < 16) {
        return false;
    }
    const bool riff = memcmp(b, "RIFF", 4) == 0 || memcmp(b, "RIFX", 4) == 0 || memcmp(b, "RF64", 4) == 0;
    const bool form = memcmp(b, "FORM", 4) == 0 && (memcmp(b + 8, "AIFF", 4) == 0 || memcmp(b + 8, "AIFC", 4) == 0);
    return (riff && memcmp(b + 8, "WAVE", 4) == 0) || form || memcmp(b, ".snd", 4) == 0 || memcmp(b, "fLaC", 4) == 0 ||
           memcmp(b, "caff", 4) == 0 ||
           memcmp(b, "riff\x2e\x91\xcf\x11\xa5\xd6\x28\xdb\x04\xc1", 14) == 0; /* 64-bit variant, marked by a GUID */
}

capture_format tw_capture__find_format(const char *bytes, size_t length) {
    if (starts_with(bytes, length, "\x93NUMPY", 6)) {
        return FORMAT_NUMPY;
    }
    if (is_audio(bytes, length)) {
        return FORMAT_AUDIO;
    }
    if (tw_capture__is_comtrade_single(bytes, length)) {
        return FORMAT_COMTRADE_SINGLE;
    }
    return tw_capture__is_comtrade_cfg(bytes, length) ? FORMAT_COMTRADE : FORMAT_TEXT;
}

tw_status tw_capture__read_source(capture_source *source, const tw_capture_opts *opts, bool alone,
                                  capture_record *out) {
    switch (tw_capture__find_format(source->bytes, source->length)) {
    case FORMAT_NUMPY:
        return tw_capture__read_numpy(source, opts, out);
    case FORMAT_AUDIO:
        return tw_capture__read_audio(source, opts, out);
    case FORMAT_COMTRADE_SINGLE:
        return tw_capture__read_comtrade_single(source, opts, out);
    case FORMAT_COMTRADE:
        return tw_capture__fail(source->ctx, TW_BAD_DATA, source->name, 0,
                                "a COMTRADE configuration without its data (a .dat file of the same name beside it)");
    case FORMAT_TEXT:
        break;
    }
    TW_TRY(tw_capture__start_text(source));
    return tw_capture__read_record(source, opts, alone, out);
}

static tw_status read_pair(tw_ctx *ctx, const char *cfg_path, const char *data_path, const tw_capture_opts *opts,
                           capture_record *out) {
    capture_source cfg, data;
    TW_TRY(tw_capture__open_path(ctx, cfg_path, tw_capture__max_bytes(opts), &cfg));
    tw_status status = tw_capture__open_path(ctx, data_path, tw_capture__max_bytes(opts), &data);
    if (status == TW_OK) {
        status = tw_capture__read_comtrade(&cfg, &data, opts, out);
        tw_capture__close(&data);
    }
    tw_capture__close(&cfg);
    return status;
}

tw_status tw_capture__read_path(tw_ctx *ctx, const char *path, const tw_capture_opts *opts, bool alone,
                                capture_record *out) {
    capture_source source;
    TW_TRY(tw_capture__open_path(ctx, path, tw_capture__max_bytes(opts), &source));
    const capture_format format = tw_capture__find_format(source.bytes, source.length);
    tw_status status = TW_OK;
    char *other = NULL;
    if (format == FORMAT_COMTRADE) {
        status = tw_capture__find_sibling(ctx, path, "dat", &other);
    } else if (format == FORMAT_TEXT && tw_capture__has_suffix(path, "dat")) {
        status = tw_capture__find_sibling(ctx, path, "cfg", &other);
    }
    if (status == TW_OK && other != NULL && format == FORMAT_COMTRADE) {
        status = read_pair(ctx, path, other, opts, out);
    } else if (status == TW_OK && other != NULL && tw_capture__starts_as_cfg(other)) {
        status = read_pair(ctx, other, path, opts, out);
    } else if (status == TW_OK) {
        status = tw_capture__read_source(&source, opts, alone, out);
    }
    tw_capture__close(&source);
    tw_free(other);
    return status;
}

size_t tw_capture__max_bytes(const tw_capture_opts *opts) {
    return opts->max_bytes != 0 ? opts->max_bytes : (size_t)4 << 30;
}

/* ---- columns for readers that know how many there are ---- */

tw_status tw_capture__make_columns(tw_ctx *ctx, const char *name, const tw_capture_opts *opts, size_t columns,
                                   size_t rows, capture_layout *out) {
    const size_t most = tw_capture__max_bytes(opts) / sizeof(double);
    if (columns > CAPTURE_MAX_COLUMNS) {
        return tw_capture__fail(ctx, TW_TOO_LARGE, name, 0, "%zu columns; %d at most", columns,
                                (int)CAPTURE_MAX_COLUMNS);
    }
    if (columns > 0 && rows > most / columns) {
        return tw_capture__fail(ctx, TW_TOO_LARGE, name, 0, "%zu samples of %zu column(s) take more than %zu bytes",
                                rows, columns, tw_capture__max_bytes(opts));
    }
    *out = (capture_layout){.separator = ',', .decimal = '.', .first_row = 1};
    out->columns = tw_alloc(ctx, columns, sizeof *out->columns);
    if (out->columns == NULL) {
        return TW_NO_MEMORY;
    }
    out->n_columns = columns;
    for (size_t i = 0; i < columns; i++) {
        out->columns[i].index = i;
        out->columns[i].unit.factor = 1.0;
    }
    return tw_capture__resize_columns(ctx, out, rows);
}

tw_status tw_capture__resize_columns(tw_ctx *ctx, capture_layout *layout, size_t rows) {
    for (size_t i = 0; i < layout->n_columns; i++) {
        double *values = tw_resize(ctx, layout->columns[i].values, rows > 0 ? rows : 1, sizeof *values);
        if (values == NULL) {
            return TW_NO_MEMORY;
        }
        layout->columns[i].values = values;
    }
    return TW_OK;
}

tw_status tw_capture__note_interval(tw_ctx *ctx, capture_layout *layout, double interval_s, double start_s) {
    layout->notes.items = tw_alloc(ctx, 2, sizeof *layout->notes.items);
    if (layout->notes.items == NULL) {
        return TW_NO_MEMORY;
    }
    const capture_unit seconds = {.kind = UNIT_TIME, .factor = 1.0, .base = "s"};
    if (interval_s > 0 && isfinite(interval_s)) {
        layout->notes.items[layout->notes.count++] =
            (capture_note){.kind = NOTE_INTERVAL, .value = interval_s, .unit = seconds};
    }
    if (isfinite(start_s)) {
        layout->notes.items[layout->notes.count++] =
            (capture_note){.kind = NOTE_START, .value = start_s, .unit = seconds};
    }
    return TW_OK;
}

/* The room's door: options checked, one or several files read, channels of one record put together. */
#include "capture_private.h"

#include <math.h>
#include <string.h>

tw_capture_opts tw_capture_opts_default(void) {
    return (tw_capture_opts){.sample_interval_s = (double)NAN};
}

void tw_capture_dispose(tw_capture *capture) {
    for (size_t i = 0; i < capture->n_channels; i++) {
        tw_free(capture->channels[i].values);
    }
    tw_free(capture->channels);
    tw_warnings_dispose(&capture->warnings);
    *capture = (tw_capture){0};
}

static tw_status check_opts(tw_ctx *ctx, const tw_capture_opts *o) {
    if (o->decimal_mark != '\0' && o->decimal_mark != '.' && o->decimal_mark != ',') {
        return tw_fail(ctx, TW_BAD_ARGUMENT, CAPTURE_ROOM, "--decimal-mark must be a point or a comma");
    }
    if (o->separator != '\0' && strchr(",;\t ", o->separator) == NULL) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, CAPTURE_ROOM,
                       "--separator must be a comma, a semicolon, a tab or a blank");
    }
    if (o->no_time_column && o->time_column != 0) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, CAPTURE_ROOM, "--time-column and --no-time-column exclude each other");
    }
    if (!isnan(o->sample_interval_s) && !(o->sample_interval_s > 0 && isfinite(o->sample_interval_s))) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, CAPTURE_ROOM, "--sample-interval must be greater than 0");
    }
    return tw_capture__check_units(ctx, o);
}

/* Silence would leave a channel without its unit, or give it that of another one. */
static tw_status check_unit_count(tw_ctx *ctx, const tw_capture_opts *o, size_t channels) {
    if (o->units == NULL || o->n_units == channels) {
        return TW_OK;
    }
    return tw_fail(ctx, TW_BAD_ARGUMENT, CAPTURE_ROOM,
                   "--units gives %zu unit(s) but the record has %zu channel(s): one for each is needed", o->n_units,
                   channels);
}

static tw_status no_interval(tw_ctx *ctx, const char *name) {
    return tw_capture__fail(ctx, TW_NEEDS_OPTION, name, 0,
                            "the file does not say the time between two samples; give it with --sample-interval");
}

tw_status tw_capture_read_text(tw_ctx *ctx, const char *name, const char *text, size_t length,
                               const tw_capture_opts *opts, tw_capture *out) {
    const tw_capture_opts defaults = tw_capture_opts_default();
    opts = opts != NULL ? opts : &defaults;
    TW_TRY(check_opts(ctx, opts));
    capture_source source = {.ctx = ctx, .name = name, .bytes = text, .length = length};
    capture_record record;
    const tw_status status = tw_capture__read_source(&source, opts, true, &record);
    tw_capture__close(&source);
    TW_TRY(status);
    if (!record.has_interval) {
        tw_capture_dispose(&record.capture);
        return no_interval(ctx, name);
    }
    const tw_status counted = check_unit_count(ctx, opts, record.capture.n_channels);
    if (counted != TW_OK) {
        tw_capture_dispose(&record.capture);
        return counted;
    }
    *out = record.capture;
    return TW_OK;
}

/* ---- several files ---- */

static tw_status read_each(tw_ctx *ctx, const char *const *paths, size_t n, const tw_capture_opts *opts,
                           capture_record *records) {
    tw_capture_opts own = *opts;
    for (size_t i = 0; i < n; i++) {
        TW_TRY(tw_capture__read_path(ctx, paths[i], &own, n == 1, &records[i]));
        const size_t channels = records[i].capture.n_channels; /* the next file's units stand behind this one's */
        const size_t taken = channels < own.n_units ? channels : own.n_units;
        own.n_units -= taken;
        own.units = own.n_units > 0 ? own.units + taken : NULL;
    }
    return TW_OK;
}

/* The interval of the record: from the first file that knows it, or a settings file. */
static tw_status common_interval(tw_ctx *ctx, const char *const *paths, size_t n, const capture_record *records,
                                 double *interval, double *start) {
    *interval = (double)NAN;
    *start = 0;
    for (size_t i = 0; i < n; i++) {
        if (!records[i].has_interval || records[i].settings_only) {
            continue;
        }
        const tw_capture *c = &records[i].capture;
        if (isnan(*interval)) {
            *interval = c->sample_interval_s;
            *start = c->start_time_s;
        } else if (fabs(c->sample_interval_s - *interval) > 2e-3 * *interval) {
            return tw_capture__fail(ctx, TW_BAD_DATA, paths[i], 0,
                                    "its sample interval is %.6g s but that of the files before is %.6g s",
                                    c->sample_interval_s, *interval);
        }
    }
    for (size_t i = 0; i < n && isnan(*interval); i++) {
        *interval = records[i].settings_only ? records[i].noted_interval_s : *interval;
    }
    return isnan(*interval) ? no_interval(ctx, paths[0]) : TW_OK;
}

static tw_status move_channels(tw_ctx *ctx, capture_record *record, double start, const char *path, tw_capture *all) {
    tw_capture *c = &record->capture;
    for (size_t k = 0; k < c->n_channels; k++) {
        tw_capture_channel *to = &all->channels[all->n_channels];
        *to = c->channels[k];
        c->channels[k].values = NULL;
        all->n_channels++;
        to->offset_s += record->has_interval ? c->start_time_s - start : 0;
        if (c->samples != all->samples) { /* cut to the shortest */
            double *values = tw_resize(ctx, to->values, all->samples, sizeof *values);
            if (values == NULL) {
                return TW_NO_MEMORY;
            }
            to->values = values;
            TW_TRY(tw_capture__summarise(ctx, to, 1, all->samples));
        }
    }
    if (c->samples != all->samples && !record->settings_only) {
        TW_TRY(tw_warn(ctx, &all->warnings, "different_lengths", "%s has %zu samples; the shortest file has %zu", path,
                       c->samples, all->samples));
    }
    return tw_warnings_append(ctx, &all->warnings, &c->warnings);
}

static tw_status join(tw_ctx *ctx, const char *const *paths, size_t n, capture_record *records, tw_capture *all) {
    double start;
    TW_TRY(common_interval(ctx, paths, n, records, &all->sample_interval_s, &start));
    all->start_time_s = start;
    all->samples = SIZE_MAX;
    size_t channels = 0, used = 0;
    for (size_t i = 0; i < n; i++) {
        const tw_capture *c = &records[i].capture;
        channels += c->n_channels;
        all->samples = !records[i].settings_only && c->samples < all->samples ? c->samples : all->samples;
        const int put = snprintf(all->source + used, sizeof all->source - used, "%s%s", i > 0 ? ", " : "", paths[i]);
        used = put > 0 && used + (size_t)put < sizeof all->source ? used + (size_t)put : sizeof all->source - 1;
        if (all->understood[0] == '\0' && !records[i].settings_only) {
            (void)snprintf(all->understood, sizeof all->understood, "%s", c->understood);
        }
    }
    if (channels == 0) {
        return tw_capture__fail(ctx, TW_BAD_DATA, paths[0], 0, "no table of numbers was found in any of the files");
    }
    all->channels = tw_alloc(ctx, channels, sizeof *all->channels);
    if (all->channels == NULL) {
        return TW_NO_MEMORY;
    }
    for (size_t i = 0; i < n; i++) {
        TW_TRY(move_channels(ctx, &records[i], start, paths[i], all));
    }
    return TW_OK;
}

static tw_status read_paths(tw_ctx *ctx, const char *const *paths, size_t n, const tw_capture_opts *opts,
                            capture_record *records, tw_capture *all) {
    TW_TRY(read_each(ctx, paths, n, opts, records));
    if (n == 1 && records[0].has_interval) {
        *all = records[0].capture;
        records[0].capture = (tw_capture){0};
        return TW_OK;
    }
    return join(ctx, paths, n, records, all);
}

tw_status tw_capture_read(tw_ctx *ctx, const char *const *paths, size_t n_paths, const tw_capture_opts *opts,
                          tw_capture *out) {
    const tw_capture_opts defaults = tw_capture_opts_default();
    opts = opts != NULL ? opts : &defaults;
    TW_TRY(check_opts(ctx, opts));
    if (n_paths == 0) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, CAPTURE_ROOM, "no file was named");
    }
    capture_record *records = tw_alloc(ctx, n_paths, sizeof *records);
    const char **own = tw_alloc(ctx, n_paths, sizeof *own);
    tw_capture all = {0};
    tw_status status = records != NULL && own != NULL ? TW_OK : TW_NO_MEMORY;
    if (status == TW_OK) {
        size_t n = 0;
        for (size_t i = 0; i < n_paths; i++) {
            if (!tw_capture__comes_along(paths, n_paths, i)) {
                own[n++] = paths[i];
            }
        }
        status = read_paths(ctx, own, n, opts, records, &all);
        status = status == TW_OK ? check_unit_count(ctx, opts, all.n_channels) : status;
    }
    for (size_t i = 0; records != NULL && i < n_paths; i++) {
        tw_capture_dispose(&records[i].capture);
    }
    tw_free(records);
    tw_free(own);
    if (status != TW_OK) {
        tw_capture_dispose(&all);
        return status;
    }
    *out = all;
    return TW_OK;
}

/* One file: from lines to columns, from columns to a capture. */
#include "capture_private.h"

#include <float.h>
#include <math.h>
#include <string.h>

/* Everything of one table on its way to a capture. */
typedef struct work {
    tw_ctx *ctx;
    const char *name;
    const tw_capture_opts *opts;
    capture_layout layout;
    size_t rows;
    size_t *roles;
    capture_axis *axes;          /* [n_columns] of the time columns in use */
    capture_interval *intervals; /* [n_columns] */
    capture_record record;
} work;

/* Stamps of the columns that channels use. */
static tw_status fit_axes(work *w) {
    const size_t n = w->layout.n_columns;
    w->axes = tw_alloc(w->ctx, n, sizeof *w->axes);
    w->intervals = tw_alloc(w->ctx, n, sizeof *w->intervals);
    if (w->axes == NULL || w->intervals == NULL) {
        return TW_NO_MEMORY;
    }
    for (size_t i = 0; i < n; i++) {
        bool used = false;
        for (size_t k = 0; k < n && !used; k++) {
            used = tw_capture__is_channel(w->roles[k]) && w->roles[k] == i + 1;
        }
        if (!used) {
            continue;
        }
        capture_column *c = &w->layout.columns[i];
        size_t rows = w->rows;
        while (rows > 0 && !isfinite(c->values[rows - 1])) {
            rows--; /* a shorter record beside a longer one */
        }
        TW_TRY(tw_capture__fit_axis(w->ctx, w->name, w->layout.first_row, c->values, rows, &w->axes[i]));
        TW_TRY(tw_capture__settle_interval(w->ctx, w->name, w->opts, &w->layout, c, &w->axes[i],
                                           &w->record.capture.warnings, &w->intervals[i]));
    }
    return TW_OK;
}

static tw_status warn_axis(work *w, const capture_axis *axis, const capture_interval *interval) {
    tw_warnings *warnings = &w->record.capture.warnings;
    if (axis->blocks > 1) {
        TW_TRY(tw_warn(w->ctx, warnings, "time_restarts",
                       "time starts again in %zu blocks; the first one with %zu rows was read", axis->blocks,
                       axis->rows));
    }
    if (axis->wrong > 0) {
        TW_TRY(tw_warn(w->ctx, warnings, "wrong_time_stamp",
                       "%zu time stamp(s) do not fit their neighbours (the first in line %zu); put right", axis->wrong,
                       w->layout.first_row + axis->first_wrong));
    }
    if (axis->missing > 0) {
        TW_TRY(tw_warn(w->ctx, warnings, "missing_rows", "%zu row(s) are missing by the time stamps; left open",
                       axis->missing));
    }
    if (axis->scatter > 0.05 && !interval->index) {
        TW_TRY(
            tw_warn(w->ctx, warnings, "rounded_time",
                    "time stamps are up to %.2g intervals off an even spacing; the interval was fitted to all of them",
                    axis->scatter));
    }
    return TW_OK;
}

/* The axis of the first channel sets interval and start; the others must have the same interval. */
static tw_status settle_time(work *w) {
    tw_capture *c = &w->record.capture;
    const capture_note *start = tw_capture__find_note(&w->layout.notes, NOTE_START, 1, "");
    size_t first = SIZE_MAX;
    for (size_t i = 0; i < w->layout.n_columns; i++) {
        if (w->axes[i].rows == 0) {
            continue;
        }
        TW_TRY(warn_axis(w, &w->axes[i], &w->intervals[i]));
        if (first == SIZE_MAX) {
            first = i;
        } else if (fabs(w->intervals[i].seconds - w->intervals[first].seconds) > 2e-3 * w->intervals[first].seconds) {
            return tw_capture__fail(
                w->ctx, TW_BAD_DATA, w->name, w->layout.first_row,
                "the channels have different sample intervals (%.6g s and %.6g s); store one file for "
                "each rate",
                w->intervals[first].seconds, w->intervals[i].seconds);
        }
    }
    capture_interval interval;
    if (first == SIZE_MAX) {
        TW_TRY(tw_capture__settle_interval(w->ctx, w->name, w->opts, &w->layout, NULL, NULL, &c->warnings, &interval));
        c->start_time_s = start != NULL ? start->value : 0.0;
    } else {
        interval = w->intervals[first];
        c->start_time_s =
            interval.index ? (start != NULL ? start->value : 0.0) : w->axes[first].start * interval.unit_factor;
    }
    w->record.has_interval = !isnan(interval.seconds);
    c->sample_interval_s = interval.seconds;
    (void)snprintf(c->understood, sizeof c->understood, "%s", interval.said);
    return TW_OK;
}

/* Puts the values where the stamps say, NaN in between. */
static tw_status open_gaps(work *w, capture_column *c, const capture_axis *axis, const double *t) {
    const size_t samples = axis->rows + axis->missing;
    double *values = tw_alloc(w->ctx, samples, sizeof *values);
    if (values == NULL) {
        return TW_NO_MEMORY;
    }
    for (size_t i = 0; i < samples; i++) {
        values[i] = (double)NAN;
    }
    for (size_t i = 0; i < axis->rows; i++) {
        const double at = floor((t[i] - axis->start) / axis->step + 0.5);
        if (at >= 0 && at < (double)samples) {
            values[(size_t)at] = c->values[i];
        }
    }
    tw_free(c->values);
    c->values = values;
    return TW_OK;
}

static size_t samples_of(const work *w, size_t column) {
    const size_t role = w->roles[column];
    return role == 0 ? w->rows : w->axes[role - 1].rows + w->axes[role - 1].missing;
}

/* Makes all channels equally long; a shorter one ends in NaN. */
static tw_status fit_length(work *w, size_t column, size_t samples) {
    capture_column *c = &w->layout.columns[column];
    const size_t own = samples_of(w, column), have = own < w->rows ? own : w->rows;
    const capture_axis *axis = w->roles[column] == 0 ? NULL : &w->axes[w->roles[column] - 1];
    if (axis != NULL && axis->missing > 0) {
        TW_TRY(open_gaps(w, c, axis, w->layout.columns[w->roles[column] - 1].values));
    }
    const size_t filled = axis != NULL && axis->missing > 0 ? own : have;
    if (samples != w->rows || (axis != NULL && axis->missing > 0)) {
        double *values = tw_resize(w->ctx, c->values, samples, sizeof *values);
        if (values == NULL) {
            return TW_NO_MEMORY;
        }
        c->values = values;
    }
    for (size_t i = filled; i < samples; i++) {
        c->values[i] = (double)NAN;
    }
    return TW_OK;
}

/* `open` rows were left open by the time stamps: said already. */
static tw_status warn_channel(work *w, const tw_capture_channel *channel, size_t number, size_t open) {
    tw_warnings *warnings = &w->record.capture.warnings;
    const size_t samples = w->record.capture.samples;
    size_t present = 0, above = 0, below = 0;
    for (size_t i = 0; i < samples; i++) {
        present += isnan(channel->values[i]) ? 0 : 1;
        above += channel->values[i] > DBL_MAX;
        below += channel->values[i] < -DBL_MAX;
    }
    if (above + below > 0) {
        TW_TRY(tw_warn(w->ctx, warnings, "over_range",
                       "channel %zu (%s): %zu of %zu samples are over range (%zu above, %zu below)", number,
                       channel->name, above + below, samples, above, below));
    }
    if (channel->finite == 0) {
        return tw_warn(w->ctx, warnings, "no_samples", "channel %zu (%s) has no finite sample", number, channel->name);
    }
    if (present * 2 < samples - open) {
        TW_TRY(tw_warn(w->ctx, warnings, "sparse_channel",
                       "channel %zu (%s) has samples in %zu of %zu rows only: it was recorded at a lower rate", number,
                       channel->name, present, samples));
    } else if (samples - present > open) {
        TW_TRY(tw_warn(w->ctx, warnings, "missing_samples", "channel %zu (%s): %zu of %zu samples are missing", number,
                       channel->name, samples - present - open, samples));
    }
    return channel->minimum < channel->maximum
               ? TW_OK
               : tw_warn(w->ctx, warnings, "constant_channel", "channel %zu (%s) is constant at %.6g", number,
                         channel->name, channel->minimum);
}

static tw_status fill_channels(work *w) {
    tw_capture *c = &w->record.capture;
    size_t count = 0;
    for (size_t i = 0; i < w->layout.n_columns; i++) {
        count += tw_capture__is_channel(w->roles[i]);
        const size_t samples = tw_capture__is_channel(w->roles[i]) ? samples_of(w, i) : 0;
        c->samples = samples > c->samples ? samples : c->samples;
    }
    for (size_t i = 0; i < w->layout.n_columns; i++) {
        if (tw_capture__is_channel(w->roles[i])) {
            TW_TRY(fit_length(w, i, c->samples));
        }
    }
    for (size_t i = 0; i < w->layout.n_columns; i++) { /* memory for the statistics */
        if (!tw_capture__is_channel(w->roles[i])) {
            tw_free(w->layout.columns[i].values);
            w->layout.columns[i].values = NULL;
        }
    }
    c->channels = tw_alloc(w->ctx, count, sizeof *c->channels);
    if (c->channels == NULL) {
        return TW_NO_MEMORY;
    }
    for (size_t i = 0; i < w->layout.n_columns; i++) {
        capture_column *column = &w->layout.columns[i];
        if (!tw_capture__is_channel(w->roles[i])) {
            continue;
        }
        tw_capture_channel *channel = &c->channels[c->n_channels++];
        const size_t role = w->roles[i];
        if (role != 0 && !w->intervals[role - 1].index) {
            channel->offset_s = w->axes[role - 1].start * w->intervals[role - 1].unit_factor - c->start_time_s;
        }
        (void)snprintf(channel->name, sizeof channel->name, "%s", column->name);
        (void)snprintf(channel->unit, sizeof channel->unit, "%s", column->has_unit ? column->unit.base : "");
        channel->values = column->values;
        column->values = NULL;
    }
    TW_TRY(tw_capture__summarise(w->ctx, c->channels, c->n_channels, c->samples));
    for (size_t i = 0, k = 0; i < w->layout.n_columns; i++) {
        if (tw_capture__is_channel(w->roles[i])) {
            const size_t role = w->roles[i];
            TW_TRY(warn_channel(w, &c->channels[k], k + 1, role == 0 ? 0 : w->axes[role - 1].missing));
            k++;
        }
    }
    return TW_OK;
}

static tw_status finish(work *w, const size_t *roles) {
    tw_capture *c = &w->record.capture;
    const size_t n = w->layout.n_columns;
    (void)snprintf(c->source, sizeof c->source, "%.250s", w->name);
    if (w->rows < 2) {
        return tw_capture__fail(w->ctx, TW_BAD_DATA, w->name, w->layout.first_row,
                                "%zu row(s) of numbers; a record needs two at least", w->rows);
    }
    w->roles = tw_alloc(w->ctx, n, sizeof *w->roles);
    if (w->roles == NULL) {
        return TW_NO_MEMORY;
    }
    if (roles != NULL) {
        memcpy(w->roles, roles, n * sizeof *roles);
    } else {
        TW_TRY(tw_capture__find_roles(w->ctx, w->name, w->opts, &w->layout, w->rows, w->roles, &c->warnings));
        TW_TRY(tw_capture__drop_repeats(w->ctx, &w->layout, w->roles, w->rows, &c->warnings));
    }
    TW_TRY(tw_capture__scale_columns(w->ctx, w->opts, &w->layout, w->roles, w->rows, &c->warnings));
    TW_TRY(fit_axes(w));
    TW_TRY(settle_time(w));
    return fill_channels(w);
}

tw_status tw_capture__finish_table(tw_ctx *ctx, const char *name, const tw_capture_opts *opts, capture_layout *layout,
                                   const size_t *roles, size_t rows, capture_record *out) {
    work w = {.ctx = ctx, .name = name, .opts = opts, .layout = *layout, .rows = rows};
    w.record.noted_interval_s = (double)NAN;
    const tw_status status = finish(&w, roles);
    *layout = w.layout; /* drops what was not taken */
    tw_free(w.roles);
    tw_free(w.axes);
    tw_free(w.intervals);
    if (status != TW_OK) {
        tw_capture_dispose(&w.record.capture);
        return status;
    }
    *out = w.record;
    return TW_OK;
}

/* ---- delimited text ---- */

typedef struct text_work {
    capture_source *source;
    tw_ctx *ctx;
    const tw_capture_opts *opts;
    capture_sample sample;
    capture_dialect dialect;
    capture_layout layout;
    size_t rows, skipped;
    capture_record record;
} text_work;

static tw_status no_table(text_work *w, bool alone) {
    capture_dialect any = {.separator = ','};
    if (!alone) { /* a settings file beside the record: key words only */
        TW_TRY(tw_capture__read_notes(w->ctx, &w->sample, &any, w->sample.n_lines, &w->layout.notes));
        bool with_unit, disagree;
        w->record.noted_interval_s = tw_capture__noted_interval(&w->layout.notes, &with_unit, &disagree);
        if (!isnan(w->record.noted_interval_s)) {
            w->record.settings_only = true;
            return TW_OK;
        }
    }
    return tw_capture__fail(w->ctx, TW_BAD_DATA, w->source->name, 0,
                            w->sample.whole ? "no table of numbers was found"
                                            : "no table of numbers was found in the first %zu lines; if it starts "
                                              "further down say so with --skip-rows",
                            w->sample.n_lines);
}

static void describe(text_work *w) {
    static const char *const ENCODINGS[] = {"ASCII", "UTF-8", "8-bit text", "UTF-16", "UTF-16"};
    tw_capture *c = &w->record.capture;
    const char separator = w->layout.separator;
    const char *name = separator == ','    ? "commas"
                       : separator == ';'  ? "semicolons"
                       : separator == '\t' ? "tabs"
                                           : "blanks";
    char said[160];
    (void)snprintf(said, sizeof said, "%.150s", c->understood);
    (void)snprintf(c->understood, sizeof c->understood,
                   "columns separated by %s, decimal %s, %s; table from line %zu, %zu rows, %zu channel(s); "
                   "interval from %s",
                   w->layout.n_columns < 2 ? "nothing" : name, w->layout.decimal == ',' ? "comma" : "point",
                   ENCODINGS[w->source->encoding], w->layout.first_row, w->rows, c->n_channels,
                   w->record.has_interval ? said : "nowhere");
}

static tw_status read_text(text_work *w, bool alone) {
    tw_capture *c = &w->record.capture;
    TW_TRY(tw_capture__take_sample(w->source, w->opts->skip_rows, &w->sample));
    TW_TRY(tw_capture__find_dialect(w->ctx, w->source->name, &w->sample, w->opts, &w->dialect));
    if (w->dialect.score <= 0) {
        return no_table(w, alone);
    }
    TW_TRY(tw_capture__find_layout(w->ctx, &w->sample, &w->dialect, &w->layout));
    TW_TRY(tw_capture__load(w->source, &w->layout, &w->rows, &w->skipped));
    tw_capture__settle_empty(&w->layout, w->rows);
    TW_TRY(tw_capture__finish_table(w->ctx, w->source->name, w->opts, &w->layout, NULL, w->rows, &w->record));
    if (w->skipped > 0) {
        TW_TRY(
            tw_warn(w->ctx, &c->warnings, "rows_skipped", "%zu line(s) inside the table hold no numbers", w->skipped));
    }
    if (w->layout.text_columns) {
        TW_TRY(tw_warn(w->ctx, &c->warnings, "text_column", "columns of text were left out"));
    }
    describe(w);
    return TW_OK;
}

tw_status tw_capture__read_record(capture_source *source, const tw_capture_opts *opts, bool alone,
                                  capture_record *out) {
    text_work w = {.source = source, .ctx = source->ctx, .opts = opts};
    w.record.noted_interval_s = (double)NAN;
    (void)snprintf(w.record.capture.source, sizeof w.record.capture.source, "%.250s", source->name);
    const tw_status status = read_text(&w, alone);
    tw_capture__drop_sample(&w.sample);
    tw_capture__drop_dialect(&w.dialect);
    tw_capture__drop_layout(&w.layout);
    if (status != TW_OK) {
        tw_capture_dispose(&w.record.capture);
        return status;
    }
    *out = w.record;
    return TW_OK;
}

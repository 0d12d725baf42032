/* Delimited text: waveforms and rehearsed records.
 *
 * Comma separated, point as decimal mark, line feed, header names with the unit in round brackets ("coil current (A)"):
 * the form of RFC 4180 but for the line end, and one that our own reader takes without options. Nine significant
 * digits: far below any recorder's step, and a time axis of a million samples keeps distinct values.
 */
#include "report_private.h"

#include <math.h>
#include <string.h>

/* As "%.9g" with a point whatever the locale; not finite values are `gap`, "inf" or "-inf". Returns its length. */
static size_t put_number(double value, int digits, bool signed_infinity, char *out) {
    if (!isfinite(value)) {
        const char *word = isnan(value) || !signed_infinity ? "" : value > 0 ? "inf" : "-inf";
        return (size_t)snprintf(out, TW_NUMBER_TEXT, "%s", word);
    }
    const int n = snprintf(out, TW_NUMBER_TEXT, "%.*g", digits, value);
    for (int i = 0; i < n; i++) {
        out[i] = (char)(out[i] == ',' ? '.' : out[i]);
    }
    return (size_t)n;
}

/* A column: values, or time from start and interval. */
typedef struct column {
    const char *name, *unit;
    const double *values;
} column;

typedef struct table {
    size_t rows, n_columns;
    const double *time_s; /* NULL: start + row * interval */
    double start_s, interval_s;
    bool signed_infinity;
    column columns[TW_MAX_WAVES];
} table;

/* Digits of the time column so that neighbours stay apart and on a straight line to 1/1000 of the interval. */
static int time_digits(const table *t) {
    const double last = fmax(fabs(t->start_s), fabs(t->start_s + (double)t->rows * t->interval_s));
    const double needed = t->interval_s > 0 && last > 0 ? ceil(log10(last / t->interval_s)) + 4 : 9;
    return needed > 17 ? 17 : needed < 9 ? 9 : (int)needed;
}

static tw_status write_table(tw_ctx *ctx, const table *t, const char *path) {
    tw_output out;
    TW_TRY(tw_output_open(ctx, path, &out));
    fputs("time (s)", out.stream);
    for (size_t c = 0; c < t->n_columns; c++) {
        fprintf(out.stream, ",%s (%s)", t->columns[c].name, t->columns[c].unit);
    }
    fputc('\n', out.stream);
    const int digits = time_digits(t);
    tw_status status = TW_OK;
    for (size_t row = 0; row < t->rows && status == TW_OK && !ferror(out.stream); row++) {
        char text[TW_NUMBER_TEXT];
        const double time = t->time_s != NULL ? t->time_s[row] : t->start_s + (double)row * t->interval_s;
        fwrite(text, 1, put_number(time, digits, false, text), out.stream);
        for (size_t c = 0; c < t->n_columns; c++) {
            fputc(',', out.stream);
            fwrite(text, 1, put_number(t->columns[c].values[row], 9, t->signed_infinity, text), out.stream);
        }
        fputc('\n', out.stream);
        if (row % 65536 == 65535) {
            status = tw_progress(ctx, (double)row / (double)t->rows, "writing");
        }
    }
    if (status != TW_OK) {
        tw_output_abandon(&out);
        return status;
    }
    return tw_output_commit(ctx, &out);
}

tw_status tw_report_write_waveforms(tw_ctx *ctx, const tw_reading *reading, const char *path) {
    const bool record = reading->n_record > 0;
    const tw_wave *waves = record ? reading->record_waves : reading->waves;
    table t = {.rows = record ? reading->n_record : reading->n_points,
               .n_columns = record ? reading->n_record_waves : reading->n_waves,
               .time_s = record ? NULL : reading->time_s,
               .start_s = record ? reading->record_start_s : 0,
               .interval_s = record ? reading->record_interval_s : 0};
    if (t.rows == 0 || t.n_columns == 0 || t.n_columns > TW_MAX_WAVES) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, "report", "there are no waveforms to write");
    }
    if (!record) {
        t.start_s = t.time_s[0];
        t.interval_s = t.rows > 1 ? (t.time_s[t.rows - 1] - t.time_s[0]) / (double)(t.rows - 1) : 0;
    }
    for (size_t c = 0; c < t.n_columns; c++) {
        t.columns[c] = (column){waves[c].label, waves[c].unit, waves[c].values};
    }
    return write_table(ctx, &t, path);
}

tw_status tw_report_write_rehearsal(tw_ctx *ctx, const tw_rehearsal *rehearsal, const char *path) {
    if (rehearsal->samples == 0) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, "report", "the rehearsed record is empty");
    }
    const table t = {.rows = rehearsal->samples,
                     .n_columns = 2,
                     .interval_s = rehearsal->interval_s,
                     .signed_infinity = true,
                     .columns = {{"current", "V", rehearsal->current_v}, {"voltage", "V", rehearsal->voltage_v}}};
    return write_table(ctx, &t, path);
}

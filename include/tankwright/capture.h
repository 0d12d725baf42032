/* capture: recorded samples. One reader per format, chosen by the first bytes: delimited text as recorders write it (by
 * looking at the content, never at a maker's name), COMTRADE (IEEE C37.111), NumPy arrays, audio containers.
 * docs/captures.md tells the user what is understood.
 */
#ifndef TANKWRIGHT_CAPTURE_H
#define TANKWRIGHT_CAPTURE_H

#include "tankwright/base.h"

typedef struct tw_capture_channel {
    char name[64];                 /* from the header, or "channel 1" ... */
    char unit[16];                 /* "V", "A", "" where the file says nothing; values are in the unit without prefix */
    double *values;                /* [samples]; NaN where missing, +-INFINITY where over range */
    size_t finite;                 /* count of finite samples */
    double minimum, maximum, mean; /* over the finite samples; NaN when there are none */
    size_t at_minimum, at_maximum; /* samples that sit exactly on the extremes: clipping shows here */
    double step;     /* smallest difference between distinct values: the quantisation step; NaN when unclear */
    double offset_s; /* this channel's first sample later than start_time_s by this (separate time columns) */
} tw_capture_channel;

typedef struct tw_capture {
    char source[256]; /* file name(s) */
    size_t samples;
    double sample_interval_s;
    double start_time_s;
    size_t n_channels;
    tw_capture_channel *channels;
    char understood[400]; /* one sentence: format, separator, decimal mark, encoding, where the interval came from */
    tw_warnings warnings;
} tw_capture;

/* What the user settles by options; zero/NULL/NaN = let the reader find out. */
typedef struct tw_capture_opts {
    double sample_interval_s; /* NaN */
    const char *time_unit;    /* NULL; "s", "ms", "us", "ns" */
    const char *const *units; /* NULL; per data channel "V", "mV", "A", "mA" ... */
    size_t n_units;
    char decimal_mark;  /* 0; '.' or ',' */
    char separator;     /* 0; ',', ';', '\t', ' ' */
    size_t time_column; /* 0 = find; 1-based */
    bool no_time_column;
    size_t skip_rows; /* rows to skip before the table, 0 = find */
    size_t max_bytes; /* of a file, and of the columns of a binary format; 0 = default 4 GiB */
} tw_capture_opts;

tw_capture_opts tw_capture_opts_default(void);

/* Reads n_paths files (one record spread over several files: one or more channels each). Either file of a COMTRADE pair
 * brings the other one along; named both, they count once. Errors: TW_BAD_DATA,
 * TW_NEEDS_OPTION (the message names the option that settles the doubt), TW_STORAGE, with file and line.
 * *out goes to the caller (tw_capture_dispose). */
tw_status tw_capture_read(tw_ctx *ctx, const char *const *paths, size_t n_paths, const tw_capture_opts *opts,
                          tw_capture *out) TW_MUST_USE;

/* The same from memory, any format that is one file; `name` stands for the file in messages. */
tw_status tw_capture_read_text(tw_ctx *ctx, const char *name, const char *text, size_t length,
                               const tw_capture_opts *opts, tw_capture *out) TW_MUST_USE;

void tw_capture_dispose(tw_capture *capture);

#endif

/* What the files of the capture room share.
 *
 * The way of a file: its bytes tell the format (capture_format.c). Every reader makes columns; what comes behind (time,
 * units, gaps, statistics) is the same for all (tw_capture__finish_table). The way of delimited text: source (bytes to
 * lines) -> sample (its first lines) -> dialect (separator, decimal mark, where the table stands) -> layout (columns,
 * header, key words) -> table (all numbers, one pass) -> time -> channels.
 */
#ifndef CAPTURE_PRIVATE_H
#define CAPTURE_PRIVATE_H

#include "tankwright/capture.h"

#define CAPTURE_ROOM "capture"

enum {
    CAPTURE_MAX_COLUMNS = 4096,       /* more is no recorder's table */
    CAPTURE_MAX_LINE = 1 << 20,       /* bytes in a line */
    CAPTURE_SAMPLE_LINES = 2000,      /* lines that decide the dialect */
    CAPTURE_SAMPLE_BYTES = 512 << 10, /* enough of them once CAPTURE_SAMPLE_LEAST lines are there */
    CAPTURE_SAMPLE_LEAST = 64,
    CAPTURE_SAMPLE_MOST = 8 << 20,
    CAPTURE_MAX_NOTES = 512 /* key words remembered from a preamble */
};

/* ---- bytes to lines (capture_source.c) ---- */

typedef enum capture_encoding {
    ENCODING_ASCII,
    ENCODING_UTF8,
    ENCODING_8BIT,
    ENCODING_UTF16LE,
    ENCODING_UTF16BE
} capture_encoding;

typedef struct capture_source {
    tw_ctx *ctx;
    const char *name;
    const char *bytes;
    size_t length;
    size_t first; /* first byte after a byte order mark */
    size_t at;    /* next byte to read */
    size_t line;  /* number of the line read last */
    capture_encoding encoding;
    char line_end;
    void *map; /* NULL: the bytes are borrowed or owned */
    char *owned;
    char *decoded; /* the current line of UTF-16 input */
    size_t decoded_capacity;
} capture_source;

/* The bytes of a file, not looked at yet; tw_capture__start_text makes them ready for lines. */
tw_status tw_capture__open_path(tw_ctx *ctx, const char *path, size_t max_bytes, capture_source *out);
tw_status tw_capture__start_text(capture_source *source);
/* Both in one, from memory. */
tw_status tw_capture__open_text(tw_ctx *ctx, const char *name, const char *text, size_t length, capture_source *out);
void tw_capture__close(capture_source *source);
void tw_capture__rewind(capture_source *source);
/* *text = NULL at the end. The line (without its end) is valid until the next call. */
tw_status tw_capture__next_line(capture_source *source, const char **text, size_t *length);
/* The line at *at of text that is not wide, without its end; *at moves behind it. */
void tw_capture__cut_line(const capture_source *source, size_t *at, size_t limit, const char **text, size_t *length);
bool tw_capture__is_wide(const capture_source *source);
/* Tells the system that these bytes of a mapped file need not stay in memory. */
void tw_capture__let_go(const capture_source *source, size_t from, size_t to);
tw_status tw_capture__line_too_long(const capture_source *source);
/* At least as many lines as the rest of the source has. */
size_t tw_capture__lines_left(const capture_source *source);
/* Records a failure at a line (0: the file as a whole). */
tw_status tw_capture__fail(tw_ctx *ctx, tw_status status, const char *file, size_t line, const char *format, ...)
    TW_PRINTF(5, 6);

/* ---- cells (capture_cells.c) ---- */

typedef struct capture_cell {
    const char *text; /* without blanks and quotes around it */
    size_t length;
} capture_cell;

typedef enum cell_kind {
    CELL_EMPTY,
    CELL_NUMBER,
    CELL_MARKER,   /* inf, nan, overload: the value is not finite */
    CELL_UNSIGNED, /* over range without a sign: **** */
    CELL_TEXT
} cell_kind;

/* Takes the cell at *at; *at moves beyond its separator. False at the end of the line. A blank separator stands for
 * any run of blanks and tabs. */
bool tw_capture__next_cell(const char *line, size_t length, char separator, size_t *at, capture_cell *out);
/* Cells of a line, at most `most`; the return value counts all of them up to most + 1. */
size_t tw_capture__split(const char *line, size_t length, char separator, capture_cell *cells, size_t most);
cell_kind tw_capture__read_cell(capture_cell cell, char decimal, double *value);
capture_cell tw_capture__trim(const char *text, size_t length);

/* ---- words and units (capture_words.c) ---- */

typedef enum unit_kind {
    UNIT_NONE,
    UNIT_TIME,
    UNIT_FREQUENCY,
    UNIT_RATE,
    UNIT_SIGNAL,
    UNIT_LEVEL,
    UNIT_CODE,
    UNIT_PER_DIVISION
} unit_kind;

typedef struct capture_unit {
    unit_kind kind;
    double factor; /* to the unit without prefix */
    char base[16];
} capture_unit;

bool tw_capture__read_unit(capture_cell cell, capture_unit *out);
/* The same with (), [] or {} around it allowed. */
bool tw_capture__read_bracketed_unit(capture_cell cell, capture_unit *out);
/* UTF-8 without control bytes, cut to fit; bytes that are not UTF-8 are taken as an 8-bit code page. */
void tw_capture__clean_text(capture_cell cell, char *out, size_t out_size);
/* Lower-case letters and digits only. */
size_t tw_capture__squash(capture_cell cell, char *out, size_t out_size);
bool tw_capture__is_utf8(const char *text, size_t length, bool *ascii);
/* Number with an optional unit behind it at the start of the text; bytes used or 0. */
size_t tw_capture__read_quantity(capture_cell text, char decimal, double *value, capture_unit *unit);

/* ---- the first lines (capture_dialect.c) ---- */

typedef struct sample_line {
    size_t start, length, number;
} sample_line;

typedef struct capture_sample {
    char *text;
    size_t used, capacity;
    sample_line *lines;
    size_t n_lines;
    bool whole; /* the file ends here */
} capture_sample;

typedef struct capture_dialect {
    char separator, decimal;
    size_t first, last; /* the run of numeric rows, in sample lines */
    bool *is_data;      /* [n_columns] columns of numbers */
    bool *is_unit;      /* [n_columns] a unit in every row */
    bool *is_text;      /* [n_columns] text in every row, not a preamble */
    bool *is_empty;     /* [n_columns] a cell in most rows and nothing in any */
    size_t n_columns;
    double score;
} capture_dialect;

tw_status tw_capture__take_sample(capture_source *source, size_t skip_rows, capture_sample *out);
void tw_capture__drop_sample(capture_sample *sample);
capture_cell tw_capture__sample_line(const capture_sample *sample, size_t i);
/* score = 0 where no table of numbers was found. */
tw_status tw_capture__find_dialect(tw_ctx *ctx, const char *name, const capture_sample *sample,
                                   const tw_capture_opts *opts, capture_dialect *out);
void tw_capture__drop_dialect(capture_dialect *dialect);

/* ---- key words of a preamble (capture_notes.c) ---- */

typedef enum note_kind {
    NOTE_NONE,
    NOTE_INTERVAL,
    NOTE_RATE,
    NOTE_START,
    NOTE_TIME_UNIT,
    NOTE_SIGNAL_UNIT,
    NOTE_SCALE,        /* signal per code */
    NOTE_PER_DIVISION, /* signal per division */
    NOTE_CODES_PER_DIVISION,
    NOTE_REFERENCE, /* code of signal `origin` */
    NOTE_ORIGIN,    /* signal at the reference code */
    NOTE_OFFSET,    /* one of these two */
    NOTE_NAME
} note_kind;

typedef struct capture_note {
    note_kind kind;
    double value;
    capture_unit unit;
    char tag[32];  /* rest of the key: a channel */
    char text[64]; /* NOTE_NAME */
    size_t line;
} capture_note;

typedef struct capture_notes {
    capture_note *items;
    size_t count;
} capture_notes;

/* "ch1" or "channel1" at the start of a squashed key; its length or 0. */
size_t tw_capture__channel_prefix(const char *squashed);
/* What the key stands for; the rest of its letters goes to `tag`. */
note_kind tw_capture__classify_key(capture_cell key, char *tag, size_t tag_size);
tw_status tw_capture__read_notes(tw_ctx *ctx, const capture_sample *sample, const capture_dialect *dialect,
                                 size_t first_row, capture_notes *out);
/* The note for the channel (1-based, named `name`), or the one for all. NULL: none. */
/* True for a cell that is a key word of a preamble and so no channel name. */
bool tw_capture__is_key(capture_cell cell);
const capture_note *tw_capture__find_note(const capture_notes *notes, note_kind kind, size_t channel, const char *name);

/* ---- layout (capture_layout.c) ---- */

typedef struct capture_column {
    size_t index;   /* in the file, from 0 */
    size_t unit_of; /* for a unit column: 1 + the position of the column it belongs to; 0 for numbers */
    char name[64];
    bool named_time, named_index, named_frequency;
    bool named; /* the name comes from the file */
    bool empty; /* no value in any row; kept so that the channels after it keep their numbers */
    bool has_unit;
    capture_unit unit;
    double *values;
} capture_column;

typedef struct capture_layout {
    char separator, decimal;
    size_t first_row; /* line number of the first row of the table */
    capture_column *columns;
    size_t n_columns;
    capture_notes notes;
    bool text_columns; /* some were left out */
} capture_layout;

tw_status tw_capture__find_layout(tw_ctx *ctx, const capture_sample *sample, const capture_dialect *dialect,
                                  capture_layout *out);
void tw_capture__drop_layout(capture_layout *layout);

/* ---- columns without a value (capture_empty.c) ---- */

/* Behind the header: drops those that are no channels by name or place. */
void tw_capture__prune_empty(capture_layout *layout);
/* Behind the values: drops gaps in front of a time column. */
void tw_capture__settle_empty(capture_layout *layout, size_t rows);

/* ---- all numbers (capture_table.c) ---- */

/* How a line becomes a row. */
typedef struct capture_rows {
    capture_layout *layout;
    const size_t *slot_of; /* [width] 1 + position of the file's column among the layout's, 0 = not wanted */
    size_t width;
} capture_rows;

/* Reads one line into a row of the columns; true when it holds numbers. *unsigned_cell is set where a value took its
 * sign from the row before. */
bool tw_capture__read_row(const capture_rows *reader, const char *line, size_t length, size_t row, bool *unsigned_cell);

/* All rows by several threads, with the very result of one (capture_chunks.c). *done stays false, and nothing has
 * happened, where the source or the table does not suit. */
tw_status tw_capture__load_chunks(capture_source *source, const capture_rows *reader, size_t *rows, size_t *capacity,
                                  size_t *skipped, bool *done);

/* Fills the columns' values; *rows counts them, *skipped the lines between them that hold no numbers. */
tw_status tw_capture__load(capture_source *source, capture_layout *layout, size_t *rows, size_t *skipped);

/* ---- time (capture_time.c) ---- */

typedef struct capture_axis {
    bool index;   /* counts samples */
    double start; /* in the column's unit */
    double step;
    double scatter; /* largest distance of a stamp from the line, over the step */
    size_t rows;    /* rows that belong to the record (the first block where time restarts) */
    size_t blocks;
    size_t wrong;       /* stamps that were off and put right */
    size_t first_wrong; /* the row of the first of them */
    size_t missing;     /* rows that the stamps say are missing */
} capture_axis;

bool tw_capture__looks_like_time(const double *t, size_t n);
bool tw_capture__is_index(const double *t, size_t n);
/* Fits start + step * i. Puts wrong stamps right in place. On missing > 0 the stamps tell the positions: round((t -
 * start)/step). */
tw_status tw_capture__fit_axis(tw_ctx *ctx, const char *file, size_t first_line, double *t, size_t n,
                               capture_axis *out);

/* ---- one file (capture_record.c) ---- */

typedef struct capture_record {
    tw_capture capture;
    bool has_interval;
    double noted_interval_s; /* from a preamble; NaN */
    bool settings_only;      /* no table in it, only key words */
} capture_record;

/* Delimited text. Leaves has_interval false where no interval is to be found; settings_only is possible where `alone`
 * is false. */
tw_status tw_capture__read_record(capture_source *source, const tw_capture_opts *opts, bool alone, capture_record *out);

/* What becomes of a column: the number 1 + position of its time column, 0 without one, or one of these. */
#define ROLE_TIME SIZE_MAX
#define ROLE_DROPPED (SIZE_MAX - 1)
#define ROLE_UNIT (SIZE_MAX - 2)
static inline bool tw_capture__is_channel(size_t role) {
    return role < ROLE_UNIT;
}

/* From columns to a capture: roles (found by content where `roles` is NULL), units, time, gaps, statistics. Takes the
 * columns' values. `understood` then only says where the interval came from. */
tw_status tw_capture__finish_table(tw_ctx *ctx, const char *name, const tw_capture_opts *opts, capture_layout *layout,
                                   const size_t *roles, size_t rows, capture_record *out);

/* ---- which columns are time (capture_roles.c) ---- */

/* Fills roles [n_columns]; refuses what is no record over time (a spectrum, a sweep, logic levels only). */
tw_status tw_capture__find_roles(tw_ctx *ctx, const char *file, const tw_capture_opts *opts,
                                 const capture_layout *layout, size_t rows, size_t *roles, tw_warnings *warnings);

/* ---- which unit time has, and what the preamble says (capture_interval.c) ---- */

typedef struct capture_interval {
    double seconds;     /* NaN: not to be found */
    double unit_factor; /* seconds per unit of the time column */
    bool index;         /* the column only counts */
    char said[160];     /* where it came from */
} capture_interval;

tw_status tw_capture__check_time_unit(tw_ctx *ctx, const tw_capture_opts *opts);
double tw_capture__noted_interval(const capture_notes *notes, bool *with_unit, bool *disagree);
/* `column` may be NULL: no time column. */
tw_status tw_capture__settle_interval(tw_ctx *ctx, const char *file, const tw_capture_opts *opts,
                                      const capture_layout *layout, const capture_column *column,
                                      const capture_axis *axis, tw_warnings *warnings, capture_interval *out);

/* ---- values (capture_channels.c) ---- */

tw_status tw_capture__drop_repeats(tw_ctx *ctx, capture_layout *layout, size_t *roles, size_t rows,
                                   tw_warnings *warnings);
/* The names of units in the options, before a file is opened. */
tw_status tw_capture__check_units(tw_ctx *ctx, const tw_capture_opts *opts);
/* Codes to signals, prefixes away, names and units settled. */
tw_status tw_capture__scale_columns(tw_ctx *ctx, const tw_capture_opts *opts, capture_layout *layout,
                                    const size_t *roles, size_t rows, tw_warnings *warnings);
/* ---- formats (capture_format.c) ---- */

typedef enum capture_format {
    FORMAT_TEXT,
    FORMAT_COMTRADE,        /* a configuration; the data lie in a file of their own */
    FORMAT_COMTRADE_SINGLE, /* both in one file */
    FORMAT_NUMPY,
    FORMAT_AUDIO
} capture_format;

/* By the first bytes; FORMAT_TEXT for everything else. */
capture_format tw_capture__find_format(const char *bytes, size_t length);
/* Reads a source of any format; the text reader where it is none of the others. */
tw_status tw_capture__read_source(capture_source *source, const tw_capture_opts *opts, bool alone, capture_record *out);
tw_status tw_capture__read_path(tw_ctx *ctx, const char *path, const tw_capture_opts *opts, bool alone,
                                capture_record *out);
/* Columns with room for `rows` values each; their number is checked against the bytes that opts allow. */
tw_status tw_capture__make_columns(tw_ctx *ctx, const char *name, const tw_capture_opts *opts, size_t columns,
                                   size_t rows, capture_layout *out);
/* Gives the columns room for `rows` values. */
tw_status tw_capture__resize_columns(tw_ctx *ctx, capture_layout *layout, size_t rows);
/* Writes the interval into the layout's notes, and the start where it is finite. */
tw_status tw_capture__note_interval(tw_ctx *ctx, capture_layout *layout, double interval_s, double start_s);
size_t tw_capture__max_bytes(const tw_capture_opts *opts);

tw_status tw_capture__read_numpy(const capture_source *source, const tw_capture_opts *opts, capture_record *out);
tw_status tw_capture__read_audio(const capture_source *source, const tw_capture_opts *opts, capture_record *out);

/* ---- COMTRADE (capture_comtrade.c) ---- */

bool tw_capture__is_comtrade_cfg(const char *bytes, size_t length);
bool tw_capture__is_comtrade_single(const char *bytes, size_t length);
tw_status tw_capture__read_comtrade(const capture_source *cfg, const capture_source *data, const tw_capture_opts *opts,
                                    capture_record *out);
tw_status tw_capture__read_comtrade_single(const capture_source *source, const tw_capture_opts *opts,
                                           capture_record *out);

/* ---- files that belong together (capture_siblings.c) ---- */

bool tw_capture__has_suffix(const char *path, const char *suffix);
/* The file beside `path` with the same name and another suffix, in any case; *out = NULL where there is none. */
tw_status tw_capture__find_sibling(tw_ctx *ctx, const char *path, const char *suffix, char **out);
/* Whether a file's first bytes are those of a COMTRADE configuration; false where it cannot be opened. */
bool tw_capture__starts_as_cfg(const char *path);
/* True where another of the paths is the configuration that brings paths[i] along. */
bool tw_capture__comes_along(const char *const *paths, size_t n, size_t i);

/* finite, extremes, mean, step of n channels. */
tw_status tw_capture__summarise(tw_ctx *ctx, tw_capture_channel *channels, size_t n, size_t samples);

#endif

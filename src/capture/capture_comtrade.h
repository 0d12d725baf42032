/* COMTRADE: what its two readers share. capture_comtrade_cfg.c reads the configuration, capture_comtrade_data.c the
 * records, capture_comtrade.c puts them together. */
#ifndef CAPTURE_COMTRADE_H
#define CAPTURE_COMTRADE_H

#include "capture_private.h"

typedef enum comtrade_kind { COMTRADE_ASCII, COMTRADE_BINARY, COMTRADE_BINARY32, COMTRADE_FLOAT32 } comtrade_kind;

typedef struct comtrade_analog {
    char name[64];
    char unit[16];      /* without prefix */
    double unit_factor; /* of the prefix */
    double a, b;        /* value = a x + b in the file's unit */
    double skew_s;
    double high;               /* largest value of x; NaN where not stated */
    double primary, secondary; /* rated values; NaN where not stated */
    bool at_secondary;         /* values are those at the secondary side */
} comtrade_analog;

typedef struct comtrade_cfg {
    int year; /* of the standard: 1991, 1999, 2013 or what the file says */
    size_t n_analog, n_status;
    comtrade_analog *analog;
    size_t n_rates; /* 0: time comes from the stamps */
    double *rate_hz;
    double *last; /* number of the last sample of each rate; one entry at least */
    double tick_s;
    double trigger_s; /* from the first sample to the trigger, by the dates; NaN where one is not stated */
    char first_text[64];
    comtrade_kind kind;
} comtrade_cfg;

const char *tw_capture__comtrade_kind_name(comtrade_kind kind);
/* Splits a line of at most 64 fields; more are counted only. */
enum { COMTRADE_FIELDS = 64 };

tw_status tw_capture__read_comtrade_cfg(capture_source *lines, comtrade_cfg *out);
void tw_capture__drop_comtrade_cfg(comtrade_cfg *cfg);

/* The rows that the records give. Gaps in the sample numbers are left open (NaN) where rates give the time. */
typedef struct comtrade_rows {
    size_t rows;
    size_t records;      /* whole records in the file, up to the stated last one */
    size_t missing;      /* rows left open */
    bool cut_record;     /* the file ends inside a record */
    bool beyond;         /* there are records after the stated last one */
    double first_tick;   /* of the rows taken; NaN where missing */
    double last_tick;    /* the last finite one */
    size_t last_tick_at; /* its row */
} comtrade_rows;

/* Rows [from, to) of the record into the columns behind the first `ahead` ones; with ahead = 1 the stamps in ticks go
 * to column 0. Scales to the unit without prefix. */
tw_status tw_capture__read_comtrade_data(const comtrade_cfg *cfg, const capture_source *data,
                                         const tw_capture_opts *opts, size_t from, size_t to, size_t ahead,
                                         capture_layout *layout, comtrade_rows *out);

#endif

/* The records of a COMTRADE file: text lines, or fixed records of little-endian numbers.
 *
 * A record is: sample number, time stamp, analogue values, status bits. Missing are a stamp of all ones, an analogue
 * 0x8000 (0x80000000 in BINARY32, not-a-number in FLOAT32), an empty field of text and, before 2013, the text 99999
 * where it lies beyond the stated range.
 */
#include <math.h>
#include <string.h>

#include "capture_comtrade.h"

typedef struct one_row {
    double number, tick;        /* NaN: missing */
    const unsigned char *bytes; /* binary: the analogue values */
} one_row;

typedef struct reader {
    const comtrade_cfg *cfg;
    const tw_capture_opts *opts;
    capture_source source; /* a view: lines for text, bytes for the rest */
    capture_layout *layout;
    capture_cell *cells; /* text: one line */
    size_t n_cells;
    size_t record_bytes, n_records; /* binary */
    size_t ahead, from, to, capacity;
    size_t next; /* row of the record to come */
    comtrade_rows *out;
    double first_number, last_number;
} reader;

static uint32_t u32_at(const unsigned char *p) {
    return (uint32_t)p[0] | (uint32_t)p[1] << 8 | (uint32_t)p[2] << 16 | (uint32_t)p[3] << 24;
}

static double analog_at(comtrade_kind kind, const unsigned char *p, size_t i) {
    if (kind == COMTRADE_BINARY) {
        const uint32_t u = (uint32_t)p[2 * i] | (uint32_t)p[2 * i + 1] << 8;
        return u == 0x8000 ? (double)NAN : u < 0x8000 ? (double)u : (double)u - 65536.0;
    }
    const uint32_t u = u32_at(p + 4 * i);
    if (kind == COMTRADE_BINARY32) {
        return u == UINT32_C(0x80000000)  ? (double)NAN
               : u < UINT32_C(0x80000000) ? (double)u
                                          : (double)u - 4294967296.0;
    }
    float f;
    memcpy(&f, &u, sizeof f);
    return (double)f;
}

static double text_analog(const comtrade_cfg *cfg, const comtrade_analog *c, capture_cell cell, bool *good) {
    double v;
    if (cell.length == 0) {
        return (double)NAN;
    }
    *good = *good && tw_parse_number(cell.text, cell.length, &v) == cell.length;
    if (!*good || (v == 99999.0 && cfg->year < 2013 && !(c->high >= 99999.0))) {
        return (double)NAN;
    }
    return v;
}

static tw_status make_room(reader *r, size_t rows) {
    if (rows <= r->capacity) {
        return TW_OK;
    }
    const size_t wanted = rows + rows / 8 + 16;
    if (wanted > tw_capture__max_bytes(r->opts) / sizeof(double) / r->layout->n_columns) {
        return tw_capture__fail(r->source.ctx, TW_TOO_LARGE, r->source.name, 0, "the record takes more than %zu bytes",
                                tw_capture__max_bytes(r->opts));
    }
    TW_TRY(tw_capture__resize_columns(r->source.ctx, r->layout, wanted));
    r->capacity = wanted;
    return TW_OK;
}

/* Sample numbers count up by one. A step of more leaves rows open; anything else is no data of this configuration. */
static tw_status check_number(reader *r, const one_row *row, size_t record, size_t *open) {
    *open = 0;
    if (record == 0) {
        r->first_number = row->number;
    } else {
        const double step = row->number - r->last_number;
        const bool gap = step > 1 && step <= (double)(record + 16) && r->cfg->n_rates > 0;
        if (step != 1 && !gap && !(step > 1 && r->cfg->n_rates == 0)) {
            return tw_capture__fail(r->source.ctx, TW_BAD_DATA, r->source.name, record + 1,
                                    "the sample numbers do not count up (%.10g after %.10g): data and configuration do "
                                    "not belong together",
                                    row->number, r->last_number);
        }
        *open = gap ? (size_t)step - 1 : 0;
        if (r->out->missing + *open > record + 16) {
            return tw_capture__fail(r->source.ctx, TW_BAD_DATA, r->source.name, record + 1,
                                    "more samples are missing than there are");
        }
    }
    r->last_number = row->number;
    return TW_OK;
}

static void open_row(reader *r, size_t at) {
    for (size_t i = 0; i < r->layout->n_columns; i++) {
        r->layout->columns[i].values[at] = (double)NAN;
    }
}

static tw_status store_row(reader *r, const one_row *row, size_t record, size_t at) {
    bool good = true;
    for (size_t i = 0; i < r->cfg->n_analog; i++) {
        const comtrade_analog *c = &r->cfg->analog[i];
        const double x = row->bytes != NULL ? analog_at(r->cfg->kind, row->bytes, i)
                                            : text_analog(r->cfg, c, r->cells[2 + i], &good);
        r->layout->columns[r->ahead + i].values[at] = c->a * x + c->b;
    }
    if (!good) {
        return tw_capture__fail(r->source.ctx, TW_BAD_DATA, r->source.name, record + 1,
                                "an analogue value is no number");
    }
    if (r->ahead > 0) {
        r->layout->columns[0].values[at] = row->tick;
    }
    if (at == 0) {
        r->out->first_tick = row->tick;
    }
    if (!isnan(row->tick)) {
        r->out->last_tick = row->tick;
        r->out->last_tick_at = at;
    }
    return TW_OK;
}

/* One record into its row, if that lies in [from, to). */
static tw_status take_row(reader *r, const one_row *row, size_t record) {
    size_t open;
    TW_TRY(check_number(r, row, record, &open));
    for (; open > 0; open--, r->next++) {
        if (r->next >= r->from && r->next < r->to) {
            TW_TRY(make_room(r, r->next - r->from + 1));
            open_row(r, r->next - r->from);
            r->out->missing++;
        }
    }
    if (r->next >= r->from && r->next < r->to) {
        TW_TRY(make_room(r, r->next - r->from + 1));
        TW_TRY(store_row(r, row, record, r->next - r->from));
    }
    r->next++;
    if ((record & 0xfffff) == 0xfffff) {
        TW_TRY(tw_progress(r->source.ctx, 0.5, "reading the record"));
    }
    return TW_OK;
}

static tw_status read_binary(reader *r) {
    const unsigned char *bytes = (const unsigned char *)r->source.bytes;
    r->out->cut_record = r->source.length % r->record_bytes != 0;
    for (size_t k = 0; k < r->n_records && r->next < r->to; k++) {
        const unsigned char *p = bytes + k * r->record_bytes;
        const uint32_t tick = u32_at(p + 4);
        const one_row row = {(double)u32_at(p), tick == UINT32_MAX ? (double)NAN : (double)tick, p + 8};
        TW_TRY(take_row(r, &row, k));
    }
    return TW_OK;
}

static tw_status read_text(reader *r) {
    const size_t wanted = 2 + r->cfg->n_analog + r->cfg->n_status;
    size_t record = 0;
    while (r->next < r->to) {
        const char *line;
        size_t length;
        TW_TRY(tw_capture__next_line(&r->source, &line, &length));
        if (line == NULL) {
            return TW_OK;
        }
        if (tw_capture__trim(line, length).length == 0) {
            continue;
        }
        const size_t fields = tw_capture__split(line, length, ',', r->cells, wanted);
        const bool last = r->source.at >= r->source.length;
        one_row row = {(double)NAN, (double)NAN, NULL};
        if (last && fields < wanted) {
            r->out->cut_record = true;
            return TW_OK;
        }
        if (fields != wanted) {
            return tw_capture__fail(r->source.ctx, TW_BAD_DATA, r->source.name, r->source.line,
                                    "the line has %zu%s fields but the configuration asks for %zu: data and "
                                    "configuration do not belong together",
                                    fields > wanted ? wanted : fields, fields > wanted ? " and more" : "", wanted);
        }
        const capture_cell *c = r->cells;
        if (tw_parse_number(c[0].text, c[0].length, &row.number) != c[0].length || c[0].length == 0 ||
            (c[1].length > 0 && tw_parse_number(c[1].text, c[1].length, &row.tick) != c[1].length)) {
            return tw_capture__fail(r->source.ctx, TW_BAD_DATA, r->source.name, r->source.line,
                                    "a sample number and a time stamp are expected here");
        }
        TW_TRY(take_row(r, &row, record));
        record++;
    }
    return TW_OK;
}

static bool text_follows(const capture_source *s) {
    for (size_t i = s->at; i < s->length; i++) {
        if ((unsigned char)s->bytes[i] > ' ' && s->bytes[i] != 0x1a) {
            return true;
        }
    }
    return false;
}

/* The prefix away, as the delimited text's reader does it: dividing by 1000 gives the number that the text means. */
static void take_prefixes(reader *r) {
    for (size_t i = 0; i < r->cfg->n_analog; i++) {
        capture_column *c = &r->layout->columns[r->ahead + i];
        c->has_unit = true;
        c->unit = (capture_unit){.kind = UNIT_SIGNAL, .factor = r->cfg->analog[i].unit_factor};
        (void)snprintf(c->unit.base, sizeof c->unit.base, "%s", r->cfg->analog[i].unit);
        if (r->cfg->analog[i].name[0] != '\0') {
            (void)snprintf(c->name, sizeof c->name, "%s", r->cfg->analog[i].name);
            c->named = true;
        }
    }
}

tw_status tw_capture__read_comtrade_data(const comtrade_cfg *cfg, const capture_source *data,
                                         const tw_capture_opts *opts, size_t from, size_t to, size_t ahead,
                                         capture_layout *layout, comtrade_rows *out) {
    *out = (comtrade_rows){.first_tick = (double)NAN, .last_tick = (double)NAN};
    reader r = {.cfg = cfg,
                .opts = opts,
                .source = *data,
                .layout = layout,
                .ahead = ahead,
                .from = from,
                .to = to,
                .out = out};
    r.source.map = NULL; /* the caller's */
    r.source.owned = NULL;
    tw_status status = TW_OK;
    size_t guess;
    if (cfg->kind == COMTRADE_ASCII) {
        TW_TRY(tw_capture__start_text(&r.source));
        const size_t fields = 2 + cfg->n_analog + cfg->n_status, lines = tw_capture__lines_left(&r.source);
        guess = lines < data->length / fields + 1 ? lines : data->length / fields + 1; /* a field takes a byte */
        r.cells = tw_alloc(data->ctx, fields, sizeof *r.cells);
        status = r.cells != NULL ? TW_OK : TW_NO_MEMORY;
    } else {
        r.record_bytes = 8 + cfg->n_analog * (cfg->kind == COMTRADE_BINARY ? 2 : 4) + 2 * ((cfg->n_status + 15) / 16);
        r.n_records = data->length / r.record_bytes;
        guess = r.n_records;
    }
    guess = guess < to - from ? guess : to - from;
    if (status == TW_OK) {
        status = tw_capture__make_columns(data->ctx, data->name, opts, ahead + cfg->n_analog, guess, layout);
        r.capacity = guess;
    }
    if (status == TW_OK) {
        status = cfg->kind == COMTRADE_ASCII ? read_text(&r) : read_binary(&r);
    }
    out->beyond = r.next >= to && (cfg->kind == COMTRADE_ASCII ? text_follows(&r.source) : r.n_records > r.next);
    tw_free(r.cells);
    tw_capture__close(&r.source);
    TW_TRY(status);
    out->records = r.next < to ? r.next : to; /* open rows may reach beyond the end */
    out->rows = out->records > from ? out->records - from : 0;
    take_prefixes(&r);
    return TW_OK;
}

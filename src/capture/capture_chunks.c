/* All rows of a large table by several threads.
 *
 * The text behind the header is cut into chunks at line ends. Their lines are counted first, so that every chunk knows
 * the place of its rows if all lines were rows; it reads into that place, and where lines before it were none the rows
 * move together afterwards. So there is one set of columns and nothing depends on the number of threads. A chunk that
 * meets anything whose meaning or message depends on what stands before it (a value without sign in its first row, a
 * line too long, a zero byte) is read again by one thread in its turn.
 */
#include <string.h>

#include "capture_private.h"

enum { CHUNK_BYTES = 1 << 20, WAVE = 64 };

typedef struct chunk {
    size_t from, to;   /* bytes */
    size_t lines;      /* at least as many as there are */
    size_t first_line; /* number of the line before it */
    size_t first_row;  /* where its rows were put */
    size_t rows;
    size_t head, inner, tail; /* lines with text but no numbers: before, between and behind its rows */
    bool again;
} chunk;

typedef struct plan {
    capture_source *source;
    const capture_rows *reader;
    chunk *chunks;
    size_t n_chunks;
    size_t rows, skipped, pending;
} plan;

static size_t count_byte(const char *s, size_t n, char wanted) {
    enum { LANES = 32, ROUNDS = 255 }; /* counts of one byte each, which the compiler keeps in vector registers */
    size_t count = 0, i = 0;
    while (n - i >= LANES) {
        uint8_t lanes[LANES] = {0};
        for (int k = 0; k < ROUNDS && n - i >= LANES; k++, i += LANES) {
            for (int j = 0; j < LANES; j++) {
                lanes[j] = (uint8_t)(lanes[j] + (s[i + (size_t)j] == wanted));
            }
        }
        for (int j = 0; j < LANES; j++) {
            count += lanes[j];
        }
    }
    for (; i < n; i++) {
        count += s[i] == wanted;
    }
    return count;
}

static tw_status cut(plan *p) {
    const capture_source *s = p->source;
    const size_t most = (s->length - s->at) / CHUNK_BYTES + 1;
    p->chunks = tw_alloc(s->ctx, most, sizeof *p->chunks);
    if (p->chunks == NULL) {
        return TW_NO_MEMORY;
    }
    for (size_t at = s->at; at < s->length; p->n_chunks++) {
        size_t end = s->length;
        if (end - at > CHUNK_BYTES) {
            const char *from = s->bytes + at + CHUNK_BYTES - 1;
            const char *stop = memchr(from, s->line_end, s->length - at - CHUNK_BYTES + 1);
            end = stop != NULL ? (size_t)(stop - s->bytes) + 1 : s->length;
        }
        p->chunks[p->n_chunks] = (chunk){.from = at, .to = end};
        at = end;
    }
    return TW_OK;
}

static void count_lines(plan *p) {
    const capture_source *s = p->source;
#ifdef _OPENMP
#pragma omp parallel for schedule(dynamic) if (p->n_chunks > 1)
#endif
    for (size_t k = 0; k < p->n_chunks; k++) {
        chunk *c = &p->chunks[k];
        c->lines = count_byte(s->bytes + c->from, c->to - c->from, s->line_end) + (c->to == s->length ? 1 : 0);
        tw_capture__let_go(s, c->from, c->to);
    }
}

/* Reads the chunk's rows to `row` and on. With `alone` a failure is recorded, else it is left for a second reading. */
static tw_status read_chunk(const plan *p, chunk *c, size_t row, bool alone) {
    const capture_source *s = p->source;
    const size_t first = row;
    size_t at = c->from, line_number = c->first_line;
    c->head = c->inner = c->tail = 0;
    while (at < c->to) {
        const char *line;
        size_t length;
        bool unsigned_cell = false;
        tw_capture__cut_line(s, &at, c->to, &line, &length);
        line_number++;
        if (length > CAPTURE_MAX_LINE) {
            capture_source here = *s;
            here.line = line_number;
            c->again = true;
            return alone ? tw_capture__line_too_long(&here) : TW_OK;
        }
        if (tw_capture__read_row(p->reader, line, length, row, &unsigned_cell)) {
            c->again = c->again || (unsigned_cell && row == first);
            c->inner += c->tail;
            c->tail = 0;
            row++;
        } else if (memchr(line, '\0', length) != NULL) {
            c->again = true;
            return alone ? tw_capture__fail(s->ctx, TW_BAD_DATA, s->name, line_number,
                                            "binary data (a zero byte) in the table")
                         : TW_OK;
        } else if (tw_capture__trim(line, length).length > 0) {
            c->tail++;
        }
        if (row == first && c->tail > 0) {
            c->head += c->tail;
            c->tail = 0;
        }
    }
    c->rows = row - first;
    return TW_OK;
}

/* The next chunk's rows behind those that are there. */
static tw_status take_chunk(plan *p, chunk *c) {
    if (c->again) {
        TW_TRY(read_chunk(p, c, p->rows, true));
    } else if (c->first_row != p->rows && c->rows > 0) {
        const capture_layout *l = p->reader->layout;
        for (size_t i = 0; i < l->n_columns; i++) {
            if (l->columns[i].unit_of == 0) {
                double *v = l->columns[i].values;
                memmove(v + p->rows, v + c->first_row, c->rows * sizeof *v);
            }
        }
    }
    p->pending += c->head;
    if (c->rows > 0) {
        p->skipped += p->pending + c->inner;
        p->pending = c->tail;
    }
    p->rows += c->rows;
    return TW_OK;
}

static tw_status read_all(plan *p) {
    for (size_t from = 0; from < p->n_chunks; from += WAVE) {
        const size_t to = p->n_chunks - from < WAVE ? p->n_chunks : from + WAVE;
#ifdef _OPENMP
#pragma omp parallel for schedule(dynamic) if (to - from > 1)
#endif
        for (size_t k = from; k < to; k++) {
            chunk *c = &p->chunks[k];
            (void)read_chunk(p, c, c->first_row, false); /* what it could not do is done in its turn */
            tw_capture__let_go(p->source, c->from, c->to);
        }
        for (size_t k = from; k < to; k++) {
            TW_TRY(take_chunk(p, &p->chunks[k]));
        }
        TW_TRY(tw_progress(p->source->ctx, (double)p->chunks[to - 1].to / (double)p->source->length,
                           "reading the record"));
    }
    return TW_OK;
}

static tw_status make_columns(plan *p, size_t rows) {
    for (size_t i = 0; i < p->reader->layout->n_columns; i++) {
        capture_column *c = &p->reader->layout->columns[i];
        if (c->unit_of == 0) {
            double *values = tw_resize(p->source->ctx, c->values, rows, sizeof *values);
            if (values == NULL) {
                return TW_NO_MEMORY;
            }
            c->values = values;
        }
    }
    return TW_OK;
}

static tw_status run(plan *p, size_t *capacity, bool *done) {
    capture_source *s = p->source;
    const char *line = "";
    size_t length, slots = 0, lines = 0;
    while (line != NULL && s->line + 1 < p->reader->layout->first_row) {
        TW_TRY(tw_capture__next_line(s, &line, &length));
    }
    for (size_t i = 0; i < p->reader->layout->n_columns; i++) {
        slots += p->reader->layout->columns[i].unit_of == 0;
    }
    TW_TRY(cut(p));
    count_lines(p);
    size_t line_number = s->line;
    for (size_t k = 0; k < p->n_chunks; k++) {
        p->chunks[k].first_row = lines;
        p->chunks[k].first_line = line_number;
        lines += p->chunks[k].lines;
        line_number += p->chunks[k].lines;
    }
    if (lines == 0 || lines > (s->length - s->at) / (2 * slots) + 1024) {
        return TW_OK; /* short rows: memory for all lines would be too much */
    }
    TW_TRY(make_columns(p, lines));
    TW_TRY(read_all(p));
    *capacity = lines;
    *done = true;
    return TW_OK;
}

tw_status tw_capture__load_chunks(capture_source *source, const capture_rows *reader, size_t *rows, size_t *capacity,
                                  size_t *skipped, bool *done) {
    *done = false;
    if (tw_capture__is_wide(source)) {
        return TW_OK;
    }
    plan p = {.source = source, .reader = reader};
    const tw_status status = run(&p, capacity, done);
    tw_free(p.chunks);
    *rows = p.rows;
    *skipped = p.skipped;
    return status;
}

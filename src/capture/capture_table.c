/* All numbers of the table: one row, and all rows by one thread (by several: capture_chunks.c).
 *
 * Each wanted cell is read in place; plain numbers take the short way. Arrays grow by the size of the rest of the file,
 * so that the memory stays near that of the columns themselves.
 */
#include "capture_private.h"

#include <ctype.h>
#include <math.h>
#include <string.h>

typedef struct loader {
    capture_source *source;
    capture_layout *layout;
    capture_rows reader;
    size_t rows, capacity, skipped, pending;
} loader;

static tw_status grow(loader *ld) {
    size_t wanted;
    size_t slots = 0;
    for (size_t i = 0; i < ld->layout->n_columns; i++) {
        slots += ld->layout->columns[i].unit_of == 0;
    }
    if (ld->capacity == 0) {
        const size_t lines = tw_capture__lines_left(ld->source) + 1;
        const size_t left = ld->source->length - ld->source->at;
        const size_t bound = left / (2 * slots) + 1024; /* a full row takes two bytes a number at least */
        wanted = lines < bound ? lines : bound;
    } else {
        wanted = ld->capacity + ld->capacity / 8 + 1024;
    }
    /* ragged rows could ask for far more memory than the file has bytes */
    if (wanted / 2 > (ld->source->length + (1 << 20)) / slots) {
        return tw_capture__fail(ld->source->ctx, TW_BAD_DATA, ld->source->name, ld->source->line,
                                "most rows are much shorter than the %zu columns of the table", slots);
    }
    for (size_t i = 0; i < ld->layout->n_columns; i++) {
        capture_column *c = &ld->layout->columns[i];
        if (c->unit_of == 0) {
            double *values = tw_resize(ld->source->ctx, c->values, wanted, sizeof *values);
            if (values == NULL) {
                return TW_NO_MEMORY;
            }
            c->values = values;
        }
    }
    ld->capacity = wanted;
    return TW_OK;
}

static bool is_blank(char c) {
    return c == ' ' || c == '\t';
}

/* A number with a decimal comma; 0 where anything is unusual. */
static size_t read_comma(const char *s, size_t n, double *value) {
    char copy[48];
    size_t used = 0, commas = 0;
    for (; used < n; used++) {
        const char c = s[used];
        if (c == ',' && used + 1 < n && isdigit((unsigned char)s[used + 1])) {
            commas++;
        } else if (!isdigit((unsigned char)c) && c != '-' && c != '+' && c != 'e' && c != 'E') {
            break;
        }
        if (used == sizeof copy || commas > 1) {
            return 0;
        }
        copy[used] = c == ',' ? '.' : c;
    }
    return tw_parse_number(copy, used, value) == used ? used : 0;
}

/* The short way: a plain number that ends at the separator or the line. Returns the position behind the separator, 0
 * where the cell is anything else. */
static size_t read_plain(const char *line, size_t length, char separator, char decimal, size_t at, double *value) {
    size_t i = at;
    while (i < length && is_blank(line[i]) && line[i] != separator) {
        i++;
    }
    if (separator == ' ') {
        while (i < length && is_blank(line[i])) {
            i++;
        }
    }
    double v;
    const size_t used =
        decimal == ',' ? read_comma(line + i, length - i, &v) : tw_parse_number(line + i, length - i, &v);
    if (used == 0 || fabs(v) > 9e37) {
        return 0;
    }
    i += used;
    while (i < length && line[i] == ' ' && separator != ' ') {
        i++;
    }
    if (i < length && line[i] != separator && !(separator == ' ' && line[i] == '\t')) {
        return 0;
    }
    *value = v;
    return i + 1;
}

static double unsigned_over(const double *values, size_t row) {
    return row > 0 && values[row - 1] < 0 ? -(double)INFINITY : (double)INFINITY;
}

bool tw_capture__read_row(const capture_rows *r, const char *line, size_t length, size_t row, bool *unsigned_cell) {
    const capture_layout *l = r->layout;
    size_t at = 0, numbers = 0, texts = 0, slot = 0;
    for (size_t k = 0; k < r->width; k++) {
        const size_t wanted = r->slot_of[k];
        double value = (double)NAN;
        if (wanted != 0 && l->columns[wanted - 1].unit_of == 0) {
            capture_column *c = &l->columns[wanted - 1];
            const size_t next = at < length ? read_plain(line, length, l->separator, l->decimal, at, &value) : 0;
            if (next != 0) {
                at = next;
                numbers++;
                c->values[row] = value;
                slot = wanted;
                continue;
            }
        }
        capture_cell cell;
        if (!tw_capture__next_cell(line, length, l->separator, &at, &cell)) {
            break;
        }
        if (wanted == 0) {
            continue;
        }
        capture_column *c = &l->columns[wanted - 1];
        capture_unit unit;
        if (c->unit_of != 0) {
            if (tw_capture__read_bracketed_unit(cell, &unit)) {
                l->columns[c->unit_of - 1].values[row] *= unit.factor;
            }
            continue;
        }
        const cell_kind kind = tw_capture__read_cell(cell, l->decimal, &value);
        numbers += kind == CELL_NUMBER || kind == CELL_MARKER || kind == CELL_UNSIGNED;
        texts += kind == CELL_TEXT;
        *unsigned_cell = *unsigned_cell || kind == CELL_UNSIGNED;
        c->values[row] = kind == CELL_UNSIGNED ? unsigned_over(c->values, row)
                         : kind == CELL_TEXT   ? (double)NAN
                                               : value;
        slot = wanted;
    }
    for (; slot < l->n_columns; slot++) { /* the rest of a short row */
        if (l->columns[slot].unit_of == 0) {
            l->columns[slot].values[row] = (double)NAN;
        }
    }
    return numbers > texts;
}

static tw_status load_lines(loader *ld) {
    const char *line;
    size_t length;
    while (true) {
        TW_TRY(tw_capture__next_line(ld->source, &line, &length));
        if (line == NULL) {
            return TW_OK;
        }
        if (ld->source->line < ld->layout->first_row) {
            continue;
        }
        if (ld->rows == ld->capacity) {
            TW_TRY(grow(ld));
        }
        if ((ld->source->line & 0xfffff) == 0) {
            const double done = (double)ld->source->at / (double)ld->source->length;
            TW_TRY(tw_progress(ld->source->ctx, done, "reading the record"));
        }
        bool unsigned_cell = false;
        if (tw_capture__read_row(&ld->reader, line, length, ld->rows, &unsigned_cell)) {
            ld->rows++;
            ld->skipped += ld->pending;
            ld->pending = 0;
        } else if (memchr(line, '\0', length) != NULL) {
            return tw_capture__fail(ld->source->ctx, TW_BAD_DATA, ld->source->name, ld->source->line,
                                    "binary data (a zero byte) in the table");
        } else if (tw_capture__trim(line, length).length > 0) {
            ld->pending++;
        }
    }
}

static tw_status load_rows(loader *ld, bool *done) {
    TW_TRY(tw_capture__load_chunks(ld->source, &ld->reader, &ld->rows, &ld->capacity, &ld->skipped, done));
    if (*done) {
        return TW_OK;
    }
    tw_capture__rewind(ld->source);
    return load_lines(ld);
}

tw_status tw_capture__load(capture_source *source, capture_layout *layout, size_t *rows, size_t *skipped) {
    loader ld = {.source = source, .layout = layout};
    ld.reader = (capture_rows){.layout = layout, .width = layout->columns[layout->n_columns - 1].index + 1};
    size_t *slot_of = tw_alloc(source->ctx, ld.reader.width, sizeof *slot_of);
    if (slot_of == NULL) {
        return TW_NO_MEMORY;
    }
    for (size_t i = 0; i < layout->n_columns; i++) {
        slot_of[layout->columns[i].index] = i + 1;
    }
    ld.reader.slot_of = slot_of;
    tw_capture__rewind(source);
    bool done = false;
    const tw_status status = load_rows(&ld, &done);
    tw_free(slot_of);
    TW_TRY(status);
    for (size_t i = 0; i < layout->n_columns; i++) { /* give back what was too much; a failure keeps the larger block */
        capture_column *c = &layout->columns[i];
        if (c->unit_of == 0 && ld.rows > 0 && ld.capacity - ld.rows > ld.rows / 8) {
            double *values = tw_resize(source->ctx, c->values, ld.rows, sizeof *values);
            if (values == NULL) {
                return TW_NO_MEMORY;
            }
            c->values = values;
        }
    }
    *rows = ld.rows;
    *skipped = ld.skipped;
    return TW_OK;
}

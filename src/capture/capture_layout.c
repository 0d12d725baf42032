/* Columns and their names: header rows and unit rows above the table, units behind names, units in every row. */
#include "capture_private.h"

#include <ctype.h>
#include <string.h>
#include <strings.h>

void tw_capture__drop_layout(capture_layout *layout) {
    for (size_t i = 0; i < layout->n_columns; i++) {
        tw_free(layout->columns[i].values);
    }
    tw_free(layout->columns);
    tw_free(layout->notes.items);
    *layout = (capture_layout){0};
}

static bool one_of(const char *text, const char *const *words) {
    for (; *words != NULL; words++) {
        if (strcmp(text, *words) == 0) {
            return true;
        }
    }
    return false;
}

/* Marks what the name says the column is. */
static void read_role(capture_column *c, capture_cell cell) {
    static const char *const TIME[] = {"t",     "time", "times",   "zeit", "temps", "tiempo",
                                       "tempo", "tijd", "seconds", "sec",  NULL};
    static const char *const INDEX[] = {"index", "sample", "samples",      "n",           "no",
                                        "nr",    "number", "sequence",     "point",       "points",
                                        "row",   "idx",    "samplenumber", "sampleindex", NULL};
    char word[64];
    const size_t n = tw_capture__squash(cell, word, sizeof word);
    const bool begins = strncmp(word, "time", 4) == 0 && word[4] != 'r';
    const bool ends = n > 4 && strcmp(word + n - 4, "time") == 0;
    c->named_time = c->named_time || one_of(word, TIME) || begins || ends;
    c->named_index = c->named_index || one_of(word, INDEX);
    c->named_frequency = c->named_frequency || strncmp(word, "freq", 4) == 0 || strcmp(word, "f") == 0;
}

static bool is_letter(capture_cell cell) {
    return cell.length == 1 && isalpha((unsigned char)cell.text[0]);
}

/* A letter that stands for a unit in capitals only: in small ones it is a name. */
static bool is_small_name(capture_cell cell) {
    return cell.length == 1 && strchr("avw", cell.text[0]) != NULL;
}

/* Takes a unit off the end of a name: "u (V)", "u [mV]", "u / V", "u in V", "u_mV". Parentheses around anything else
 * belong to the name, and so does a lone letter unless the row's letters are units (`letters`). "u_A" beside "u_B"
 * (`counts`) is a name too. */
static bool take_unit(capture_cell *cell, bool letters, bool counts, capture_unit *unit) {
    const char *s = cell->text;
    const size_t n = cell->length;
    if (is_letter(*cell) && (!letters || is_small_name(*cell))) {
        return false;
    }
    if (tw_capture__read_bracketed_unit(*cell, unit)) {
        *cell = (capture_cell){s, 0};
        return true;
    }
    for (size_t i = n; i > 1; i--) {
        const char c = s[i - 1];
        size_t skip = 0;
        if (c == '(' || c == '[' || c == '{') {
            skip = 0;
        } else if (c == '/' || c == '_' || c == ',') {
            skip = 1;
        } else if (c == ' ' && i >= 4 && strncasecmp(s + i - 4, " in ", 4) == 0) {
            skip = 1;
        } else {
            continue;
        }
        const capture_cell tail = tw_capture__trim(s + i - 1 + skip, n - (i - 1) - skip);
        if (is_letter(tail) && (counts || (c == '_' && is_small_name(tail)))) {
            return false;
        }
        if (tail.length > 0 && tw_capture__read_bracketed_unit(tail, unit)) {
            const size_t keep = c == ' ' ? i - 4 : i - 1;
            *cell = tw_capture__trim(s, keep);
            return true;
        }
        if (c != '/') { /* "Sa/s": look one further */
            return false;
        }
    }
    return false;
}

static void set_unit(capture_column *c, const capture_unit *unit) {
    if (!c->has_unit) {
        c->unit = *unit;
        c->has_unit = true;
        c->named_frequency = c->named_frequency || unit->kind == UNIT_FREQUENCY;
    }
}

/* One header cell for a column. */
static void read_header_cell(capture_column *c, capture_cell cell, bool letters, bool counts) {
    capture_unit unit;
    read_role(c, cell);
    if (take_unit(&cell, letters, counts, &unit)) {
        set_unit(c, &unit);
        read_role(c, cell);
    }
    if (!c->named && cell.length > 0) {
        tw_capture__clean_text(cell, c->name, sizeof c->name);
        c->named = c->name[0] != '\0';
    }
}

/* ---- header rows ---- */

typedef struct header_row {
    capture_cell *cells;
    size_t n;
    bool letters; /* lone letters are units */
} header_row;

static size_t table_width(const capture_layout *l) {
    size_t n = l->n_columns;
    while (n > 0 && l->columns[n - 1].empty) {
        n--;
    }
    return n == 0 ? 0 : l->columns[n - 1].index + 1;
}

/* Names with blanks in a table divided by blanks: wide gaps divide, or brackets join the word before. */
static size_t split_blank_header(capture_cell line, capture_cell *cells, size_t most, size_t width) {
    size_t n = 0, start = 0;
    for (size_t i = 0; i <= line.length && n < most; i++) {
        const bool gap =
            i == line.length || line.text[i] == '\t' ||
            (line.text[i] == ' ' && (i + 1 == line.length || line.text[i + 1] == ' ' || line.text[i + 1] == '\t'));
        if (gap) {
            const capture_cell cell = tw_capture__trim(line.text + start, i - start);
            if (cell.length > 0) {
                cells[n++] = cell;
            }
            start = i + 1;
        }
    }
    if (n == width) {
        return n;
    }
    n = tw_capture__split(line.text, line.length, ' ', cells, most);
    n = n > most ? most : n;
    if (n <= width) {
        return n;
    }
    size_t kept = 0;
    for (size_t i = 0; i < n; i++) {
        if (kept > 0 && (cells[i].text[0] == '(' || cells[i].text[0] == '[' || cells[i].text[0] == '/')) {
            cells[kept - 1].length = (size_t)(cells[i].text + cells[i].length - cells[kept - 1].text);
        } else {
            cells[kept++] = cells[i];
        }
    }
    return kept;
}

static header_row split_header(const capture_layout *l, capture_cell line, capture_cell *cells, size_t most) {
    static const char OTHERS[] = {'\t', ';', ','};
    line = tw_capture__trim(line.text, line.length);
    const char *s = line.text;
    const size_t width = table_width(l);
    size_t marks = 0;
    while (marks < line.length &&
           (s[marks] == '#' || s[marks] == '%' || s[marks] == '!' || (s[marks] == '/' && marks < 2))) {
        marks++;
    }
    if (marks > 0 && marks < line.length) {
        line = tw_capture__trim(s + marks, line.length - marks);
    } else if (l->separator != ' ' && line.length > 0) {
        line = (capture_cell){s, line.length};
    }
    size_t n = l->separator == ' ' ? split_blank_header(line, cells, most, width)
                                   : tw_capture__split(line.text, line.length, l->separator, cells, most);
    n = n > most ? most : n;
    if (n < width && (n <= 1 || l->separator == ' ')) {
        for (size_t i = 0; i < sizeof OTHERS; i++) {
            const size_t other = tw_capture__split(line.text, line.length, OTHERS[i], cells, most);
            if (other == width) {
                return (header_row){cells, other, false};
            }
        }
        n = tw_capture__split(line.text, line.length, l->separator, cells, most);
        n = n > most ? most : n;
    }
    return (header_row){cells, n, false};
}

/* Words stand above at least half of the columns and no numbers above any. */
static bool is_header(const capture_layout *l, header_row row) {
    size_t words = 0, wanted = 0;
    bool last_colon = false;
    for (size_t i = 0; i < l->n_columns; i++) {
        const capture_column *c = &l->columns[i];
        if (c->unit_of != 0 || c->empty) {
            continue;
        }
        wanted++;
        if (c->index >= row.n) {
            continue;
        }
        double value;
        const cell_kind kind = tw_capture__read_cell(row.cells[c->index], l->decimal, &value);
        if (kind == CELL_NUMBER) {
            return false;
        }
        words += kind != CELL_EMPTY;
        const capture_cell cell = row.cells[c->index];
        last_colon =
            last_colon || memchr(cell.text, ':', cell.length) != NULL || memchr(cell.text, '=', cell.length) != NULL;
    }
    bool values = true; /* "Vertical unit,mV,A": a key with a unit for each channel */
    for (size_t i = 1; i < row.n; i++) {
        capture_unit unit;
        values = values && (row.cells[i].length == 0 || tw_capture__read_bracketed_unit(row.cells[i], &unit));
    }
    const bool key = row.n > 0 && (row.n <= 2 || values) && tw_capture__is_key(row.cells[0]);
    return words > 0 && words * 2 >= wanted && !key && !(last_colon && words < 2);
}

/* "Rate: 1 MHz": a key with its value, not names. */
static bool is_key_line(capture_cell line) {
    for (size_t i = 1; i < line.length; i++) {
        if (line.text[i] == ':' || line.text[i] == '=') {
            return tw_capture__is_key(tw_capture__trim(line.text, i));
        }
    }
    return false;
}

static bool previous_line(const capture_sample *sample, size_t *i) {
    while (*i > 0) {
        (*i)--;
        const capture_cell line = tw_capture__sample_line(sample, *i);
        if (tw_capture__trim(line.text, line.length).length > 0) {
            return true;
        }
    }
    return false;
}

/* True when the row gives more units than anything else. */
static bool is_unit_row(const capture_layout *l, header_row row) {
    size_t units = 0, words = 0;
    capture_unit unit;
    for (size_t i = 0; i < l->n_columns; i++) {
        const capture_column *c = &l->columns[i];
        if (c->unit_of == 0 && !c->empty && c->index < row.n && row.cells[c->index].length > 0) {
            words++;
            units += tw_capture__read_bracketed_unit(row.cells[c->index], &unit);
        }
    }
    return units * 2 >= words && units > 0;
}

/* A lone "A" may be ampere or the first of A, B, C. It is a unit where every cell of the row is one; where the row
 * above or below gives every column a name; and where another cell beside the time is a unit beyond doubt (mV). */
static bool letters_are_units(const capture_layout *l, header_row row, const header_row *names) {
    bool all = true, certain = false, named = names != NULL;
    capture_unit unit;
    for (size_t i = 0; i < l->n_columns; i++) {
        const capture_column *c = &l->columns[i];
        if (c->unit_of != 0 || c->empty) {
            continue;
        }
        const capture_cell cell = c->index < row.n ? row.cells[c->index] : (capture_cell){"", 0};
        const bool is_unit = !is_small_name(cell) && tw_capture__read_bracketed_unit(cell, &unit);
        capture_column role = {0};
        read_role(&role, cell);
        if (!is_unit && !role.named_time && !role.named_index) {
            return false;
        }
        all = all && is_unit;
        certain = certain || (is_unit && cell.length > 1 && !role.named_time && unit.kind != UNIT_TIME);
        named = named && c->index < names->n && names->cells[c->index].length > 0;
    }
    return all || certain || named;
}

/* "u_A" beside "u_B": the last letter counts. */
static bool counts_on(header_row row, size_t at) {
    const capture_cell cell = row.cells[at];
    for (size_t i = 0; i < row.n && cell.length > 1; i++) {
        const capture_cell other = row.cells[i];
        const char last = other.length == cell.length ? other.text[other.length - 1] : '\0';
        if (isalpha((unsigned char)last) && strchr("AVWavwSs", last) == NULL &&
            memcmp(other.text, cell.text, cell.length - 1) == 0) {
            return true;
        }
    }
    return false;
}

static void apply_row(capture_layout *l, header_row row) {
    for (size_t i = 0; i < l->n_columns; i++) {
        capture_column *c = &l->columns[i];
        if (c->unit_of != 0 || c->index >= row.n) {
            continue;
        }
        const capture_cell cell = row.cells[c->index];
        double value;
        /* above an empty column a key word or a number belongs to a preamble */
        if (!c->empty || (!tw_capture__is_key(cell) && tw_capture__read_cell(cell, l->decimal, &value) == CELL_TEXT)) {
            read_header_cell(c, cell, row.letters, counts_on(row, c->index));
        }
    }
}

/* The row above the table, and the one above that where the first gives units only or leaves names open. */
static tw_status read_header(tw_ctx *ctx, const capture_sample *sample, size_t first_row, capture_layout *l) {
    size_t i = first_row;
    const size_t most = table_width(l) + 64;
    capture_cell *near_cells = tw_alloc(ctx, most, sizeof *near_cells);
    capture_cell *far_cells = tw_alloc(ctx, most, sizeof *far_cells);
    const bool memory = near_cells != NULL && far_cells != NULL;
    if (memory && previous_line(sample, &i)) {
        const capture_cell line = tw_capture__sample_line(sample, i);
        header_row near = split_header(l, line, near_cells, most);
        if (is_header(l, near) && !is_key_line(line)) {
            header_row far = {far_cells, 0, false};
            bool far_used = false;
            if (previous_line(sample, &i)) {
                far = split_header(l, tw_capture__sample_line(sample, i), far_cells, most);
                far_used = is_header(l, far) && !is_key_line(tw_capture__sample_line(sample, i)) &&
                           (is_unit_row(l, near) || is_unit_row(l, far));
            }
            near.letters = letters_are_units(l, near, far_used ? &far : NULL);
            far.letters = far_used && letters_are_units(l, far, &near);
            apply_row(l, near);
            if (far_used) {
                apply_row(l, far);
            }
        }
    }
    tw_free(near_cells);
    tw_free(far_cells);
    return memory ? TW_OK : TW_NO_MEMORY;
}

/* A unit that stands in every row, and a unit inside the cells of the first row ("1.5 mV"). */
static void read_row_units(const capture_sample *sample, size_t row, capture_layout *l) {
    const capture_cell line = tw_capture__sample_line(sample, row);
    capture_cell cell;
    size_t at = 0, next = 0;
    for (size_t k = 0; next < l->n_columns && tw_capture__next_cell(line.text, line.length, l->separator, &at, &cell);
         k++) {
        capture_column *c = &l->columns[next];
        if (c->index != k) {
            continue;
        }
        next++;
        capture_unit unit;
        double value;
        if (c->unit_of != 0 && tw_capture__read_bracketed_unit(cell, &unit)) {
            capture_column *owner = &l->columns[c->unit_of - 1];
            unit.factor = 1.0; /* applied row by row */
            owner->unit = unit;
            owner->has_unit = true;
        } else if (c->unit_of == 0 && tw_capture__read_cell(cell, l->decimal, &value) == CELL_NUMBER) {
            double number;
            if (tw_capture__read_quantity(cell, l->decimal, &number, &unit) == cell.length && unit.kind != UNIT_NONE) {
                unit.factor = 1.0;
                c->unit = unit;
                c->has_unit = true;
            }
        }
    }
}

tw_status tw_capture__find_layout(tw_ctx *ctx, const capture_sample *sample, const capture_dialect *dialect,
                                  capture_layout *out) {
    capture_layout l = {.separator = dialect->separator, .decimal = dialect->decimal};
    l.first_row = sample->lines[dialect->first].number;
    l.columns = tw_alloc(ctx, dialect->n_columns, sizeof *l.columns);
    tw_status status = l.columns != NULL ? TW_OK : TW_NO_MEMORY;
    for (size_t c = 0; c < dialect->n_columns && status == TW_OK; c++) {
        if (dialect->is_data[c] || dialect->is_unit[c] || dialect->is_empty[c]) {
            l.columns[l.n_columns] = (capture_column){.index = c,
                                                      .unit_of = dialect->is_unit[c] ? l.n_columns : 0,
                                                      .empty = dialect->is_empty[c],
                                                      .unit = {.factor = 1.0}};
            l.n_columns++;
        }
        l.text_columns = l.text_columns || dialect->is_text[c];
    }
    if (status == TW_OK) {
        status = read_header(ctx, sample, dialect->first, &l);
        tw_capture__prune_empty(&l);
    }
    if (status == TW_OK) {
        read_row_units(sample, dialect->first, &l);
        status = tw_capture__read_notes(ctx, sample, dialect, dialect->first, &l.notes);
    }
    if (status != TW_OK) {
        tw_capture__drop_layout(&l);
        return status;
    }
    *out = l;
    return TW_OK;
}

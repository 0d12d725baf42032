/* Key words of a preamble, wherever it stands: above the table, beside it, in header cells with the value below.
 *
 * A key is reduced to its letters and digits and looked up in a table of the words that people use for a sampling
 * interval, a rate, a start, units, scales and offsets. What is left of the key is kept as a tag: it may name a
 * channel.
 */
#include "capture_private.h"

#include <ctype.h>
#include <math.h>
#include <string.h>

typedef struct reader {
    tw_ctx *ctx;
    char decimal;
    capture_notes *notes;
    size_t line;
    tw_status status;
} reader;

static void keep(reader *r, const capture_note *note) {
    if (r->notes->count >= CAPTURE_MAX_NOTES || r->status != TW_OK) {
        return;
    }
    capture_note *items = tw_resize(r->ctx, r->notes->items, r->notes->count + 1, sizeof *items);
    if (items == NULL) {
        r->status = TW_NO_MEMORY;
        return;
    }
    r->notes->items = items;
    items[r->notes->count] = *note;
    items[r->notes->count++].line = r->line;
}

static bool is_vertical(note_kind kind) {
    return kind >= NOTE_SCALE && kind <= NOTE_OFFSET;
}

/* Checks a number against its kind and keeps it. */
static bool keep_number(reader *r, note_kind kind, double value, capture_unit unit, const char *tag) {
    capture_note note = {.kind = kind, .value = value, .unit = unit};
    (void)snprintf(note.tag, sizeof note.tag, "%s", tag);
    if (kind == NOTE_INTERVAL && (unit.kind == UNIT_FREQUENCY || unit.kind == UNIT_RATE)) {
        note.kind = NOTE_RATE;
    } else if (kind == NOTE_RATE && unit.kind == UNIT_TIME) {
        note.kind = NOTE_INTERVAL;
    } else if (kind == NOTE_SCALE && unit.kind == UNIT_PER_DIVISION) {
        note.kind = NOTE_PER_DIVISION;
    }
    const bool timing = note.kind == NOTE_INTERVAL || note.kind == NOTE_START || note.kind == NOTE_RATE;
    if ((timing && (unit.kind == UNIT_SIGNAL || unit.kind == UNIT_CODE)) ||
        (is_vertical(note.kind) && unit.kind == UNIT_TIME)) {
        return false;
    }
    note.value = value * unit.factor;
    if ((note.kind == NOTE_INTERVAL || note.kind == NOTE_RATE) && !(note.value > 1e-15 && note.value < 1e15)) {
        return false;
    }
    keep(r, &note);
    return true;
}

/* "CH1: 0.5 V CH2: 1 V" or "0.5, 1": several channels in one cell. */
static bool read_numbers(reader *r, note_kind kind, capture_cell value, capture_unit key_unit, const char *tag) {
    size_t at = 0, count = 0;
    bool kept = false;
    char own_tag[32] = "";
    while (at < value.length && count < 64) {
        double v;
        capture_unit unit;
        const capture_cell rest = {value.text + at, value.length - at};
        const bool starts = at == 0 || strchr(" \t:=,;/|(", value.text[at - 1]) != NULL;
        const size_t used = starts ? tw_capture__read_quantity(rest, r->decimal, &v, &unit) : 0;
        if (used == 0) {
            size_t end = at;
            while (end < value.length && strchr(" \t:=,;/|(", value.text[end]) == NULL) {
                end++;
            }
            (void)tw_capture__squash((capture_cell){value.text + at, end - at}, own_tag, sizeof own_tag);
            if (count == 0 && tw_capture__channel_prefix(own_tag) == 0 && end > at) {
                return kept; /* free text, not a value */
            }
            at = end + 1;
            continue;
        }
        if (unit.kind == UNIT_NONE) {
            unit = key_unit;
        }
        if (count > 0 && own_tag[0] == '\0') {
            (void)snprintf(own_tag, sizeof own_tag, "ch%zu", count + 1);
        }
        kept = keep_number(r, kind, v, unit, own_tag[0] != '\0' ? own_tag : tag) || kept;
        if (!is_vertical(kind) && own_tag[0] == '\0') {
            return kept;
        }
        own_tag[0] = '\0';
        count++;
        at += used;
        while (at < value.length && strchr(" \t,;/|", value.text[at]) != NULL) {
            at++;
        }
    }
    return kept;
}

/* "Sampling interval (us)": the unit in the key. */
static capture_unit unit_in_key(capture_cell *key) {
    capture_unit unit = {.factor = 1.0};
    if (key->length == 0) {
        return unit;
    }
    const char last = key->text[key->length - 1];
    const char opening = last == ')' ? '(' : last == ']' ? '[' : '\0';
    if (opening == '\0') {
        return unit;
    }
    for (size_t i = key->length - 1; i > 0; i--) {
        if (key->text[i] == opening) {
            const capture_cell inside = {key->text + i, key->length - i};
            if (tw_capture__read_bracketed_unit(inside, &unit)) {
                *key = tw_capture__trim(key->text, i);
            } else {
                unit = (capture_unit){.factor = 1.0};
            }
            break;
        }
    }
    return unit;
}

/* True when the pair was understood. `after` is the cell behind the value: a unit may stand there. */
static bool read_pair(reader *r, capture_cell key, capture_cell value, capture_cell after) {
    capture_unit unit = unit_in_key(&key), behind;
    char tag[32];
    const note_kind kind = tw_capture__classify_key(key, tag, sizeof tag);
    if (kind == NOTE_NONE || value.length == 0) {
        return false;
    }
    if (kind == NOTE_NAME) {
        capture_note note = {.kind = kind};
        (void)snprintf(note.tag, sizeof note.tag, "%s", tag);
        tw_capture__clean_text(value, note.text, sizeof note.text);
        keep(r, &note);
        return true;
    }
    if (kind == NOTE_TIME_UNIT || kind == NOTE_SIGNAL_UNIT) {
        capture_note note = {.kind = kind};
        (void)snprintf(note.tag, sizeof note.tag, "%s", tag);
        if (!tw_capture__read_bracketed_unit(value, &note.unit)) {
            return false;
        }
        note.kind = note.unit.kind == UNIT_TIME ? NOTE_TIME_UNIT : NOTE_SIGNAL_UNIT;
        keep(r, &note);
        return true;
    }
    if (unit.kind == UNIT_NONE && tw_capture__read_bracketed_unit(after, &behind)) {
        unit = behind;
    }
    return read_numbers(r, kind, value, unit, tag);
}

/* "key: value" or "key = value" or "key   value" in one cell. */
static bool read_inside(reader *r, capture_cell cell) {
    static const capture_cell none = {"", 0};
    for (size_t i = 1; i + 1 < cell.length; i++) {
        if (cell.text[i] == ':' || cell.text[i] == '=') {
            if (read_pair(r, tw_capture__trim(cell.text, i), tw_capture__trim(cell.text + i + 1, cell.length - i - 1),
                          none)) {
                return true;
            }
        }
    }
    for (size_t i = 2; i < cell.length; i++) {
        const char c = cell.text[i], before = cell.text[i - 1];
        if ((before == ' ' || before == '\t') && (isdigit((unsigned char)c) || c == '+' || c == '-' || c == '.')) {
            return read_pair(r, tw_capture__trim(cell.text, i), tw_capture__trim(cell.text + i, cell.length - i), none);
        }
    }
    return false;
}

/* The next cell with something in it, at most two further; .length = 0 where there is none. */
static capture_cell following(const capture_cell *cells, size_t n, size_t i) {
    for (size_t k = i + 1; k < n && k <= i + 2; k++) {
        if (cells[k].length > 0) {
            return cells[k];
        }
    }
    return (capture_cell){"", 0};
}

enum { NOTE_CELLS = 256 };

/* A row with a value for each channel: "Volts per division,1 V,5 V", also with the unit in the cell behind the value.
 * False, and nothing kept, where it is no such row. An empty cell between two values is a channel without one. */
static bool read_per_channel(reader *r, const capture_cell *cells, size_t n, size_t at, const capture_dialect *d,
                             bool in_table) {
    enum { MOST = 64 };
    capture_note notes[MOST + 1];
    size_t count = 0, values = 0, next = 1;
    capture_cell key = cells[0], first = {"", 0};
    for (size_t i = 1; i + 1 < key.length && first.length == 0; i++) {
        if (key.text[i] == ':' || key.text[i] == '=') {
            first = tw_capture__trim(key.text + i + 1, key.length - i - 1);
            key = tw_capture__trim(key.text, i);
        }
    }
    char tag[32];
    const capture_unit key_unit = unit_in_key(&key);
    const note_kind kind = tw_capture__classify_key(key, tag, sizeof tag);
    if ((in_table && at + 1 < d->n_columns && d->is_data[at + 1]) || (!is_vertical(kind) && kind != NOTE_SIGNAL_UNIT) ||
        tw_capture__channel_prefix(tag) > 0) {
        return false;
    }
    for (capture_cell cell = first.length > 0 ? first : next < n ? cells[next++] : first;; cell = cells[next++]) {
        capture_note note = {.kind = kind, .unit = key_unit};
        capture_unit unit, behind;
        const bool is_unit = tw_capture__read_bracketed_unit(cell, &unit);
        if (kind == NOTE_SIGNAL_UNIT && is_unit) {
            note.unit = unit;
        } else if (cell.length > 0 &&
                   tw_capture__read_quantity(cell, r->decimal, &note.value, &behind) == cell.length) {
            note.unit = behind.kind != UNIT_NONE ? behind : key_unit;
        } else if (is_unit && count > 0) {
            notes[count - 1].unit = unit;
            note.kind = NOTE_NAME; /* no value of its own */
        } else if (cell.length > 0) {
            break;
        } else {
            note.kind = NOTE_NONE;
        }
        if (note.kind != NOTE_NAME) {
            notes[count++] = note;
            values += note.kind != NOTE_NONE;
        }
        if (next >= n || count == MOST || (in_table && at + next < d->n_columns && d->is_data[at + next])) {
            break;
        }
    }
    for (size_t i = 0; i < count && values > 1; i++) {
        (void)snprintf(tag, sizeof tag, "chan%zu", i + 1);
        if (notes[i].kind == NOTE_SIGNAL_UNIT) {
            (void)snprintf(notes[i].tag, sizeof notes[i].tag, "%s", tag);
            keep(r, &notes[i]);
        } else if (notes[i].kind != NOTE_NONE) {
            (void)keep_number(r, kind, notes[i].value, notes[i].unit, tag);
        }
    }
    return values > 1;
}

static void read_row(reader *r, const capture_cell *cells, size_t n, const capture_cell *below, size_t n_below,
                     const capture_dialect *d, bool in_table) {
    static const capture_cell none = {"", 0};
    for (size_t i = 0; i < n; i++) {
        const bool data = i < d->n_columns && d->is_data[i];
        if (cells[i].length == 0 || (in_table && data) || isdigit((unsigned char)cells[i].text[0])) {
            continue;
        }
        if (read_per_channel(r, cells + i, n - i, i, d, in_table)) {
            return; /* the values are no keys */
        }
        if (read_inside(r, cells[i])) {
            continue;
        }
        const bool next_is_data = in_table && i + 1 < d->n_columns && d->is_data[i + 1];
        const capture_cell value = next_is_data ? none : following(cells, n, i);
        const capture_cell after =
            i + 2 < n && !(in_table && i + 2 < d->n_columns && d->is_data[i + 2]) ? cells[i + 2] : none;
        if (!read_pair(r, cells[i], value, after) && i < n_below && !in_table) {
            (void)read_pair(r, cells[i], below[i], none);
        }
    }
}

/* A line that the table's separator does not divide is divided by what does. */
static size_t split_line(capture_cell line, char separator, char decimal, capture_cell *cells) {
    static const char OTHERS[] = {';', '\t', ','};
    const bool pair = memchr(line.text, ':', line.length) != NULL || memchr(line.text, '=', line.length) != NULL;
    /* "rate: 250000,5" where decimal commas stand in quotes between commas */
    const bool whole = separator == ' ' || (separator == ',' && decimal == ',' && pair);
    size_t n = whole ? 1 : tw_capture__split(line.text, line.length, separator, cells, NOTE_CELLS);
    n = n > NOTE_CELLS ? NOTE_CELLS : n;
    if (whole) {
        cells[0] = tw_capture__trim(line.text, line.length);
    }
    for (size_t i = 0; i < sizeof OTHERS && n <= 1 && !pair; i++) {
        if (memchr(line.text, OTHERS[i], line.length) != NULL) {
            n = tw_capture__split(line.text, line.length, OTHERS[i], cells, NOTE_CELLS);
            n = n > NOTE_CELLS ? NOTE_CELLS : n;
        }
    }
    return n;
}

tw_status tw_capture__read_notes(tw_ctx *ctx, const capture_sample *sample, const capture_dialect *dialect,
                                 size_t first_row, capture_notes *out) {
    capture_notes notes = {NULL, 0};
    reader r = {.ctx = ctx, .decimal = dialect->decimal, .notes = &notes};
    capture_cell *cells = tw_alloc(ctx, NOTE_CELLS, sizeof *cells);
    capture_cell *below = tw_alloc(ctx, NOTE_CELLS, sizeof *below);
    if (cells == NULL || below == NULL) {
        r.status = TW_NO_MEMORY;
    }
    for (size_t i = 0; i < sample->n_lines && r.status == TW_OK; i++) {
        const capture_cell line = tw_capture__sample_line(sample, i);
        r.line = sample->lines[i].number;
        const size_t n = split_line(line, dialect->separator, dialect->decimal, cells);
        size_t n_below = 0;
        if (i < first_row && i + 1 < sample->n_lines) {
            n_below = split_line(tw_capture__sample_line(sample, i + 1), dialect->separator, dialect->decimal, below);
        }
        if (dialect->separator != ' ' || i < first_row) {
            read_row(&r, cells, n, below, n_below, dialect, i >= first_row);
        }
    }
    tw_free(cells);
    tw_free(below);
    if (r.status != TW_OK) {
        tw_free(notes.items);
        return r.status;
    }
    *out = notes;
    return TW_OK;
}

const capture_note *tw_capture__find_note(const capture_notes *notes, note_kind kind, size_t channel,
                                          const char *name) {
    char squashed[64], number[24];
    (void)tw_capture__squash((capture_cell){name, strlen(name)}, squashed, sizeof squashed);
    (void)snprintf(number, sizeof number, "%zu", channel);
    const capture_note *general = NULL;
    for (size_t i = 0; i < notes->count; i++) {
        const capture_note *note = &notes->items[i];
        if (note->kind != kind) {
            continue;
        }
        const size_t prefix = tw_capture__channel_prefix(note->tag);
        const char *digits = note->tag + prefix;
        while (digits > note->tag && isdigit((unsigned char)digits[-1])) {
            digits--;
        }
        const bool same = squashed[0] != '\0' && strcmp(note->tag, squashed) == 0;
        if (same || (prefix > 0 && strlen(number) == strspn(digits, "0123456789") &&
                     strncmp(digits, number, strlen(number)) == 0)) {
            return note;
        }
        if (prefix == 0 && general == NULL) {
            general = note;
        }
    }
    return general;
}

double tw_capture__noted_interval(const capture_notes *notes, bool *with_unit, bool *disagree) {
    double interval = (double)NAN;
    *with_unit = false;
    *disagree = false;
    for (size_t i = 0; i < notes->count; i++) {
        const capture_note *note = &notes->items[i];
        if (note->kind != NOTE_INTERVAL && note->kind != NOTE_RATE) {
            continue;
        }
        const double v = note->kind == NOTE_RATE ? 1.0 / note->value : note->value;
        if (isnan(interval)) {
            interval = v;
            *with_unit = note->kind == NOTE_RATE || note->unit.kind == UNIT_TIME;
        } else if (fabs(v - interval) > 1e-3 * interval) {
            *disagree = true;
        }
    }
    return interval;
}

bool tw_capture__is_key(capture_cell cell) {
    char tag[32];
    (void)unit_in_key(&cell);
    return tw_capture__classify_key(cell, tag, sizeof tag) != NOTE_NONE;
}

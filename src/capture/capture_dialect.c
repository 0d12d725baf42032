/* Which separator, which decimal mark, where does the table stand: read off the first lines.
 *
 * Each pair of separator and decimal mark is tried on the sample. For each column the longest run of rows is counted in
 * which its cells are numbers (empty cells and markers do not end a run, text does). The longest run of any column is
 * the table; its columns are those with numbers in the second half of the run, where side preambles have usually ended.
 * The pair that explains most cells wins: numbers count for it, text in between against it.
 */
#include "capture_private.h"

#include <ctype.h>
#include <string.h>

void tw_capture__drop_sample(capture_sample *sample) {
    tw_free(sample->text);
    tw_free(sample->lines);
    *sample = (capture_sample){0};
}

static tw_status keep_line(tw_ctx *ctx, capture_sample *s, const char *text, size_t length, size_t number) {
    if (s->used + length > s->capacity) {
        const size_t grown = 2 * (s->used + length) + 4096;
        char *bytes = tw_resize(ctx, s->text, grown, 1);
        if (bytes == NULL) {
            return TW_NO_MEMORY;
        }
        s->text = bytes;
        s->capacity = grown;
    }
    memcpy(s->text + s->used, text, length);
    s->lines[s->n_lines++] = (sample_line){s->used, length, number};
    s->used += length;
    return TW_OK;
}

tw_status tw_capture__take_sample(capture_source *source, size_t skip_rows, capture_sample *out) {
    capture_sample s = {0};
    s.lines = tw_alloc(source->ctx, CAPTURE_SAMPLE_LINES, sizeof *s.lines);
    s.text = tw_alloc(source->ctx, 4096, 1);
    s.capacity = 4096;
    tw_status status = s.lines != NULL && s.text != NULL ? TW_OK : TW_NO_MEMORY;
    size_t beyond = 0; /* lines kept after the skipped ones */
    while (status == TW_OK && s.n_lines < CAPTURE_SAMPLE_LINES && s.used < CAPTURE_SAMPLE_MOST &&
           (s.used < CAPTURE_SAMPLE_BYTES || beyond < CAPTURE_SAMPLE_LEAST)) {
        const char *text;
        size_t length;
        status = tw_capture__next_line(source, &text, &length);
        if (status == TW_OK && text == NULL) {
            s.whole = true;
            break;
        }
        if (status == TW_OK && (source->line > skip_rows || source->line <= CAPTURE_SAMPLE_LINES / 2)) {
            beyond += source->line > skip_rows;
            status = keep_line(source->ctx, &s, text, length, source->line);
        }
    }
    if (status != TW_OK) {
        tw_capture__drop_sample(&s);
        return status;
    }
    *out = s;
    return TW_OK;
}

capture_cell tw_capture__sample_line(const capture_sample *sample, size_t i) {
    return (capture_cell){sample->text + sample->lines[i].start, sample->lines[i].length};
}

/* What a column of the sample holds. */
typedef struct tally {
    size_t run, run_start; /* of numbers, up to the current line */
    size_t best, best_start, best_last;
    size_t numbers, markers, units, texts; /* in the second half of the table */
    size_t digits;                         /* texts that do not start like a word */
    size_t changes;                        /* texts that differ from the one before */
    size_t hash;
    size_t all_numbers, blanks;     /* in all of the table */
    size_t key_left;                /* numbers with a key word on their left */
    size_t like_decimals, integers; /* integers that look like the digits behind a decimal comma */
} tally;

static bool looks_like_word(capture_cell cell) {
    const char c = cell.length > 0 ? cell.text[0] : '\0';
    return isalpha((unsigned char)c) || c == '#' || c == '<' || (c & 0x80) != 0;
}

static size_t hash_of(capture_cell cell) {
    size_t h = 5381;
    for (size_t i = 0; i < cell.length; i++) {
        h = h * 33 + (unsigned char)cell.text[i];
    }
    return h;
}

static size_t count_runs(const capture_sample *sample, const capture_dialect *d, size_t from, tally *tallies) {
    size_t widest = 0;
    for (size_t i = from; i < sample->n_lines; i++) {
        const capture_cell line = tw_capture__sample_line(sample, i);
        capture_cell cell;
        size_t at = 0;
        for (size_t c = 0;
             c < CAPTURE_MAX_COLUMNS && tw_capture__next_cell(line.text, line.length, d->separator, &at, &cell); c++) {
            tally *t = &tallies[c];
            widest = c + 1 > widest ? c + 1 : widest;
            double value;
            const cell_kind kind = tw_capture__read_cell(cell, d->decimal, &value);
            if (kind == CELL_TEXT) {
                t->run = 0;
            } else if (kind == CELL_NUMBER) {
                t->run_start = t->run == 0 ? i : t->run_start;
                t->run++;
                if (t->run > t->best) {
                    t->best = t->run;
                    t->best_start = t->run_start;
                    t->best_last = i;
                }
            }
        }
    }
    return widest;
}

static void count_cell(tally *t, capture_cell cell, cell_kind kind, bool key_before, bool counted) {
    capture_unit unit;
    if (kind == CELL_EMPTY) {
        t->blanks++;
    } else if (kind == CELL_NUMBER) {
        t->key_left += key_before;
        t->all_numbers++;
        t->numbers += counted;
        t->like_decimals +=
            (cell.length > 1 && cell.text[0] == '0' && isdigit((unsigned char)cell.text[1])) || cell.length > 8;
        t->integers += memchr(cell.text, '.', cell.length) == NULL && cell.text[0] != '-' && cell.text[0] != '+';
    } else if (kind == CELL_MARKER || kind == CELL_UNSIGNED) {
        t->markers += counted;
    } else if (kind == CELL_TEXT && tw_capture__read_bracketed_unit(cell, &unit)) {
        t->units += counted;
    } else if (kind == CELL_TEXT) {
        const size_t h = hash_of(cell);
        t->changes += h != t->hash && looks_like_word(cell);
        t->digits += !looks_like_word(cell);
        t->hash = h;
        t->texts += counted;
    }
}

/* Counts the cells of the table: those of its second half, and the key words of all of it. */
static void count_cells(const capture_sample *sample, const capture_dialect *d, tally *tallies, size_t *texts) {
    const size_t half = d->first + (d->last - d->first) / 2;
    *texts = 0;
    for (size_t i = d->first; i <= d->last; i++) {
        const capture_cell line = tw_capture__sample_line(sample, i);
        capture_cell cell;
        size_t at = 0;
        bool key_before = false;
        for (size_t c = 0; c < d->n_columns && tw_capture__next_cell(line.text, line.length, d->separator, &at, &cell);
             c++) {
            double value;
            capture_unit unit;
            const cell_kind kind = tw_capture__read_cell(cell, d->decimal, &value);
            count_cell(&tallies[c], cell, kind, key_before, i >= half);
            key_before = kind == CELL_TEXT && looks_like_word(cell) && !tw_capture__read_bracketed_unit(cell, &unit);
            *texts += kind == CELL_TEXT && !tw_capture__read_bracketed_unit(cell, &unit);
        }
    }
}

static void judge_columns(capture_dialect *d, const tally *t, size_t texts) {
    size_t all = 0;
    const size_t half_rows = d->last - (d->first + (d->last - d->first) / 2) + 1;
    for (size_t c = 0; c < d->n_columns; c++) {
        /* a channel with fewer samples than the others may end in the first half */
        const size_t short_one = t[c].all_numbers > 2 ? t[c].all_numbers : 0;
        const size_t late = t[c].numbers + t[c].markers, seen = late > 0 ? late : short_one;
        /* numbers that stand behind changing words belong to a preamble beside the table */
        const bool side = c > 0 && t[c].key_left * 2 > seen && t[c - 1].changes * 2 > t[c].key_left;
        d->is_data[c] = seen > 0 && !side && t[c].texts * 4 <= seen;
        d->is_unit[c] = !d->is_data[c] && c > 0 && d->is_data[c - 1] && t[c].units * 2 > half_rows;
        const bool words = t[c].changes * 2 > t[c].texts && t[c].digits == 0;
        d->is_text[c] = !d->is_data[c] && !d->is_unit[c] && t[c].texts * 2 > half_rows && !words;
        d->is_empty[c] = !d->is_data[c] && t[c].all_numbers + t[c].changes + t[c].digits + t[c].units == 0 &&
                         t[c].blanks * 2 > d->last - d->first + 1;
        all += d->is_data[c] ? seen : 0;
    }
    d->score = 2.0 * (double)all - 2.0 * (double)texts;
    if (all > 0 && d->score <= 0) {
        d->score = (double)all / (1.0 + (double)texts);
    }
}

/* "0,05": one column with a decimal comma, not two columns of integers. Told by zeros in front, by many digits, or by
 * the line above the table, which is not divided by commas. */
static bool is_decimal_comma(const capture_sample *sample, const capture_dialect *d, const tally *t) {
    size_t data = 0;
    for (size_t c = 0; c < d->n_columns; c++) {
        data += d->is_data[c];
    }
    if (d->separator != ',' || data != 2 || !d->is_data[0] || !d->is_data[1] || t[1].integers < t[1].numbers) {
        return false;
    }
    capture_cell above = {"", 0};
    for (size_t i = d->first; i > 0 && above.length == 0; i--) {
        above = tw_capture__sample_line(sample, i - 1);
        above = tw_capture__trim(above.text, above.length);
    }
    return t[1].like_decimals > 0 || (above.length > 0 && memchr(above.text, ',', above.length) == NULL);
}

void tw_capture__drop_dialect(capture_dialect *d) {
    tw_free(d->is_data);
    tw_free(d->is_unit);
    tw_free(d->is_text);
    tw_free(d->is_empty);
    *d = (capture_dialect){0};
}

/* More than half of the data columns stand in the row as numbers, markers or empty cells. */
static bool fits(const capture_sample *sample, const capture_dialect *d, size_t i) {
    size_t good = 0, numbers = 0, wanted = 0, at = 0, c = 0;
    const capture_cell line = tw_capture__sample_line(sample, i);
    capture_cell cell;
    for (; c < d->n_columns && tw_capture__next_cell(line.text, line.length, d->separator, &at, &cell); c++) {
        double value;
        const cell_kind kind = tw_capture__read_cell(cell, d->decimal, &value);
        if (d->is_data[c]) {
            good += kind != CELL_TEXT;
            numbers += kind != CELL_TEXT && kind != CELL_EMPTY;
        }
    }
    for (size_t k = 0; k < d->n_columns; k++) {
        wanted += d->is_data[k];
    }
    return numbers > 0 && good * 2 > wanted;
}

static tw_status try_dialect(tw_ctx *ctx, const capture_sample *sample, size_t from, tally *tallies,
                             capture_dialect *d) {
    memset(tallies, 0, CAPTURE_MAX_COLUMNS * sizeof *tallies);
    d->n_columns = count_runs(sample, d, from, tallies);
    size_t best = 0;
    for (size_t c = 0; c < d->n_columns; c++) {
        best = tallies[c].best > tallies[best].best ? c : best;
    }
    if (d->n_columns == 0 || tallies[best].best == 0) {
        return TW_OK;
    }
    d->first = tallies[best].best_start;
    d->last = tallies[best].best_last;
    d->is_data = tw_alloc(ctx, d->n_columns, sizeof *d->is_data);
    d->is_unit = tw_alloc(ctx, d->n_columns, sizeof *d->is_unit);
    d->is_text = tw_alloc(ctx, d->n_columns, sizeof *d->is_text);
    d->is_empty = tw_alloc(ctx, d->n_columns, sizeof *d->is_empty);
    if (d->is_data == NULL || d->is_unit == NULL || d->is_text == NULL || d->is_empty == NULL) {
        return TW_NO_MEMORY;
    }
    size_t texts;
    count_cells(sample, d, tallies, &texts);
    judge_columns(d, tallies, texts);
    d->score *= is_decimal_comma(sample, d, tallies) ? 0.25 : 1.0;
    while (d->first < d->last && !fits(sample, d, d->first)) {
        d->first++;
    }
    /* rows before the run whose first cell is a marker */
    while (d->first > from && d->score > 0 && fits(sample, d, d->first - 1)) {
        d->first--;
    }
    return TW_OK;
}

static bool allowed(const tw_capture_opts *opts, char separator, char decimal) {
    return (opts->separator == '\0' || opts->separator == separator) &&
           (opts->decimal_mark == '\0' || opts->decimal_mark == decimal);
}

tw_status tw_capture__find_dialect(tw_ctx *ctx, const char *name, const capture_sample *sample,
                                   const tw_capture_opts *opts, capture_dialect *out) {
    /* the order settles ties: a point before a comma, rarer separators first, blanks last */
    static const char PAIRS[][2] = {{';', '.'},  {'\t', '.'}, {',', '.'}, {';', ','},
                                    {'\t', ','}, {',', ','},  {' ', '.'}, {' ', ','}};
    capture_dialect best = {0};
    size_t from = 0;
    while (from < sample->n_lines && sample->lines[from].number <= opts->skip_rows) {
        from++;
    }
    tally *tallies = tw_alloc(ctx, CAPTURE_MAX_COLUMNS, sizeof *tallies);
    tw_status status = tallies != NULL ? TW_OK : TW_NO_MEMORY;
    for (size_t i = 0; i < sizeof PAIRS / sizeof PAIRS[0] && status == TW_OK; i++) {
        capture_dialect d = {.separator = PAIRS[i][0], .decimal = PAIRS[i][1]};
        if (!allowed(opts, d.separator, d.decimal)) {
            continue;
        }
        status = try_dialect(ctx, sample, from, tallies, &d);
        if (status == TW_OK && d.score > best.score * (1 + 1e-9)) {
            tw_capture__drop_dialect(&best);
            best = d;
        } else {
            tw_capture__drop_dialect(&d);
        }
    }
    tw_free(tallies);
    if (status == TW_OK && best.n_columns >= CAPTURE_MAX_COLUMNS) {
        status = tw_capture__fail(ctx, TW_TOO_LARGE, name, sample->lines[best.first].number,
                                  "%d columns or more; a recorder's table has fewer", (int)CAPTURE_MAX_COLUMNS);
    }
    if (status != TW_OK) {
        tw_capture__drop_dialect(&best);
        return status;
    }
    *out = best;
    return TW_OK;
}

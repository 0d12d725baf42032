/* A random table written in a random dialect reads back exactly. */
#include "testing.h"

#include <math.h>
#include <string.h>

#include "tankwright/capture.h"

typedef struct table {
    size_t rows, channels;
    double interval_s, start_s;
    double values[400][5];
} table;

typedef struct dialect {
    char separator, decimal;
    const char *line_end;
    bool quoted, trailing, padded, plus, time_last, mark;
    int time_unit; /* 0 s, 1 ms, 2 us */
    int place;     /* 0 time column, 1 interval in the preamble, 2 rate in the preamble */
    int header;    /* 0 none, 1 names with units, 2 names and a unit row */
} dialect;

static dialect random_dialect(tw_random *r) {
    static const char SEPARATORS[] = {',', ';', '\t', ' '};
    static const char *const ENDS[] = {"\n", "\r\n", "\r", "\r\r\n"};
    dialect d = {.separator = SEPARATORS[tw_random_below(r, 4)], .line_end = ENDS[tw_random_below(r, 4)]};
    d.quoted = tw_random_below(r, 4) == 0;
    d.decimal = tw_random_below(r, 2) == 0 && (d.separator != ',' || d.quoted) ? ',' : '.';
    d.trailing = d.separator != ' ' && tw_random_below(r, 4) == 0;
    d.padded = tw_random_below(r, 3) == 0;
    d.plus = tw_random_below(r, 4) == 0;
    d.time_last = tw_random_below(r, 5) == 0;
    d.mark = tw_random_below(r, 4) == 0;
    d.time_unit = (int)tw_random_below(r, 3);
    d.place = (int)tw_random_below(r, 3);
    d.header = d.place == 0 ? 1 + (int)tw_random_below(r, 2) : (int)tw_random_below(r, 3);
    return d;
}

static table random_table(tw_random *r) {
    table t = {.rows = 5 + tw_random_below(r, 395), .channels = 1 + tw_random_below(r, 5)};
    t.interval_s = tw_random_log_uniform(r, 1e-9, 1e-5);
    t.start_s = tw_random_uniform(r, -1, 1) * 1e3 * t.interval_s;
    for (size_t c = 0; c < t.channels; c++) {
        const double scale = tw_random_log_uniform(r, 1e-3, 1e3);
        for (size_t i = 0; i < t.rows; i++) {
            t.values[i][c] = scale * tw_random_normal(r);
        }
    }
    return t;
}

static void put_number(tw_text *text, const dialect *d, double v, bool first) {
    char number[TW_NUMBER_TEXT];
    (void)tw_format_number(v, number);
    for (char *p = number; *p != '\0'; p++) {
        *p = *p == '.' ? d->decimal : *p;
    }
    if (!first) {
        tw_text_append(text, &d->separator, 1);
    }
    tw_text_addf(text, "%s%s%s%s%s", d->padded ? "  " : "", d->quoted ? "\"" : "", d->plus && v >= 0 ? "+" : "", number,
                 d->quoted ? "\"" : "");
}

static void put_row(tw_text *text, const dialect *d, const char *const *cells, size_t n) {
    for (size_t i = 0; i < n; i++) {
        const bool quoted = d->separator == ' ' || d->quoted;
        tw_text_addf(text, "%.*s%s%s%s", i > 0 ? 1 : 0, &d->separator, quoted ? "\"" : "", cells[i],
                     quoted ? "\"" : "");
    }
    tw_text_addf(text, "%s", d->line_end);
}

static void put_header(tw_text *text, const dialect *d, const table *t) {
    static const char *const UNITS[] = {"s", "ms", "us"};
    char names[6][24], units[6][12];
    const char *name_cells[6], *unit_cells[6];
    size_t n = 0;
    const bool time = d->place == 0;
    for (size_t i = 0; i < t->channels + (time ? 1 : 0); i++) {
        const bool is_time = time && (d->time_last ? i == t->channels : i == 0);
        const char *unit = is_time ? UNITS[d->time_unit] : "V";
        const size_t channel = time && !d->time_last ? i : i + 1;
        if (is_time) {
            (void)snprintf(names[n], sizeof names[n], d->header == 1 ? "Time (%s)" : "Time", unit);
        } else {
            (void)snprintf(names[n], sizeof names[n], d->header == 1 ? "U%zu (%s)" : "U%zu", channel, unit);
        }
        (void)snprintf(units[n], sizeof units[n], "(%s)", unit);
        name_cells[n] = names[n];
        unit_cells[n] = units[n];
        n++;
    }
    put_row(text, d, name_cells, n);
    if (d->header == 2) {
        put_row(text, d, unit_cells, n);
    }
}

static void write_table(tw_text *text, const dialect *d, const table *t) {
    static const double FACTORS[] = {1.0, 1e3, 1e6};
    if (d->mark) {
        tw_text_add(text, "\xef\xbb\xbf");
    }
    tw_text_addf(text, "Remark: pail no. 3%s", d->line_end);
    if (d->place > 0) {
        char number[TW_NUMBER_TEXT];
        (void)tw_format_number(d->place == 1 ? t->interval_s : 1.0 / t->interval_s, number);
        for (char *p = number; *p != '\0'; p++) {
            *p = *p == '.' ? d->decimal : *p;
        }
        const char separator = d->separator == ' ' || (d->separator == ',' && d->decimal == ',') ? ':' : d->separator;
        tw_text_addf(text, "%s%c %s%s", d->place == 1 ? "Sample interval" : "Sampling rate", separator, number,
                     d->line_end);
    }
    if (d->header > 0) {
        put_header(text, d, t);
    }
    for (size_t i = 0; i < t->rows; i++) {
        const double time = (t->start_s + t->interval_s * (double)i) * FACTORS[d->time_unit];
        const bool front = d->place == 0 && !d->time_last;
        if (front) {
            put_number(text, d, time, true);
        }
        for (size_t c = 0; c < t->channels; c++) {
            put_number(text, d, t->values[i][c], c == 0 && !front);
        }
        if (d->place == 0 && d->time_last) {
            put_number(text, d, time, false);
        }
        tw_text_addf(text, "%.*s%s", d->trailing ? 1 : 0, &d->separator, d->line_end);
    }
}

static void check_table(tw_ctx *ctx, const table *t, const dialect *d, const tw_text *text, int trial) {
    tw_capture c;
    const tw_status status = tw_capture_read_text(ctx, "random.csv", text->data, text->length, NULL, &c);
    if (status != TW_OK || c.samples != t->rows || c.n_channels != t->channels) {
        fail_msg("trial %d: %s %s\n%.400s", trial, tw_status_text(status), tw_ctx_error(ctx)->message, text->data);
    }
    /* with a rate, 1/(1/x) is x to a rounding; a fitted column to the rounding of its stamps */
    assert_close(c.sample_interval_s, t->interval_s, d->place == 0 ? 1e-9 : 4e-16, 0);
    for (size_t k = 0; k < t->channels; k++) {
        for (size_t i = 0; i < t->rows; i++) {
            if (c.channels[k].values[i] != t->values[i][k]) {
                fail_msg("trial %d: channel %zu row %zu: %.17g instead of %.17g", trial, k, i, c.channels[k].values[i],
                         t->values[i][k]);
            }
        }
    }
    if (d->place == 0) {
        assert_close(c.start_time_s, t->start_s, 1e-9, 1e-6 * t->interval_s);
    }
    tw_capture_dispose(&c);
}

static void random_tables_read_back(void **state) {
    (void)state;
    tw_random r = {20240607};
    for (int trial = 0; trial < 2000; trial++) {
        tw_ctx *ctx = tw_ctx_create();
        const dialect d = random_dialect(&r);
        const table t = random_table(&r);
        tw_text text;
        tw_text_init(ctx, &text, 1 << 20);
        write_table(&text, &d, &t);
        assert_int_equal(text.status, TW_OK);
        check_table(ctx, &t, &d, &text, trial);
        tw_text_dispose(&text);
        tw_ctx_destroy(ctx);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(random_tables_read_back),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

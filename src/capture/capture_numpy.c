/* NumPy arrays: format versions 1.0, 2.0 and 3.0 of "A simple file format for NumPy arrays" (NEP 1; numpy.lib.format).
 *
 * Six magic bytes, two of version, the length of the header (16 bits, from 2.0 on 32), and the header: a dictionary
 * with the keys descr, fortran_order and shape, written as the language's literal. Real numbers of one or two
 * dimensions are read; the longer dimension is time. A first column that grows evenly is taken for time, as in
 * delimited text.
 */
#include <ctype.h>
#include <math.h>
#include <string.h>

#include "capture_private.h"

enum { MOST_HEADER = 1 << 20 };

typedef struct array {
    char kind; /* f, i, u */
    size_t item;
    bool big, fortran;
    size_t rows, columns;
    bool channels_first; /* the first dimension counts channels */
    size_t data;         /* its first byte */
} array;

typedef struct scanner {
    const capture_source *source;
    const char *s;
    size_t n, at;
} scanner;

static tw_status bad(const capture_source *s, const char *what) {
    return tw_capture__fail(s->ctx, TW_BAD_DATA, s->name, 0, "%s", what);
}

static void skip_blanks(scanner *c) {
    while (c->at < c->n && isspace((unsigned char)c->s[c->at])) {
        c->at++;
    }
}

static bool take(scanner *c, char wanted) {
    skip_blanks(c);
    if (c->at >= c->n || c->s[c->at] != wanted) {
        return false;
    }
    c->at++;
    return true;
}

/* A string in either kind of quotes, without escapes. */
static bool take_string(scanner *c, char *out, size_t out_size) {
    skip_blanks(c);
    if (c->at >= c->n || (c->s[c->at] != '\'' && c->s[c->at] != '"')) {
        return false;
    }
    const char *start = c->s + c->at + 1;
    const char *end = memchr(start, c->s[c->at], c->n - c->at - 1);
    if (end == NULL || (size_t)(end - start) >= out_size) {
        return false;
    }
    memcpy(out, start, (size_t)(end - start));
    out[end - start] = '\0';
    c->at = (size_t)(end + 1 - c->s);
    return true;
}

static bool take_word(scanner *c, const char *word) {
    skip_blanks(c);
    const size_t n = strlen(word);
    if (c->n - c->at < n || memcmp(c->s + c->at, word, n) != 0) {
        return false;
    }
    c->at += n;
    return true;
}

static tw_status read_type(scanner *c, array *a) {
    char text[32];
    if (take(c, '[')) {
        return bad(c->source, "records with named fields (a structured dtype); save a plain array of numbers");
    }
    if (!take_string(c, text, sizeof text) || strlen(text) < 2) {
        return bad(c->source, "the header's descr names no type");
    }
    const bool order = strchr("<>|=", text[0]) != NULL;
    const char *type = text + (order ? 1 : 0);
    const uint16_t one = 1;
    a->big = text[0] == '>' || (text[0] == '=' && *(const unsigned char *)&one == 0);
    a->kind = type[0];
    a->item = 0;
    for (const char *p = type + 1; isdigit((unsigned char)*p) && a->item < 1000; p++) {
        a->item = 10 * a->item + (size_t)(*p - '0');
    }
    const bool whole =
        (a->kind == 'i' || a->kind == 'u') && (a->item == 1 || a->item == 2 || a->item == 4 || a->item == 8);
    if (whole || (a->kind == 'f' && (a->item == 4 || a->item == 8))) {
        return TW_OK;
    }
    const char *what = a->kind == 'O'                     ? "objects, not numbers"
                       : a->kind == 'c'                   ? "complex numbers"
                       : a->kind == 'b' || a->kind == '?' ? "logic levels only"
                       : a->kind == 'f'                   ? "floats of a size that is not read"
                                                          : "not real numbers";
    return tw_capture__fail(c->source->ctx, TW_BAD_DATA, c->source->name, 0,
                            "the array's dtype %s holds %s; save it as float64", text, what);
}

static tw_status read_shape(scanner *c, size_t shape[2], size_t *dimensions) {
    *dimensions = 0;
    if (!take(c, '(')) {
        return bad(c->source, "the header's shape is no tuple");
    }
    while (!take(c, ')')) {
        skip_blanks(c);
        size_t value = 0, digits = 0;
        for (; c->at < c->n && isdigit((unsigned char)c->s[c->at]); c->at++, digits++) {
            if (value > (SIZE_MAX - 9) / 10) {
                return bad(c->source, "the header's shape is too large");
            }
            value = 10 * value + (size_t)(c->s[c->at] - '0');
        }
        if (digits == 0) {
            return bad(c->source, "the header's shape holds something that is no whole number");
        }
        if (*dimensions == 2) {
            return bad(c->source, "an array of more than two dimensions; save samples x channels");
        }
        shape[(*dimensions)++] = value;
        if (!take(c, ',') && (c->at >= c->n || c->s[c->at] != ')')) {
            return bad(c->source, "the header's shape is no tuple");
        }
    }
    return *dimensions > 0 ? TW_OK : bad(c->source, "a single number, not an array");
}

/* {'descr': '<f8', 'fortran_order': False, 'shape': (3, 2), } */
static tw_status read_dictionary(scanner *c, array *a) {
    size_t shape[2] = {0, 1}, dimensions = 0;
    bool type = false, order = false;
    if (!take(c, '{')) {
        return bad(c->source, "the header is no dictionary");
    }
    while (!take(c, '}')) {
        char key[32];
        if (!take_string(c, key, sizeof key) || !take(c, ':')) {
            return bad(c->source, "the header is no dictionary");
        }
        if (strcmp(key, "descr") == 0) {
            TW_TRY(read_type(c, a));
            type = true;
        } else if (strcmp(key, "shape") == 0) {
            TW_TRY(read_shape(c, shape, &dimensions));
        } else if (strcmp(key, "fortran_order") == 0) {
            a->fortran = take_word(c, "True");
            order = a->fortran || take_word(c, "False");
        } else {
            return bad(c->source, "the header has a key that is none of descr, fortran_order and shape");
        }
        if (!take(c, ',')) {
            skip_blanks(c);
        }
    }
    if (!type || !order || dimensions == 0) {
        return bad(c->source, "the header lacks one of descr, fortran_order and shape");
    }
    a->channels_first = dimensions == 2 && shape[1] > shape[0];
    a->rows = a->channels_first ? shape[1] : shape[0];
    a->columns = a->channels_first ? shape[0] : shape[1];
    return TW_OK;
}

static tw_status read_header(const capture_source *s, array *a) {
    const unsigned char *b = (const unsigned char *)s->bytes;
    if (s->length < 12) {
        return bad(s, "the file ends inside the header");
    }
    const unsigned version = b[6];
    if (version < 1 || version > 3) {
        return tw_capture__fail(s->ctx, TW_BAD_DATA, s->name, 0, "version %u.%u of the array format; 1 to 3 are read",
                                version, b[7]);
    }
    size_t length = (size_t)b[8] | (size_t)b[9] << 8;
    if (version > 1) {
        length |= (size_t)b[10] << 16 | (size_t)b[11] << 24;
    }
    const size_t first = version > 1 ? 12 : 10;
    if (length > MOST_HEADER || length > s->length - first) {
        return bad(s, "the file ends inside the header");
    }
    scanner c = {.source = s, .s = s->bytes + first, .n = length};
    a->data = first + length;
    return read_dictionary(&c, a);
}

static uint64_t bits_at(const unsigned char *p, size_t item, bool big) {
    uint64_t u = 0;
    for (size_t k = 0; k < item; k++) {
        u = u << 8 | p[big ? k : item - 1 - k];
    }
    return u;
}

static double number_at(const array *a, const unsigned char *p) {
    const uint64_t u = bits_at(p, a->item, a->big);
    if (a->kind == 'f' && a->item == 8) {
        double d;
        memcpy(&d, &u, sizeof d);
        return d;
    }
    if (a->kind == 'f') {
        const uint32_t half = (uint32_t)u;
        float f;
        memcpy(&f, &half, sizeof f);
        return (double)f;
    }
    const uint64_t sign = UINT64_C(1) << (8 * a->item - 1);
    if (a->kind == 'u' || (u & sign) == 0) {
        return (double)u;
    }
    return -(double)((~u & (sign - 1)) + 1); /* two's complement */
}

static tw_status load(const capture_source *s, const array *a, capture_layout *layout) {
    const unsigned char *b = (const unsigned char *)s->bytes + a->data;
    /* in memory the channels lie one behind the other where they are the slow index */
    const bool planar = a->channels_first != a->fortran;
    const size_t across = planar ? 1 : a->columns, down = planar ? a->rows : 1;
    for (size_t i = 0; i < a->columns; i++) {
        double *v = layout->columns[i].values;
        for (size_t k = 0; k < a->rows; k++) {
            v[k] = number_at(a, b + (k * across + i * down) * a->item);
        }
        TW_TRY(tw_progress(s->ctx, (double)(i + 1) / (double)a->columns, "reading the record"));
    }
    return TW_OK;
}

static tw_status read_array(const capture_source *s, const tw_capture_opts *opts, capture_layout *layout,
                            capture_record *out) {
    array a = {0};
    TW_TRY(read_header(s, &a));
    if (a.rows < 2 || a.columns == 0) {
        return tw_capture__fail(s->ctx, TW_BAD_DATA, s->name, 0,
                                "an array of %zu x %zu; a record needs two samples at least", a.rows, a.columns);
    }
    const size_t there = (s->length - a.data) / a.item;
    if (a.columns > there || a.rows > there / a.columns) {
        return tw_capture__fail(s->ctx, TW_BAD_DATA, s->name, 0,
                                "the header announces %zu x %zu numbers but %zu are there", a.rows, a.columns, there);
    }
    TW_TRY(tw_capture__make_columns(s->ctx, s->name, opts, a.columns, a.rows, layout));
    TW_TRY(load(s, &a, layout));
    TW_TRY(tw_capture__finish_table(s->ctx, s->name, opts, layout, NULL, a.rows, out));
    tw_capture *c = &out->capture;
    char said[160];
    (void)snprintf(said, sizeof said, "%.150s", out->has_interval ? c->understood : "nowhere");
    (void)snprintf(c->understood, sizeof c->understood,
                   "NumPy array of %s-endian %s, %zu bit, %s order; %zu rows, %zu channel(s)%s; interval from %s",
                   a.big ? "big" : "little",
                   a.kind == 'f'   ? "floats"
                   : a.kind == 'i' ? "signed integers"
                                   : "unsigned integers",
                   8 * a.item, a.fortran ? "Fortran" : "C", a.rows, c->n_channels,
                   a.channels_first ? ", channels in rows" : "", said);
    return TW_OK;
}

tw_status tw_capture__read_numpy(const capture_source *source, const tw_capture_opts *opts, capture_record *out) {
    capture_layout layout = {0};
    const tw_status status = read_array(source, opts, &layout, out);
    tw_capture__drop_layout(&layout);
    return status;
}

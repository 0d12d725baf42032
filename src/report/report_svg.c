/* The drawing library's SVG made small: its cairo device writes six decimals where two are below what any screen or
 * printer shows, and gives every tick, dash and letter its whole style again.
 *
 * Line by line, as that device writes: coordinates are rounded to 1/100 point and written as differences; lines that
 * follow one another with the same style become one path; letters that follow one another with the same style share a
 * group. A line of another form goes through as it is.
 */
#include "report_private.h"

#include <string.h>

typedef struct span {
    const char *at;
    size_t length;
} span;

static bool same(span a, span b) {
    return a.length == b.length && memcmp(a.at, b.at, a.length) == 0;
}

static bool starts(span line, const char *with) {
    const size_t n = strlen(with);
    return line.length >= n && memcmp(line.at, with, n) == 0;
}

static bool ends(span line, const char *with) {
    const size_t n = strlen(with);
    return line.length >= n && memcmp(line.at + line.length - n, with, n) == 0;
}

/* Where `mark` begins; false where it is not there. */
static bool find(span line, const char *mark, size_t *at) {
    const char *found = memmem(line.at, line.length, mark, strlen(mark));
    *at = found != NULL ? (size_t)(found - line.at) : 0;
    return found != NULL;
}

static bool is_digit(char c) {
    return c >= '0' && c <= '9';
}

/* A decimal number of the text in hundredths, rounded; returns the characters read, 0 where there is none. In whole
 * numbers, so that no locale has a say. */
static size_t read_hundredths(span text, size_t from, long *out) {
    size_t k = from, before = 0, behind = 0;
    const bool negative = k < text.length && text.at[k] == '-';
    long hundredths = 0;
    for (k += negative ? 1 : 0; k < text.length && is_digit(text.at[k]) && before < 7; k++, before++) {
        hundredths = 10 * hundredths + (text.at[k] - '0');
    }
    hundredths *= 100;
    if (k < text.length && text.at[k] == '.') {
        for (k++; k < text.length && is_digit(text.at[k]); k++, behind++) {
            const long digit = text.at[k] - '0';
            hundredths += behind == 0 ? 10 * digit : behind == 1 ? digit : behind == 2 && digit >= 5 ? 1 : 0;
        }
    }
    *out = negative ? -hundredths : hundredths;
    return before > 0 ? k - from : 0;
}

/* As short as SVG allows: no zero before the point or at the end, a blank only where numbers would run together. */
static void put_hundredths(long hundredths, tw_text *out) {
    const long size = hundredths < 0 ? -hundredths : hundredths, whole = size / 100, part = size % 100;
    const char last = out->length > 0 ? out->data[out->length - 1] : ' ';
    tw_text_add(out, hundredths < 0 ? "-" : is_digit(last) ? " " : "");
    if (whole > 0 || part == 0) {
        tw_text_addf(out, "%ld", whole);
    }
    if (part > 0) {
        tw_text_addf(out, part % 10 == 0 ? ".%ld" : ".%02ld", part % 10 == 0 ? part / 10 : part);
    }
}

typedef struct point {
    long x, y;
} point;

static bool read_point(span text, size_t *k, point *out) {
    long *const parts[2] = {&out->x, &out->y};
    for (size_t i = 0; i < 2; i++) {
        *k += *k < text.length && text.at[*k] == ' ' ? 1 : 0;
        const size_t used = read_hundredths(text, *k, parts[i]);
        *k += used;
        if (used == 0 || (*k < text.length && text.at[*k] != ' ')) {
            return false;
        }
    }
    return true;
}

/* "M x y L x y ... C x y x y x y ... Z" with differences in the place of points (SVG 1.1, 8.3); they are those of the
 * rounded points, so that nothing adds up. False where the text has another form; `out` is then to be cut back. */
static bool put_short_path(span text, tw_text *out) {
    point at = {0, 0}, p = {0, 0};
    char written = '\0';
    for (size_t k = 0; k < text.length;) {
        const char command = text.at[k++];
        if (command == ' ') {
            continue;
        }
        const size_t pairs = command == 'M' || command == 'L' ? 1 : command == 'C' ? 3 : 0;
        if (pairs == 0 && command != 'Z') {
            return false;
        }
        const char letter = command == 'L' ? 'l' : command == 'C' ? 'c' : command;
        if (letter != written || letter == 'M') {
            tw_text_append(out, &letter, 1);
        }
        written = letter;
        const point origin = command == 'M' ? (point){0, 0} : at;
        for (size_t i = 0; i < pairs; i++) {
            if (!read_point(text, &k, &p)) {
                return false;
            }
            put_hundredths(p.x - origin.x, out);
            put_hundredths(p.y - origin.y, out);
            at = p;
        }
    }
    return true;
}

static void put_path(span text, tw_text *out) {
    const size_t before = out->length;
    if (!put_short_path(text, out)) {
        tw_text_cut(out, before);
        tw_text_append(out, text.at, text.length);
    }
}

/* A line with x="..." and y="...". */
static void put_letter(span line, tw_text *out) {
    for (size_t k = 0; k < line.length;) {
        long hundredths = 0;
        const size_t used = k > 0 && line.at[k - 1] == '"' ? read_hundredths(line, k, &hundredths) : 0;
        if (used > 0) {
            put_hundredths(hundredths, out);
        } else {
            tw_text_append(out, line.at + k, 1);
        }
        k += used > 0 ? used : 1;
    }
}

/* What the line before left open. */
typedef struct state {
    span head, tail;   /* of a path whose end is not written yet; head.length 0: none */
    span group;        /* style of a group whose end is not written yet; length 0: none */
    bool inside_group; /* between its lines */
} state;

static void close_path(state *s, tw_text *out) {
    if (s->head.length > 0) {
        tw_text_append(out, s->tail.at, s->tail.length);
        tw_text_append(out, "\n", 1);
        s->head.length = 0;
    }
}

static void close_group(state *s, tw_text *out) {
    if (s->group.length > 0 && !s->inside_group) {
        tw_text_add(out, "</g>\n");
        s->group.length = 0;
    }
}

/* A path: HEAD d="COORDINATES" TAIL. */
static bool take_path(span line, state *s, tw_text *out) {
    size_t d, close;
    if (!starts(line, "<path style=\"") || !find(line, " d=\"", &d)) {
        return false;
    }
    const span head = {line.at, d}, rest = {line.at + d + 4, line.length - d - 4};
    if (!find(rest, "\"", &close)) {
        return false;
    }
    const span coordinates = {rest.at, close}, tail = {rest.at + close, rest.length - close};
    const bool stroke = starts(line, "<path style=\"fill:none;");
    close_group(s, out);
    if (!stroke || s->head.length == 0 || !same(head, s->head) || !same(tail, s->tail)) {
        close_path(s, out);
        tw_text_append(out, line.at, d + 4);
        s->head = head;
        s->tail = tail;
    }
    put_path(coordinates, out);
    if (!stroke) {
        close_path(s, out);
    }
    return true;
}

/* Letters: a group of a style, their lines, its end. */
static bool take_letters(span line, state *s, tw_text *out) {
    if (starts(line, "<g style=\"fill:") && ends(line, ">") && !s->inside_group) {
        close_path(s, out);
        if (s->group.length == 0 || !same(s->group, line)) {
            close_group(s, out);
            tw_text_append(out, line.at, line.length);
            tw_text_append(out, "\n", 1);
        }
        s->group = line;
        s->inside_group = true;
        return true;
    }
    if (s->inside_group && starts(line, "  <use ")) {
        put_letter(line, out);
        tw_text_append(out, "\n", 1);
        return true;
    }
    if (s->inside_group && starts(line, "</g>")) {
        s->inside_group = false;
        return true;
    }
    return false;
}

void report__svg_shrink(const char *svg, size_t length, tw_text *out) {
    state s = {{NULL, 0}, {NULL, 0}, {NULL, 0}, false};
    for (size_t from = 0; from < length;) {
        const char *end = memchr(svg + from, '\n', length - from);
        const span line = {svg + from, end != NULL ? (size_t)(end - svg) - from : length - from};
        from += line.length + 1;
        if (take_path(line, &s, out) || take_letters(line, &s, out)) {
            continue;
        }
        close_path(&s, out);
        if (s.inside_group) { /* a group of another form: its own end follows as it is */
            s.inside_group = false;
            s.group.length = 0;
        }
        close_group(&s, out);
        tw_text_append(out, line.at, line.length);
        tw_text_append(out, "\n", 1);
    }
    close_path(&s, out);
    close_group(&s, out);
}

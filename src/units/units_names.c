/* Nearest name, quoting what was found, UTF-8. */
#include "tankwright/units.h"

#include <string.h>

enum { NAME_LIMIT = 63, QUOTED_CHARACTERS = 40 };

static char fold(char c) {
    return c >= 'A' && c <= 'Z' ? (char)(c - 'A' + 'a') : c;
}

static size_t least(size_t a, size_t b) {
    return a < b ? a : b;
}

/* Optimal string alignment distance (Damerau 1964: insert, delete, replace, swap of neighbours). */
static size_t distance(const char *a, size_t n, const char *b, size_t m) {
    size_t rows[3][NAME_LIMIT + 1];
    size_t *before = rows[0], *last = rows[1], *now = rows[2];
    for (size_t j = 0; j <= m; j++) {
        before[j] = 0;
        last[j] = j;
    }
    for (size_t i = 1; i <= n; i++) {
        now[0] = i;
        for (size_t j = 1; j <= m; j++) {
            const size_t cost = fold(a[i - 1]) != fold(b[j - 1]);
            now[j] = least(least(last[j] + 1, now[j - 1] + 1), last[j - 1] + cost);
            if (i > 1 && j > 1 && fold(a[i - 1]) == fold(b[j - 2]) && fold(a[i - 2]) == fold(b[j - 1])) {
                now[j] = least(now[j], before[j - 2] + 1);
            }
        }
        size_t *free_row = before;
        before = last;
        last = now;
        now = free_row;
    }
    return last[m];
}

const char *tw_nearest_name(const char *wanted, const char *const *names, size_t n_names) {
    const size_t n = strlen(wanted);
    if (n > NAME_LIMIT) {
        return NULL;
    }
    const char *best = NULL;
    size_t best_distance = 0;
    for (size_t i = 0; i < n_names; i++) {
        const size_t m = strlen(names[i]);
        if (m > NAME_LIMIT) {
            continue;
        }
        const size_t d = distance(wanted, n, names[i], m);
        const size_t allowed = m / 3 > 1 ? m / 3 : 1; /* one slip in a short name, a third of a long one */
        if (d <= allowed && d < m && (best == NULL || d < best_distance)) {
            best = names[i];
            best_distance = d;
        }
    }
    return best;
}

/* Length of the well-formed sequence at the start (RFC 3629, section 4), 0 where there is none. */
static size_t sequence(const unsigned char *s, size_t length) {
    const unsigned char c = s[0];
    if (c < 0x80) {
        return 1;
    }
    const size_t n = c >= 0xC2 && c <= 0xDF ? 2 : (c & 0xF0) == 0xE0 ? 3 : c >= 0xF0 && c <= 0xF4 ? 4 : 0;
    if (n == 0 || n > length) {
        return 0;
    }
    for (size_t i = 1; i < n; i++) {
        if ((s[i] & 0xC0) != 0x80) {
            return 0;
        }
    }
    const bool overlong = (c == 0xE0 && s[1] < 0xA0) || (c == 0xF0 && s[1] < 0x90);
    const bool outside = (c == 0xED && s[1] > 0x9F) || (c == 0xF4 && s[1] > 0x8F);
    return overlong || outside ? 0 : n;
}

bool tw_utf8_valid(const char *text, size_t length, size_t *bad) {
    for (size_t i = 0; i < length;) {
        const size_t n = sequence((const unsigned char *)text + i, length - i);
        if (n == 0) {
            *bad = i;
            return false;
        }
        i += n;
    }
    return true;
}

size_t tw_utf8_count(const char *text, size_t length) {
    size_t count = 0;
    for (size_t i = 0; i < length; i++) {
        count += ((unsigned char)text[i] & 0xC0) != 0x80;
    }
    return count;
}

const char *tw_quote(const char *text, size_t length, char *out) {
    char *p = out;
    *p++ = '\'';
    size_t characters = 0;
    for (size_t i = 0; i < length; characters++) {
        if (characters == QUOTED_CHARACTERS) {
            memcpy(p, "...", 3);
            p += 3;
            break;
        }
        const size_t n = sequence((const unsigned char *)text + i, length - i);
        const bool control = (unsigned char)text[i] < 0x20 || text[i] == 0x7F ||
                             (n == 2 && (unsigned char)text[i] == 0xC2 && (unsigned char)text[i + 1] < 0xA0);
        if (n == 0 || control) {
            *p++ = '?';
        } else {
            memcpy(p, text + i, n);
            p += n;
        }
        i += n > 0 ? n : 1;
    }
    *p++ = '\'';
    *p = '\0';
    return out;
}

/* Columns without a value in any row: channels that gave nothing, or gaps between columns.
 *
 * A channel that was switched on and stayed empty keeps its place, so that the channels behind it keep their numbers.
 * It is told by its name in the header, or by data columns on both sides. A gap in front of a time column divides two
 * exports that stand side by side, and gaps between all columns alike are padding.
 */
#include "capture_private.h"

#include <math.h>
#include <string.h>

static void remove_column(capture_layout *l, size_t at) {
    tw_free(l->columns[at].values);
    memmove(&l->columns[at], &l->columns[at + 1], (l->n_columns - at - 1) * sizeof l->columns[0]);
    l->n_columns--;
    for (size_t i = 0; i < l->n_columns; i++) {
        l->columns[i].unit_of -= l->columns[i].unit_of > at + 1;
    }
}

/* Every step from one column of numbers to the next goes over a gap. */
static bool padded(const capture_layout *l) {
    size_t gaps = 0, last = SIZE_MAX;
    for (size_t i = 0; i < l->n_columns; i++) {
        if (l->columns[i].empty) {
            continue;
        }
        if (last != SIZE_MAX && l->columns[i].index == last + 1) {
            return false;
        }
        gaps += last != SIZE_MAX;
        last = l->columns[i].index;
    }
    return gaps > 1;
}

/* Numbers on both sides, and nothing else in between. */
static bool between_data(const capture_layout *l, size_t at) {
    for (int side = 0; side < 2; side++) {
        size_t i = at;
        do {
            const size_t end = side == 0 ? 0 : l->n_columns - 1;
            if (i == end) {
                return false;
            }
            const size_t next = side == 0 ? i - 1 : i + 1;
            const size_t a = l->columns[side == 0 ? next : i].index, b = l->columns[side == 0 ? i : next].index;
            if (b != a + 1) {
                return false;
            }
            i = next;
        } while (l->columns[i].empty);
    }
    return true;
}

void tw_capture__prune_empty(capture_layout *l) {
    const bool padding = padded(l);
    for (size_t i = l->n_columns; i > 0; i--) {
        const capture_column *c = &l->columns[i - 1];
        const bool other = c->named_time || c->named_index || c->named_frequency;
        if (c->empty && (other || (!c->named && (padding || !between_data(l, i - 1))))) {
            remove_column(l, i - 1);
        }
    }
}

static bool is_time(const capture_column *c, size_t rows) {
    while (rows > 0 && !isfinite(c->values[rows - 1])) {
        rows--;
    }
    return c->named_time || (c->has_unit && c->unit.kind == UNIT_TIME) ||
           (!c->named && !c->has_unit && rows > 2 && tw_capture__looks_like_time(c->values, rows));
}

void tw_capture__settle_empty(capture_layout *l, size_t rows) {
    for (size_t i = 0; i < l->n_columns; i++) {
        capture_column *c = &l->columns[i];
        for (size_t k = 0; k < rows && c->empty; k++) {
            c->empty = isnan(c->values[k]); /* values further down than the sample */
        }
    }
    for (size_t i = l->n_columns; i > 0; i--) {
        size_t next = i;
        while (next < l->n_columns && l->columns[next].empty) {
            next++;
        }
        const capture_column *c = &l->columns[i - 1];
        if (c->empty && !c->named && next < l->n_columns && l->columns[next].unit_of == 0 &&
            is_time(&l->columns[next], rows)) {
            remove_column(l, i - 1);
        }
    }
}

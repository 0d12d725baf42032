/* Which columns are time, which are channels; and what is no record over time at all. */
#include "capture_private.h"

#include <math.h>
#include <string.h>
#include <strings.h>

static size_t last_finite(const double *v, size_t rows) {
    while (rows > 0 && !isfinite(v[rows - 1])) {
        rows--;
    }
    return rows;
}

/* The preamble's interval is the column's step in one of the usual units. */
static bool may_step_as_stated(const capture_layout *l, const double *t, size_t n) {
    bool with_unit, disagree;
    const double stated = tw_capture__noted_interval(&l->notes, &with_unit, &disagree);
    const double step = (t[n - 1] - t[0]) / (double)(n - 1);
    if (isnan(stated) || disagree || tw_capture__is_index(t, n)) {
        return true;
    }
    for (double factor = 1.0; factor > 1e-10; factor *= 1e-3) {
        if (fabs(step * factor - stated) < 0.05 * stated) {
            return true;
        }
    }
    return false;
}

/* By content: an unnamed or unclearly named column that grows evenly. */
static bool time_by_content(const capture_layout *l, const capture_column *c, size_t rows) {
    if (c->unit_of != 0 || (c->has_unit && c->unit.kind != UNIT_TIME)) {
        return false;
    }
    const size_t n = last_finite(c->values, rows);
    return n > 2 && tw_capture__looks_like_time(c->values, n) && may_step_as_stated(l, c->values, n);
}

static bool time_by_name(const capture_column *c, size_t rows) {
    if (c->unit_of != 0 || c->empty || (c->has_unit && c->unit.kind != UNIT_TIME && c->unit.kind != UNIT_CODE)) {
        return false;
    }
    return c->named_time || (c->has_unit && c->unit.kind == UNIT_TIME) ||
           (c->named_index && tw_capture__is_index(c->values, last_finite(c->values, rows)));
}

/* time, signal, time, signal ... without names */
static bool alternates(const capture_layout *l, size_t rows) {
    if (l->n_columns < 4 || l->n_columns % 2 != 0) {
        return false;
    }
    for (size_t i = 0; i < l->n_columns; i++) {
        if (time_by_content(l, &l->columns[i], rows) != (i % 2 == 0)) {
            return false;
        }
    }
    return true;
}

static tw_status mark_time(tw_ctx *ctx, const char *file, const tw_capture_opts *opts, const capture_layout *l,
                           size_t rows, size_t *roles) {
    size_t named = 0, numbers = 0, last = 0;
    for (size_t i = 0; i < l->n_columns; i++) {
        roles[i] = l->columns[i].unit_of != 0 ? ROLE_UNIT : 0;
        const bool values = roles[i] == 0 && !l->columns[i].empty;
        numbers += values;
        last = values ? i : last;
        named += time_by_name(&l->columns[i], rows);
    }
    if (opts->time_column != 0) {
        for (size_t i = 0; i < l->n_columns; i++) {
            if (l->columns[i].index + 1 == opts->time_column && roles[i] == 0) {
                roles[i] = ROLE_TIME;
                return TW_OK;
            }
        }
        return tw_capture__fail(ctx, TW_BAD_ARGUMENT, file, 0, "--time-column %zu is no column of numbers here",
                                opts->time_column);
    }
    for (size_t i = 0; i < l->n_columns && named > 0; i++) {
        if (time_by_name(&l->columns[i], rows)) {
            roles[i] = opts->no_time_column ? ROLE_DROPPED : ROLE_TIME;
        }
    }
    if (named > 0 || opts->no_time_column || numbers < 2) {
        return TW_OK;
    }
    if (alternates(l, rows)) {
        for (size_t i = 0; i < l->n_columns; i += 2) {
            roles[i] = ROLE_TIME;
        }
    } else if (time_by_content(l, &l->columns[0], rows)) {
        roles[0] = ROLE_TIME;
    } else if (time_by_content(l, &l->columns[last], rows)) {
        roles[last] = ROLE_TIME;
    }
    return TW_OK;
}

/* Each channel gets the time column on its left, else the one on its right; a plain index only where nothing better
 * stands there. */
static size_t nearest_time(const capture_layout *l, const size_t *roles, size_t i) {
    size_t found = 0;
    for (int pass = 0; pass < 2 && found == 0; pass++) {
        for (size_t k = i; k > 0 && found == 0; k--) {
            if (roles[k - 1] == ROLE_TIME && (pass == 1 || !l->columns[k - 1].named_index)) {
                found = k;
            }
        }
        for (size_t k = i + 1; k < l->n_columns && found == 0; k++) {
            if (roles[k] == ROLE_TIME && (pass == 1 || !l->columns[k].named_index)) {
                found = k + 1;
            }
        }
    }
    return found;
}

static bool only_rises_or_falls(const double *v, size_t rows) {
    for (size_t i = 1; i < rows; i++) {
        if (!(v[1] > v[0] ? v[i] > v[i - 1] : v[i] < v[i - 1])) {
            return false;
        }
    }
    return rows > 2;
}

/* Frequency takes the place of time: its name stands above a column that only rises or only falls, and nothing is
 * time. A first column in hertz need not be in order. */
static tw_status refuse_frequency(tw_ctx *ctx, const char *file, const capture_layout *l, size_t rows) {
    const capture_column *c = NULL;
    bool timed = false;
    for (size_t i = l->n_columns; i > 0; i--) {
        const capture_column *at = &l->columns[i - 1];
        const bool stated = i == 1 && strcasecmp(at->name, "f") != 0;
        if (at->named_frequency && at->unit_of == 0 && !at->empty &&
            (stated || only_rises_or_falls(at->values, rows))) {
            c = at;
        }
        timed = timed || time_by_name(at, rows);
    }
    if (c == NULL || rows < 3 || (timed && (c != &l->columns[0] || strcasecmp(c->name, "f") == 0))) {
        return TW_OK;
    }
    const double first = c->values[1] - c->values[0], last = c->values[rows - 1] - c->values[rows - 2];
    const bool even = first > 0 && fabs(last - first) < 0.02 * first;
    return tw_capture__fail(ctx, TW_BAD_DATA, file, l->first_row, "column %zu is frequency%s, not a record over time",
                            c->index + 1,
                            even ? " in even steps: a spectrum or a frequency sweep" : ": a frequency sweep");
}

static tw_status refuse_logic(tw_ctx *ctx, const char *file, const capture_layout *l, const size_t *roles,
                              size_t rows) {
    bool changes = false, any = false;
    for (size_t i = 0; i < l->n_columns; i++) {
        if (!tw_capture__is_channel(roles[i])) {
            continue;
        }
        if (l->columns[i].empty) {
            continue;
        }
        any = true;
        const double *v = l->columns[i].values;
        if (l->columns[i].has_unit) {
            return TW_OK;
        }
        for (size_t k = 0; k < rows; k++) {
            if (v[k] != 0 && v[k] != 1 && !isnan(v[k])) {
                return TW_OK;
            }
            changes = changes || (k > 0 && !isnan(v[k]) && !isnan(v[k - 1]) && v[k] != v[k - 1]);
        }
    }
    if (!any) {
        return tw_capture__fail(ctx, TW_BAD_DATA, file, l->first_row, "a time column and no channel beside it");
    }
    return changes ? tw_capture__fail(ctx, TW_BAD_DATA, file, l->first_row,
                                      "logic levels only (0 and 1); a record of voltages or currents is needed")
                   : TW_OK;
}

static bool ends_with(const char *text, const char *ending) {
    const size_t n = strlen(text), e = strlen(ending);
    return n >= e && strcmp(text + n - e, ending) == 0;
}

static tw_status warn_companions(tw_ctx *ctx, const capture_layout *l, const size_t *roles, tw_warnings *warnings) {
    bool low = false, high = false;
    for (size_t i = 0; i < l->n_columns; i++) {
        char word[64];
        (void)tw_capture__squash((capture_cell){l->columns[i].name, strlen(l->columns[i].name)}, word, sizeof word);
        if (tw_capture__is_channel(roles[i])) {
            low = low || ends_with(word, "min") || ends_with(word, "minimum") || strncmp(word, "min", 3) == 0;
            high = high || ends_with(word, "max") || ends_with(word, "maximum") || strncmp(word, "max", 3) == 0;
        }
    }
    if (!low || !high) {
        return TW_OK;
    }
    return tw_warn(ctx, warnings, "min_max_companions",
                   "columns of minima and maxima stand beside each other: an envelope, not the waveform's samples");
}

tw_status tw_capture__find_roles(tw_ctx *ctx, const char *file, const tw_capture_opts *opts,
                                 const capture_layout *layout, size_t rows, size_t *roles, tw_warnings *warnings) {
    TW_TRY(refuse_frequency(ctx, file, layout, rows));
    TW_TRY(mark_time(ctx, file, opts, layout, rows, roles));
    TW_TRY(refuse_logic(ctx, file, layout, roles, rows));
    for (size_t i = 0; i < layout->n_columns; i++) {
        if (roles[i] == 0) {
            roles[i] = nearest_time(layout, roles, i);
        }
    }
    return warn_companions(ctx, layout, roles, warnings);
}

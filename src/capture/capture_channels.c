/* Values: repeated columns left out, integer codes turned into signals, prefixes taken off, statistics. */
#include "capture_private.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* ---- columns that repeat another one at a scale of 1e3, 1e6 ... ---- */

static bool repeats(const double *a, const double *b, size_t rows, double *factor) {
    double peak_a = 0, peak_b = 0;
    for (size_t i = 0; i < rows; i++) {
        peak_a = isfinite(a[i]) && fabs(a[i]) > peak_a ? fabs(a[i]) : peak_a;
        peak_b = isfinite(b[i]) && fabs(b[i]) > peak_b ? fabs(b[i]) : peak_b;
    }
    if (!(peak_a > 0) || !(peak_b > 0)) {
        return false;
    }
    const double power = floor(log10(peak_b / peak_a) / 3.0 + 0.5) * 3.0;
    if (power == 0 || fabs(power) > 12) {
        return false;
    }
    *factor = pow(10.0, power);
    for (size_t i = 0; i < rows; i++) { /* a thousandth of the peak: both may be rounded */
        const bool finite = isfinite(a[i]) && isfinite(b[i]);
        if (finite && fabs(b[i] - a[i] * *factor) > 1e-3 * peak_b) {
            return false;
        }
    }
    return true;
}

/* Units may tell that the second is another quantity: a current computed from a voltage. */
static bool same_quantity(const capture_column *a, const capture_column *b, double factor) {
    if (!a->has_unit || !b->has_unit || a->unit.kind == UNIT_NONE || b->unit.kind == UNIT_NONE) {
        return true;
    }
    const double units = a->unit.factor / b->unit.factor;
    return strcmp(a->unit.base, b->unit.base) == 0 && fabs(units - factor) < 1e-6 * factor;
}

tw_status tw_capture__drop_repeats(tw_ctx *ctx, capture_layout *layout, size_t *roles, size_t rows,
                                   tw_warnings *warnings) {
    enum { MOST = 64 }; /* pairs grow with the square */
    for (size_t i = 0; i < layout->n_columns && layout->n_columns <= MOST; i++) {
        for (size_t k = 0; k < i && tw_capture__is_channel(roles[i]); k++) {
            capture_column *a = &layout->columns[k], *b = &layout->columns[i];
            double factor = 1.0;
            if (tw_capture__is_channel(roles[k]) && repeats(a->values, b->values, rows, &factor) &&
                same_quantity(a, b, factor)) {
                TW_TRY(tw_warn(ctx, warnings, "duplicate_column",
                               "column %zu repeats column %zu times %g and was left out", b->index + 1, a->index + 1,
                               factor));
                roles[i] = ROLE_DROPPED;
                tw_free(b->values);
                b->values = NULL;
            }
        }
    }
    return TW_OK;
}

/* ---- codes and units ---- */

/* All finite values whole and more than a few of them different: what a converter gives. */
static bool are_codes(const double *v, size_t rows) {
    double low = (double)INFINITY, high = -(double)INFINITY;
    for (size_t i = 0; i < rows; i++) {
        if (isfinite(v[i])) {
            if (v[i] != floor(v[i])) {
                return false;
            }
            low = v[i] < low ? v[i] : low;
            high = v[i] > high ? v[i] : high;
        }
    }
    return high - low >= 4;
}

typedef struct code_scale {
    double scale, reference, origin;
    bool found, guessed;
    const capture_unit *unit;
} code_scale;

static code_scale find_scale(const capture_notes *notes, size_t channel, const char *name) {
    code_scale s = {.scale = 1.0};
    const capture_note *scale = tw_capture__find_note(notes, NOTE_SCALE, channel, name);
    const capture_note *division = tw_capture__find_note(notes, NOTE_PER_DIVISION, channel, name);
    const capture_note *codes = tw_capture__find_note(notes, NOTE_CODES_PER_DIVISION, channel, name);
    if (scale != NULL && scale->value != 0) {
        s.scale = scale->value;
        s.unit = &scale->unit;
        s.found = true;
    } else if (division != NULL && codes != NULL && codes->value > 0) {
        s.scale = division->value / codes->value;
        s.unit = &division->unit;
        s.found = true;
    }
    const capture_note *reference = tw_capture__find_note(notes, NOTE_REFERENCE, channel, name);
    const capture_note *origin = tw_capture__find_note(notes, NOTE_ORIGIN, channel, name);
    const capture_note *offset = tw_capture__find_note(notes, NOTE_OFFSET, channel, name);
    s.reference = reference != NULL ? reference->value : 0;
    s.origin = origin != NULL ? origin->value : 0;
    if (offset != NULL && reference == NULL && offset->unit.kind == UNIT_CODE) {
        s.reference = offset->value;
    } else if (offset != NULL && origin == NULL && offset->unit.kind == UNIT_SIGNAL) {
        s.origin = offset->value;
    } else if (offset != NULL && reference == NULL && origin == NULL) {
        /* a whole number much larger than the scale counts codes, anything else is a signal */
        const bool whole = offset->value == floor(offset->value) && fabs(offset->value) >= 4 * fabs(s.scale);
        s.guessed = offset->value != 0;
        s.reference = whole ? offset->value : 0;
        s.origin = whole ? 0 : offset->value;
    }
    return s;
}

static tw_status scale_codes(tw_ctx *ctx, capture_column *c, const capture_notes *notes, size_t channel, size_t rows,
                             tw_warnings *warnings) {
    const code_scale s = find_scale(notes, channel, c->name);
    if (!s.found) {
        return tw_warn(
            ctx, warnings, "unexplained_codes",
            "channel %zu holds whole numbers and nothing says what one step is: its scale is unknown (--units, "
            "or a scale in the rig)",
            channel);
    }
    for (size_t i = 0; i < rows; i++) {
        c->values[i] = (c->values[i] - s.reference) * s.scale + s.origin;
    }
    if (s.unit->kind == UNIT_SIGNAL || s.unit->kind == UNIT_PER_DIVISION) {
        c->unit = *s.unit;
        c->unit.kind = UNIT_SIGNAL;
        c->unit.factor = 1.0; /* the note's value is without prefix already */
        c->has_unit = true;
    } else {
        c->has_unit = false;
    }
    TW_TRY(tw_warn(ctx, warnings, "codes_scaled", "integer samples were scaled as (code - %.6g) x %.6g + %.6g",
                   s.reference, s.scale, s.origin));
    return s.guessed ? tw_warn(ctx, warnings, "offset_assumed", "the stated offset %.6g was taken to be in %s",
                               s.reference != 0 ? s.reference : s.origin,
                               s.reference != 0 ? "codes" : "the unit of the signal")
                     : TW_OK;
}

static bool unit_from_option(const char *text, capture_unit *unit) {
    return tw_capture__read_unit(tw_capture__trim(text, strlen(text)), unit) && unit->kind != UNIT_PER_DIVISION;
}

tw_status tw_capture__check_units(tw_ctx *ctx, const tw_capture_opts *opts) {
    capture_unit unit;
    for (size_t i = 0; opts->units != NULL && i < opts->n_units; i++) {
        if (opts->units[i] != NULL && !unit_from_option(opts->units[i], &unit)) {
            return tw_fail(ctx, TW_BAD_ARGUMENT, CAPTURE_ROOM, "--units %.20s: V, mV, A, mA or the like is expected",
                           opts->units[i]);
        }
    }
    return tw_capture__check_time_unit(ctx, opts);
}

static void take_factor(capture_column *c, size_t rows) {
    if (!c->has_unit || c->unit.factor == 1.0) {
        return;
    }
    /* dividing by 1000 gives the number that the decimal text means, multiplying by 0.001 does not */
    const double inverse = 1.0 / c->unit.factor;
    const double divisor = floor(inverse + 0.5);
    const bool divide = c->unit.factor < 1.0 && fabs(inverse - divisor) < 1e-6 * divisor;
    for (size_t i = 0; i < rows; i++) {
        c->values[i] = divide ? c->values[i] / divisor : c->values[i] * c->unit.factor;
    }
    c->unit.factor = 1.0;
}

tw_status tw_capture__scale_columns(tw_ctx *ctx, const tw_capture_opts *opts, capture_layout *layout,
                                    const size_t *roles, size_t rows, tw_warnings *warnings) {
    size_t channel = 0;
    for (size_t i = 0; i < layout->n_columns; i++) {
        capture_column *c = &layout->columns[i];
        if (!tw_capture__is_channel(roles[i])) {
            continue;
        }
        channel++;
        if (!c->named) {
            const capture_note *name = tw_capture__find_note(&layout->notes, NOTE_NAME, channel, "");
            if (name != NULL && name->text[0] != '\0') {
                (void)snprintf(c->name, sizeof c->name, "%s", name->text);
            } else {
                (void)snprintf(c->name, sizeof c->name, "channel %zu", channel);
            }
        }
        const bool unit_known = c->has_unit && c->unit.kind != UNIT_CODE && c->unit.kind != UNIT_NONE;
        if (opts->units != NULL && channel <= opts->n_units && opts->units[channel - 1] != NULL) {
            c->has_unit = unit_from_option(opts->units[channel - 1], &c->unit);
        } else if (!unit_known) {
            const capture_note *unit = tw_capture__find_note(&layout->notes, NOTE_SIGNAL_UNIT, channel, c->name);
            const bool codes = are_codes(c->values, rows);
            if (codes) {
                TW_TRY(scale_codes(ctx, c, &layout->notes, channel, rows, warnings));
            }
            if (!c->has_unit && unit != NULL) {
                c->unit = unit->unit;
                c->has_unit = true;
                const code_scale s = find_scale(&layout->notes, channel, c->name);
                c->unit.factor = codes && s.found && s.unit->kind == UNIT_SIGNAL ? 1.0 : c->unit.factor;
            }
        }
        take_factor(c, rows);
    }
    return TW_OK;
}

/* ---- statistics ---- */

enum { MOST_LEVELS = 70000, LEVEL_SLOTS = 1 << 18 };

static int compare_doubles(const void *a, const void *b) {
    const double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* Distinct values into `levels`, at most MOST_LEVELS; 0 when there are more. */
static size_t collect_levels(const double *v, size_t n, double *table, bool *used, double *levels) {
    size_t count = 0;
    double previous = (double)NAN;
    for (size_t i = 0; i < n; i++) {
        if (!isfinite(v[i]) || v[i] == previous) {
            continue;
        }
        previous = v[i];
        const double value = v[i] + 0.0; /* one zero */
        uint64_t bits;
        memcpy(&bits, &value, sizeof bits);
        bits *= UINT64_C(0x9e3779b97f4a7c15);
        size_t slot = (size_t)(bits >> 46);
        while (used[slot] && table[slot] != value) {
            slot = (slot + 1) & (LEVEL_SLOTS - 1);
        }
        if (!used[slot]) {
            if (count == MOST_LEVELS) {
                return 0;
            }
            used[slot] = true;
            table[slot] = value;
            levels[count++] = value;
        }
    }
    return count;
}

/* The step that all levels are whole multiples of, to the rounding of the text; NaN where there is none. */
static double lattice_step(double *levels, size_t count) {
    if (count < 2) {
        return (double)NAN;
    }
    qsort(levels, count, sizeof *levels, compare_doubles);
    double step = levels[1] - levels[0];
    for (size_t i = 2; i < count; i++) {
        const double d = levels[i] - levels[i - 1];
        step = d < step ? d : step;
    }
    /* the mean over more and more steps sharpens the first guess, which carries the rounding of two numbers */
    double refined = step, steps = 0;
    size_t off = 0;
    for (size_t i = 1; i < count; i++) {
        const double k = (levels[i] - levels[i - 1]) / refined;
        const double whole = floor(k + 0.5);
        off += fabs(k - whole) > 0.25;
        steps += whole;
        if (steps > 0) {
            refined = (levels[i] - levels[0]) / steps;
        }
    }
    return off * 20 <= count && steps > 0 ? refined : (double)NAN;
}

/* One set of tables for all channels. */
static tw_status find_steps(tw_ctx *ctx, tw_capture_channel *channels, size_t n, size_t samples) {
    double *table = tw_alloc(ctx, LEVEL_SLOTS, sizeof *table);
    bool *used = tw_alloc(ctx, LEVEL_SLOTS, sizeof *used);
    double *levels = tw_alloc(ctx, MOST_LEVELS, sizeof *levels);
    tw_status status = TW_NO_MEMORY;
    if (table != NULL && used != NULL && levels != NULL) {
        for (size_t i = 0; i < n; i++) {
            if (channels[i].finite > 0) {
                memset(used, 0, LEVEL_SLOTS * sizeof *used);
                channels[i].step =
                    lattice_step(levels, collect_levels(channels[i].values, samples, table, used, levels));
            }
        }
        status = TW_OK;
    }
    tw_free(table);
    tw_free(used);
    tw_free(levels);
    return status;
}

/* One pass; finite stays 0 where there is nothing finite. */
static void count_values(tw_capture_channel *channel, size_t samples) {
    const double *v = channel->values;
    double low = (double)INFINITY, high = -(double)INFINITY, sum = 0, lost = 0;
    size_t finite = 0, at_low = 0, at_high = 0;
    for (size_t i = 0; i < samples; i++) {
        if (!isfinite(v[i])) {
            continue;
        }
        finite++;
        if (v[i] <= low) {
            at_low = v[i] < low ? 1 : at_low + 1;
            low = v[i];
        }
        if (v[i] >= high) {
            at_high = v[i] > high ? 1 : at_high + 1;
            high = v[i];
        }
        const double y = v[i] - lost, t = sum + y; /* compensated sum (W. Kahan, CACM 8, 1965, p. 40) */
        lost = (t - sum) - y;
        sum = t;
    }
    channel->finite = finite;
    channel->at_minimum = at_low;
    channel->at_maximum = at_high;
    channel->minimum = finite > 0 ? low : (double)NAN;
    channel->maximum = finite > 0 ? high : (double)NAN;
    channel->mean = finite > 0 ? sum / (double)finite : (double)NAN;
    channel->step = (double)NAN;
}

tw_status tw_capture__summarise(tw_ctx *ctx, tw_capture_channel *channels, size_t n, size_t samples) {
#ifdef _OPENMP
#pragma omp parallel for if (n > 1 && samples > 100000)
#endif
    for (size_t i = 0; i < n; i++) {
        count_values(&channels[i], samples);
    }
    return find_steps(ctx, channels, n, samples);
}

/* From the step of the time column and the words of the preamble to seconds.
 *
 * Order of trust: an option; a unit that stands with the column; a unit that makes column and stated interval agree; a
 * unit of the preamble; seconds where the step is as short as a recorder's (1 ms at most). What stays open is asked.
 */
#include "capture_private.h"

#include <math.h>
#include <string.h>

static const struct {
    const char *name;
    double factor;
} TIME_UNITS[] = {{"s", 1.0}, {"ms", 1e-3}, {"us", 1e-6}, {"ns", 1e-9}};
enum { N_TIME_UNITS = sizeof TIME_UNITS / sizeof TIME_UNITS[0] };

static bool agree(double a, double b) {
    return fabs(a - b) <= 0.01 * fabs(b);
}

static const char *unit_name(double factor) {
    for (size_t i = 0; i < N_TIME_UNITS; i++) {
        if (agree(TIME_UNITS[i].factor, factor)) {
            return TIME_UNITS[i].name;
        }
    }
    return "unit of its own";
}

/* The unit in which the column's step is the stated interval; 0 where none does. */
static double unit_that_agrees(double step, double stated) {
    for (size_t i = 0; i < N_TIME_UNITS; i++) {
        if (agree(step * TIME_UNITS[i].factor, stated)) {
            return TIME_UNITS[i].factor;
        }
    }
    return 0;
}

/* A ratio of 1e3, 1e6 ...: one of the two units is wrong. */
static bool thousands_apart(double a, double b) {
    const double power = log10(a / b) / 3.0;
    return fabs(power - floor(power + 0.5)) < 1e-3 && fabs(power) > 0.5;
}

tw_status tw_capture__check_time_unit(tw_ctx *ctx, const tw_capture_opts *opts) {
    for (size_t i = 0; i < N_TIME_UNITS && opts->time_unit != NULL; i++) {
        if (strcmp(opts->time_unit, TIME_UNITS[i].name) == 0) {
            return TW_OK;
        }
    }
    return opts->time_unit == NULL ? TW_OK
                                   : tw_fail(ctx, TW_BAD_ARGUMENT, CAPTURE_ROOM,
                                             "--time-unit %.20s: s, ms, us or ns is expected", opts->time_unit);
}

typedef struct question {
    tw_ctx *ctx;
    const char *file;
    const tw_capture_opts *opts;
    const capture_layout *layout;
    const capture_column *column;
    const capture_axis *axis;
    tw_warnings *warnings;
    double stated; /* NaN: nothing said */
    bool stated_with_unit;
} question;

static tw_status contradiction(const question *q, double interval) {
    return tw_warn(q->ctx, q->warnings, "interval_contradiction",
                   "the time column steps by %.6g s but the preamble states %.6g s; the column was taken "
                   "(--sample-interval settles it otherwise)",
                   interval, q->stated);
}

static tw_status by_column_unit(const question *q, double factor, const char *where, capture_interval *out) {
    const double interval = q->axis->step * factor;
    out->unit_factor = factor;
    out->seconds = interval;
    (void)snprintf(out->said, sizeof out->said, "the time column in %s (%s)", unit_name(factor), where);
    const bool same =
        isnan(q->stated) || agree(q->stated, interval) || (!q->stated_with_unit && agree(q->stated * factor, interval));
    if (same) {
        return TW_OK;
    }
    if (q->stated_with_unit && q->opts->time_unit == NULL && thousands_apart(q->stated, interval)) {
        return tw_capture__fail(
            q->ctx, TW_NEEDS_OPTION, q->file, q->layout->first_row,
            "the time column says its unit is %s, which makes the interval %.6g s, but the preamble "
            "states %.6g s; settle it with --time-unit or --sample-interval",
            unit_name(factor), interval, q->stated);
    }
    return contradiction(q, interval);
}

static tw_status by_noted_unit(const question *q, double noted, capture_interval *out) {
    double factor = noted;
    if (!isnan(q->stated) && !agree(q->axis->step * noted, q->stated)) {
        const double other = unit_that_agrees(q->axis->step, q->stated);
        if (other == 0) {
            TW_TRY(contradiction(q, q->axis->step * noted));
        } else {
            factor = other;
            TW_TRY(tw_warn(q->ctx, q->warnings, "time_unit_contradiction",
                           "the preamble says that time is in %s, but column and stated interval agree on %s; taken so",
                           unit_name(noted), unit_name(other)));
        }
    }
    out->unit_factor = factor;
    out->seconds = q->axis->step * factor;
    (void)snprintf(out->said, sizeof out->said, "the time column in %s (preamble)", unit_name(factor));
    return TW_OK;
}

/* A step of more than 10 us is slow for a record of a half bridge in seconds, and a usual one in ms or us. Our choice.
 */
static const double DOUBTFUL_STEP = 1.0000001e-5;

static tw_status without_unit(const question *q, capture_interval *out) {
    double factor = 1.0;
    if (!isnan(q->stated)) {
        factor = unit_that_agrees(q->axis->step, q->stated);
        if (factor == 0) {
            return tw_capture__fail(
                q->ctx, TW_NEEDS_OPTION, q->file, q->layout->first_row,
                "the time column (no unit) steps by %.6g but the preamble states an interval of %.6g "
                "s; settle it with --time-unit or --sample-interval",
                q->axis->step, q->stated);
        }
        (void)snprintf(out->said, sizeof out->said, "the time column in %s (it agrees with the stated interval)",
                       unit_name(factor));
    } else if (q->axis->step > 1.0000001e-3) {
        return tw_capture__fail(q->ctx, TW_NEEDS_OPTION, q->file, q->layout->first_row,
                                "the time column steps by %.6g and no unit stands with it; say which with --time-unit",
                                q->axis->step);
    } else {
        (void)snprintf(out->said, sizeof out->said, "the time column in s (no unit stated)");
        if (q->axis->step > DOUBTFUL_STEP) {
            TW_TRY(tw_warn(q->ctx, q->warnings, "time_unit_assumed",
                           "the time column steps by %.6g and no unit stands with it: seconds were assumed; if it is "
                           "in ms or us, say so with --time-unit",
                           q->axis->step));
        }
    }
    out->unit_factor = factor;
    out->seconds = q->axis->step * factor;
    return TW_OK;
}

static tw_status by_time_column(const question *q, capture_interval *out) {
    const capture_column *c = q->column;
    const capture_note *noted = tw_capture__find_note(&q->layout->notes, NOTE_TIME_UNIT, 1, c->name);
    const bool own_unit = c->has_unit && c->unit.kind == UNIT_TIME;
    if (q->opts->time_unit != NULL) {
        const double said = own_unit ? c->unit.factor : noted != NULL ? noted->unit.factor : (double)NAN;
        for (size_t i = 0; i < N_TIME_UNITS; i++) {
            if (strcmp(q->opts->time_unit, TIME_UNITS[i].name) == 0) {
                if (!isnan(said) && !agree(said, TIME_UNITS[i].factor)) {
                    TW_TRY(tw_warn(q->ctx, q->warnings, "time_unit_overridden",
                                   "%s says that time is in %s; %s was taken as asked by --time-unit",
                                   own_unit ? "the header" : "the preamble", unit_name(said), TIME_UNITS[i].name));
                }
                return by_column_unit(q, TIME_UNITS[i].factor, "option", out);
            }
        }
        return tw_capture__check_time_unit(q->ctx, q->opts);
    }
    if (own_unit) {
        return by_column_unit(q, c->unit.factor, "its header", out);
    }
    if (q->axis->index && !(c->named_time && noted != NULL)) {
        out->index = true;
        out->seconds = q->stated;
        (void)snprintf(out->said, sizeof out->said, "the preamble (the first column only counts)");
        return TW_OK;
    }
    return noted != NULL ? by_noted_unit(q, noted->unit.factor, out) : without_unit(q, out);
}

static tw_status use_option(const question *q, double step_s, capture_interval *out) {
    const double wanted = q->opts->sample_interval_s;
    if (!(wanted > 0) || !isfinite(wanted)) {
        return tw_capture__fail(q->ctx, TW_BAD_ARGUMENT, q->file, 0, "--sample-interval must be greater than 0");
    }
    if (isfinite(step_s) && !agree(step_s, wanted)) {
        TW_TRY(tw_warn(q->ctx, q->warnings, "interval_contradiction",
                       "the file says the interval is %.6g s; %.6g s was taken as asked", step_s, wanted));
    }
    out->seconds = wanted;
    (void)snprintf(out->said, sizeof out->said, "the option --sample-interval");
    return TW_OK;
}

tw_status tw_capture__settle_interval(tw_ctx *ctx, const char *file, const tw_capture_opts *opts,
                                      const capture_layout *layout, const capture_column *column,
                                      const capture_axis *axis, tw_warnings *warnings, capture_interval *out) {
    question q = {ctx, file, opts, layout, column, axis, warnings, (double)NAN, false};
    capture_interval result = {.seconds = (double)NAN, .unit_factor = 1.0};
    bool disagree = false;
    q.stated = tw_capture__noted_interval(&layout->notes, &q.stated_with_unit, &disagree);
    const bool option = !isnan(opts->sample_interval_s);
    if (option && column != NULL && (!axis->index || (column->has_unit && column->unit.kind == UNIT_TIME))) {
        const double agreed = unit_that_agrees(axis->step, opts->sample_interval_s);
        result.unit_factor = column->has_unit && column->unit.kind == UNIT_TIME ? column->unit.factor
                             : agreed != 0                                      ? agreed
                                                                                : 1.0;
        TW_TRY(use_option(&q, axis->step * result.unit_factor, &result));
    } else if (option) {
        result.index = column != NULL;
        TW_TRY(use_option(&q, q.stated, &result));
    } else if (column != NULL) {
        TW_TRY(by_time_column(&q, &result));
        /* heavily rounded stamps: what the preamble states is better where it agrees */
        if (!result.index && axis->scatter > 0.05 && q.stated_with_unit && agree(q.stated, result.seconds)) {
            result.seconds = q.stated;
        }
    } else {
        result.seconds = q.stated;
        (void)snprintf(result.said, sizeof result.said, "the preamble");
    }
    const bool from_notes = !option && (column == NULL || result.index);
    if (disagree && from_notes) {
        return tw_capture__fail(ctx, TW_NEEDS_OPTION, file, 0,
                                "the preamble states different sample intervals; settle it with --sample-interval");
    }
    *out = result;
    return TW_OK;
}

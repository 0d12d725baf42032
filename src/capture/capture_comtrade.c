/* COMTRADE records: configuration and data put together.
 *
 * Time: with sampling rates the interval is 1 / rate and stamps only serve as a check; with rate 0 the stamps are
 * fitted like a column of time. Of a record with several rates the stretch with most samples is read: a record here has
 * one interval. Time 0 is the trigger where the dates name one inside the record (or shortly beside it).
 */
#include <ctype.h>
#include <math.h>
#include <string.h>
#include <strings.h>

#include "capture_comtrade.h"

typedef struct stretch {
    size_t from, to; /* rows */
    double rate_hz;  /* 0: stamps */
    double start_s;  /* of its first row after the record's first */
} stretch;

/* The stretch with most samples that the file of `available` rows at most can hold. */
static stretch pick_stretch(const comtrade_cfg *cfg) {
    stretch best = {0, (size_t)cfg->last[0], cfg->n_rates > 0 ? cfg->rate_hz[0] : 0, 0};
    double start_s = 0;
    for (size_t i = 1; i < cfg->n_rates; i++) {
        const size_t from = (size_t)cfg->last[i - 1], to = (size_t)cfg->last[i];
        start_s += (double)(from - (i > 1 ? (size_t)cfg->last[i - 2] : 0)) / cfg->rate_hz[i - 1];
        if (to - from > best.to - best.from) {
            best = (stretch){from, to, cfg->rate_hz[i], start_s};
        }
    }
    return best;
}

/* First sample against trigger; 0 where the dates say nothing plausible. */
static double start_of(const comtrade_cfg *cfg, double span_s, bool *trigger) {
    const double after = cfg->trigger_s;
    *trigger = isfinite(after) && after >= -span_s - 1.0 && after <= 2 * span_s + 1.0;
    return *trigger && after != 0 ? -after : 0.0;
}

static tw_status warn_rows(tw_ctx *ctx, const comtrade_cfg *cfg, const stretch *s, const comtrade_rows *rows,
                           tw_warnings *w) {
    const double stated = cfg->last[cfg->n_rates > 0 ? cfg->n_rates - 1 : 0];
    if (rows->rows < s->to - s->from || rows->cut_record) {
        TW_TRY(tw_warn(ctx, w, "truncated_record", "the data end after %zu of %.10g samples%s", rows->records, stated,
                       rows->cut_record ? ", inside a record" : ""));
    }
    if (rows->beyond && s->to == (size_t)stated) {
        TW_TRY(tw_warn(ctx, w, "samples_beyond_end",
                       "there are more samples than the %.10g that the configuration states; they were left out",
                       stated));
    }
    if (rows->missing > 0) {
        TW_TRY(tw_warn(ctx, w, "missing_rows", "%zu sample(s) are missing by the sample numbers; left open",
                       rows->missing));
    }
    if (cfg->n_status > 0) {
        TW_TRY(tw_warn(ctx, w, "logic_channels", "%zu status channel(s) (logic levels) were left out", cfg->n_status));
    }
    if (cfg->n_rates > 1) {
        TW_TRY(tw_warn(ctx, w, "several_rates",
                       "the record has %zu sampling rates; the stretch with most samples was read: samples %zu to %zu "
                       "at %.6g Hz",
                       cfg->n_rates, s->from + 1, s->to, s->rate_hz));
    }
    for (size_t i = 0; i < cfg->n_analog; i++) {
        const comtrade_analog *c = &cfg->analog[i];
        if (c->at_secondary && c->primary > 0 && c->secondary > 0 && c->primary != c->secondary) {
            return tw_warn(
                ctx, w, "secondary_values",
                "values are those at the secondary side of transformers (%s: multiply by %.6g for the primary "
                "side)",
                c->name, c->primary / c->secondary);
        }
    }
    return TW_OK;
}

/* Stamps beside a rate: equal or missing ones say nothing. */
static tw_status compare_stamps(tw_ctx *ctx, const comtrade_cfg *cfg, const stretch *s, const comtrade_rows *rows,
                                tw_warnings *w) {
    const double span = (rows->last_tick - rows->first_tick) * cfg->tick_s;
    const double interval = rows->last_tick_at > 0 ? span / (double)rows->last_tick_at : 0;
    const double rounding = rows->last_tick_at > 0 ? 2 * cfg->tick_s / (double)rows->last_tick_at : 0;
    if (s->rate_hz > 0 && interval > 0 && fabs(interval * s->rate_hz - 1.0) > 0.01 + rounding * s->rate_hz) {
        return tw_warn(ctx, w, "interval_contradiction",
                       "the time stamps step by %.6g s but the sampling rate says %.6g s; the rate was taken "
                       "(--sample-interval settles it otherwise)",
                       interval, 1.0 / s->rate_hz);
    }
    return TW_OK;
}

static void describe(const comtrade_cfg *cfg, const stretch *s, size_t rows, bool trigger, tw_capture *c) {
    char said[160], date[96] = "";
    (void)snprintf(said, sizeof said, "%.150s", c->understood);
    if (cfg->first_text[0] != '\0') {
        (void)snprintf(date, sizeof date, "; first sample %s", cfg->first_text);
    }
    (void)snprintf(c->understood, sizeof c->understood,
                   "COMTRADE %d, %s, %zu rows, %zu analogue channel(s)%s; time 0 is %s; interval from %s", cfg->year,
                   tw_capture__comtrade_kind_name(cfg->kind), rows, c->n_channels, date,
                   trigger ? "the trigger" : "the first sample",
                   strncmp(said, "the option", 10) == 0 ? said
                   : s->rate_hz > 0                     ? "the sampling rate"
                                                        : "the time stamps");
}

/* With rates: notes give interval and start. Without: column 0 holds the stamps. */
static tw_status settle_columns(tw_ctx *ctx, const comtrade_cfg *cfg, const stretch *s, size_t rows, double *start_s,
                                bool *trigger, capture_layout *layout, size_t *roles) {
    const bool stamps = s->rate_hz == 0;
    double span_s = stamps ? 0 : (double)rows / s->rate_hz;
    if (stamps) {
        capture_column *t = &layout->columns[0];
        t->named_time = t->has_unit = true;
        t->unit = (capture_unit){.kind = UNIT_TIME, .factor = cfg->tick_s, .base = "s"};
        for (size_t i = 0; i < rows; i++) {
            span_s = t->values[i] * cfg->tick_s > span_s ? t->values[i] * cfg->tick_s : span_s;
        }
    }
    *start_s = start_of(cfg, s->start_s + span_s, trigger) + s->start_s;
    for (size_t i = 0; i < layout->n_columns; i++) {
        roles[i] = !stamps ? 0 : i == 0 ? ROLE_TIME : 1;
    }
    return tw_capture__note_interval(ctx, layout, stamps ? (double)NAN : 1.0 / s->rate_hz, *start_s);
}

static bool any_stamp(const double *t, size_t n) {
    bool found = false;
    for (size_t i = 1; i < n && !found; i++) {
        found = t[i] > t[0];
    }
    return found;
}

static tw_status read_record(const capture_source *data, const comtrade_cfg *cfg, const tw_capture_opts *opts,
                             capture_layout *layout, size_t *roles, tw_warnings *warnings, capture_record *out) {
    tw_ctx *ctx = data->ctx;
    stretch s = pick_stretch(cfg);
    comtrade_rows rows;
    bool trigger;
    double start_s;
    TW_TRY(tw_capture__read_comtrade_data(cfg, data, opts, s.from, s.to, s.rate_hz == 0 ? 1 : 0, layout, &rows));
    if (rows.rows < 2) {
        return tw_capture__fail(ctx, TW_BAD_DATA, data->name, 0, "%zu sample(s); a record needs two at least",
                                rows.rows);
    }
    TW_TRY(warn_rows(ctx, cfg, &s, &rows, warnings));
    TW_TRY(compare_stamps(ctx, cfg, &s, &rows, warnings));
    TW_TRY(settle_columns(ctx, cfg, &s, rows.rows, &start_s, &trigger, layout, roles));
    if (s.rate_hz == 0 && !any_stamp(layout->columns[0].values, rows.rows)) {
        for (size_t i = 1; i < layout->n_columns; i++) { /* no time at all: --sample-interval or a question */
            roles[i] = 0;
        }
        roles[0] = ROLE_DROPPED;
    }
    TW_TRY(tw_capture__finish_table(ctx, data->name, opts, layout, roles, rows.rows, out));
    out->capture.start_time_s = start_s;
    for (size_t i = 0; i < out->capture.n_channels; i++) {
        out->capture.channels[i].offset_s = cfg->analog[i].skew_s;
    }
    describe(cfg, &s, rows.rows, trigger, &out->capture);
    const tw_status status = tw_warnings_append(ctx, &out->capture.warnings, warnings);
    if (status != TW_OK) {
        tw_capture_dispose(&out->capture);
    }
    return status;
}

static tw_status read_with(const capture_source *cfg_lines, const capture_source *data, const tw_capture_opts *opts,
                           const comtrade_cfg *cfg, capture_record *out) {
    capture_layout layout = {0};
    tw_warnings warnings = {0};
    capture_record record;
    size_t *roles = tw_alloc(data->ctx, cfg->n_analog + 1, sizeof *roles);
    const tw_status status =
        roles != NULL ? read_record(data, cfg, opts, &layout, roles, &warnings, &record) : TW_NO_MEMORY;
    tw_free(roles);
    tw_capture__drop_layout(&layout);
    tw_warnings_dispose(&warnings);
    TW_TRY(status);
    (void)snprintf(record.capture.source, sizeof record.capture.source, "%.250s", cfg_lines->name);
    *out = record;
    return TW_OK;
}

static tw_status read_lines(const capture_source *part, size_t lines_before, comtrade_cfg *cfg) {
    capture_source lines;
    TW_TRY(tw_capture__open_text(part->ctx, part->name, part->bytes, part->length, &lines));
    lines.line = lines_before;
    const tw_status status = tw_capture__read_comtrade_cfg(&lines, cfg);
    tw_capture__close(&lines);
    return status;
}

tw_status tw_capture__read_comtrade(const capture_source *cfg_source, const capture_source *data,
                                    const tw_capture_opts *opts, capture_record *out) {
    comtrade_cfg cfg;
    TW_TRY(read_lines(cfg_source, 0, &cfg));
    const tw_status status = read_with(cfg_source, data, opts, &cfg, out);
    tw_capture__drop_comtrade_cfg(&cfg);
    return status;
}

/* ---- the single-file form: parts behind lines "--- file type: CFG ---" ---- */

static const char PART[] = "--- file type:";

static bool is_part_line(const char *s, size_t n) {
    return n >= sizeof PART - 1 && strncasecmp(s, PART, sizeof PART - 1) == 0;
}

bool tw_capture__is_comtrade_single(const char *bytes, size_t length) {
    const size_t mark = length >= 3 && memcmp(bytes, "\xef\xbb\xbf", 3) == 0 ? 3 : 0;
    return is_part_line(bytes + mark, length - mark);
}

typedef struct parts {
    capture_source cfg, data;
    bool has_cfg, has_data;
    size_t cfg_line; /* lines before the configuration */
    char data_kind[16];
} parts;

static size_t line_end(const char *s, size_t n, size_t at) {
    const char *end = memchr(s + at, '\n', n - at);
    return end != NULL ? (size_t)(end - s) + 1 : n;
}

/* "DAT BINARY: 4214": kind and bytes announced; SIZE_MAX where no number stands there. */
static size_t data_header(const char *s, size_t n, char *kind, size_t kind_size) {
    size_t i = 3, used = 0;
    while (i < n && s[i] == ' ') {
        i++;
    }
    while (i < n && isalnum((unsigned char)s[i]) && used + 1 < kind_size) {
        kind[used++] = (char)toupper((unsigned char)s[i++]);
    }
    kind[used] = '\0';
    while (i < n && (s[i] == ' ' || s[i] == ':')) {
        i++;
    }
    double count;
    return tw_parse_number(s + i, n - i, &count) > 0 && count >= 0 && count < 1e15 ? (size_t)count : SIZE_MAX;
}

static void find_parts(const capture_source *source, parts *p) {
    const char *s = source->bytes;
    const size_t n = source->length;
    size_t at = tw_capture__is_comtrade_single(s, n) && !is_part_line(s, n) ? 3 : 0, lines = 0;
    while (at < n) {
        const size_t body = line_end(s, n, at);
        lines++;
        if (!is_part_line(s + at, body - at)) {
            at = body;
            continue;
        }
        const capture_cell head = tw_capture__trim(s + at + sizeof PART - 1, body - at - (sizeof PART - 1));
        const bool is_cfg = head.length >= 3 && strncasecmp(head.text, "CFG", 3) == 0;
        const bool is_data = head.length >= 3 && strncasecmp(head.text, "DAT", 3) == 0;
        char kind[16] = "";
        const size_t bytes = is_data ? data_header(head.text, head.length, kind, sizeof kind) : SIZE_MAX;
        const bool binary = is_data && strcmp(kind, "ASCII") != 0;
        size_t end = body, body_lines = 0;
        if (binary) {
            end = bytes < n - body ? body + bytes : n;
        }
        while (!binary && end < n && !is_part_line(s + end, n - end)) {
            end = line_end(s, n, end);
            body_lines++;
        }
        capture_source *part = is_cfg ? &p->cfg : &p->data;
        if ((is_cfg && !p->has_cfg) || (is_data && !p->has_data)) {
            *part = (capture_source){.ctx = source->ctx, .name = source->name, .bytes = s + body, .length = end - body};
            p->has_cfg = p->has_cfg || is_cfg;
            p->has_data = p->has_data || is_data;
            p->cfg_line = is_cfg ? lines : p->cfg_line;
            if (is_data) {
                (void)snprintf(p->data_kind, sizeof p->data_kind, "%s", kind);
            }
        }
        lines += body_lines;
        at = end;
    }
}

tw_status tw_capture__read_comtrade_single(const capture_source *source, const tw_capture_opts *opts,
                                           capture_record *out) {
    parts p = {0};
    comtrade_cfg cfg;
    find_parts(source, &p);
    if (!p.has_cfg || !p.has_data) {
        return tw_capture__fail(source->ctx, TW_BAD_DATA, source->name, 0,
                                "a single-file COMTRADE record without its %s part", p.has_cfg ? "DAT" : "CFG");
    }
    TW_TRY(read_lines(&p.cfg, p.cfg_line, &cfg));
    tw_status status = TW_OK;
    if (p.data_kind[0] != '\0' && strcmp(p.data_kind, tw_capture__comtrade_kind_name(cfg.kind)) != 0) {
        status = tw_capture__fail(source->ctx, TW_BAD_DATA, source->name, 0,
                                  "the configuration says %s data but the data part says %s",
                                  tw_capture__comtrade_kind_name(cfg.kind), p.data_kind);
    }
    if (status == TW_OK) {
        status = read_with(&p.cfg, &p.data, opts, &cfg, out);
    }
    tw_capture__drop_comtrade_cfg(&cfg);
    return status;
}

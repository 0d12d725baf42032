/* The configuration of a COMTRADE record: IEEE C37.111-1991, -1999 and -2013 (IEC 60255-24).
 *
 * What a line holds is told by the number of its fields, not by the year: files of every year mix the editions. The
 * order of the lines is fixed: station; counts; analogue channels; status channels; line frequency; rates; two dates;
 * kind of data; factor of the time stamps (1999 on); time codes (2013 on, not needed here).
 */
#include <ctype.h>
#include <math.h>
#include <string.h>
#include <strings.h>

#include "capture_comtrade.h"

typedef struct cfg_reader {
    capture_source *lines;
    capture_cell cells[COMTRADE_FIELDS];
    size_t n_cells;
} cfg_reader;

static tw_status bad(const cfg_reader *r, const char *what) {
    return tw_capture__fail(r->lines->ctx, TW_BAD_DATA, r->lines->name, r->lines->line, "%s", what);
}

static tw_status next_fields(cfg_reader *r, const char *what) {
    const char *line;
    size_t length;
    TW_TRY(tw_capture__next_line(r->lines, &line, &length));
    if (line == NULL) {
        return tw_capture__fail(r->lines->ctx, TW_BAD_DATA, r->lines->name, r->lines->line,
                                "the configuration ends before its %s", what);
    }
    r->n_cells = tw_capture__split(line, length, ',', r->cells, COMTRADE_FIELDS);
    return TW_OK;
}

static bool cell_number(capture_cell cell, double *out) {
    return cell.length > 0 && tw_parse_number(cell.text, cell.length, out) == cell.length && isfinite(*out);
}

/* "24A": digits and one letter. */
static bool cell_count(capture_cell cell, char letter, size_t *out) {
    size_t value = 0, i = 0;
    for (; i < cell.length && isdigit((unsigned char)cell.text[i]) && i < 7; i++) {
        value = 10 * value + (size_t)(cell.text[i] - '0');
    }
    const capture_cell rest = tw_capture__trim(cell.text + i, cell.length - i);
    *out = value;
    return i > 0 &&
           (letter == '\0' ? rest.length == 0 : rest.length == 1 && toupper((unsigned char)rest.text[0]) == letter);
}

static bool counts_line(const capture_cell *cells, size_t n, size_t counts[3]) {
    return n >= 3 && cell_count(cells[0], '\0', &counts[0]) && cell_count(cells[1], 'A', &counts[1]) &&
           cell_count(cells[2], 'D', &counts[2]);
}

/* The second line is like no other file's: three counts, two of them with their letters. */
bool tw_capture__is_comtrade_cfg(const char *bytes, size_t length) {
    enum { MOST = 4096 };
    const size_t seen = length < MOST ? length : MOST;
    const char *end = memchr(bytes, '\n', seen);
    end = end != NULL ? end : memchr(bytes, '\r', seen);
    if (end == NULL || memchr(bytes, '\0', (size_t)(end - bytes)) != NULL) {
        return false;
    }
    const char *line = end + 1;
    size_t n = 0;
    const size_t left = seen - (size_t)(line - bytes);
    while (n < left && line[n] != '\n' && line[n] != '\r') {
        n++;
    }
    capture_cell cells[4];
    size_t counts[3];
    return counts_line(cells, tw_capture__split(line, n, ',', cells, 4), counts);
}

static tw_status read_analog(cfg_reader *r, comtrade_analog *c) {
    TW_TRY(next_fields(r, "analogue channels"));
    const capture_cell *f = r->cells;
    double skew_us = 0;
    *c = (comtrade_analog){.unit_factor = 1.0, .high = (double)NAN, .primary = (double)NAN, .secondary = (double)NAN};
    if (r->n_cells < 7) {
        return bad(r, "an analogue channel needs 7 fields at least: number, name, phase, circuit, unit, a, b");
    }
    if (!cell_number(f[5], &c->a) || !cell_number(f[6], &c->b)) {
        return bad(r, "the factor a or the offset b of the analogue channel is no number");
    }
    if (r->n_cells > 7 && f[7].length > 0 && !cell_number(f[7], &skew_us)) {
        return bad(r, "the skew of the analogue channel is no number");
    }
    c->skew_s = skew_us / 1e6;
    tw_capture__clean_text(f[1], c->name, sizeof c->name);
    capture_unit unit;
    if (tw_capture__read_unit(f[4], &unit) && unit.kind != UNIT_PER_DIVISION) {
        (void)snprintf(c->unit, sizeof c->unit, "%s", unit.base);
        c->unit_factor = unit.factor;
    } else {
        tw_capture__clean_text(f[4], c->unit, sizeof c->unit);
    }
    if (r->n_cells > 9 && !cell_number(f[9], &c->high)) {
        c->high = (double)NAN;
    }
    if (r->n_cells > 12 && cell_number(f[10], &c->primary) && cell_number(f[11], &c->secondary)) {
        c->at_secondary = f[12].length == 1 && toupper((unsigned char)f[12].text[0]) == 'S';
    }
    return TW_OK;
}

static tw_status read_channels(cfg_reader *r, comtrade_cfg *cfg) {
    size_t counts[3];
    TW_TRY(next_fields(r, "counts of channels"));
    if (!counts_line(r->cells, r->n_cells, counts)) {
        return bad(r, "three counts are expected here: channels, analogue ones with A, status ones with D");
    }
    if (counts[0] != counts[1] + counts[2]) {
        return tw_capture__fail(r->lines->ctx, TW_BAD_DATA, r->lines->name, r->lines->line,
                                "%zu channels are announced but %zu analogue and %zu status ones", counts[0], counts[1],
                                counts[2]);
    }
    if (counts[1] == 0) {
        return bad(r, "no analogue channel: logic levels only");
    }
    if (counts[1] > CAPTURE_MAX_COLUMNS - 1) {
        return tw_capture__fail(r->lines->ctx, TW_TOO_LARGE, r->lines->name, r->lines->line,
                                "%zu analogue channels; %d at most", counts[1], (int)CAPTURE_MAX_COLUMNS - 1);
    }
    cfg->n_analog = counts[1];
    cfg->n_status = counts[2];
    cfg->analog = tw_alloc(r->lines->ctx, cfg->n_analog, sizeof *cfg->analog);
    if (cfg->analog == NULL) {
        return TW_NO_MEMORY;
    }
    for (size_t i = 0; i < cfg->n_analog; i++) {
        TW_TRY(read_analog(r, &cfg->analog[i]));
    }
    for (size_t i = 0; i < cfg->n_status; i++) {
        TW_TRY(next_fields(r, "status channels"));
        if (r->n_cells < 3) {
            return bad(r, "a status channel needs 3 fields at least");
        }
    }
    return TW_OK;
}

static tw_status read_rates(cfg_reader *r, comtrade_cfg *cfg) {
    enum { MOST_RATES = 1000 };
    TW_TRY(next_fields(r, "line frequency"));
    TW_TRY(next_fields(r, "number of rates"));
    if (r->n_cells < 1 || !cell_count(r->cells[0], '\0', &cfg->n_rates) || cfg->n_rates > MOST_RATES) {
        return bad(r, "the number of sampling rates is expected here (0 to 1000)");
    }
    const size_t lines = cfg->n_rates > 0 ? cfg->n_rates : 1; /* without a rate one line still names the last sample */
    cfg->rate_hz = tw_alloc(r->lines->ctx, lines, sizeof *cfg->rate_hz);
    cfg->last = tw_alloc(r->lines->ctx, lines, sizeof *cfg->last);
    if (cfg->rate_hz == NULL || cfg->last == NULL) {
        return TW_NO_MEMORY;
    }
    for (size_t i = 0; i < lines; i++) {
        TW_TRY(next_fields(r, "rates"));
        if (r->n_cells < 2 || !cell_number(r->cells[0], &cfg->rate_hz[i]) || !cell_number(r->cells[1], &cfg->last[i]) ||
            cfg->last[i] != floor(cfg->last[i]) || cfg->last[i] < 0 || cfg->last[i] > 4294967295.0) {
            return bad(r, "a sampling rate and the number of its last sample are expected here");
        }
        if (cfg->n_rates > 0 && !(cfg->rate_hz[i] > 0)) {
            return bad(r, "a sampling rate must be greater than 0");
        }
        if (i > 0 && cfg->last[i] <= cfg->last[i - 1]) {
            return bad(r, "the last samples of the sampling rates do not grow");
        }
    }
    return TW_OK;
}

/* Days since the year 0 of the Gregorian calendar. */
static double day_number(int year, int month, int day) {
    const int y = month > 2 ? year : year - 1, m = month > 2 ? month - 3 : month + 9;
    return 365.0 * y + y / 4 - y / 100 + y / 400 + (153 * m + 2) / 5 +
           day; /* March first: February's end is the last */
}

static size_t take_whole(const char *s, size_t n, size_t at, int *out) {
    size_t i = at;
    int v = 0;
    while (i < n && i - at < 4 && isdigit((unsigned char)s[i])) {
        v = 10 * v + (s[i++] - '0');
    }
    *out = v;
    return i;
}

/* dd/mm/yyyy, with a year of two digits mm/dd/yy (1991). */
static bool read_date(capture_cell c, double *days) {
    int part[3];
    size_t at = 0;
    for (int k = 0; k < 3; k++) {
        const size_t next = take_whole(c.text, c.length, at, &part[k]);
        if (next == at || (k < 2 && (next >= c.length || (c.text[next] != '/' && c.text[next] != '-')))) {
            return false;
        }
        at = next + (k < 2 ? 1 : 0);
    }
    const bool old = part[2] < 100;
    int day = old ? part[1] : part[0], month = old ? part[0] : part[1];
    const int year = old ? part[2] + (part[2] < 70 ? 2000 : 1900) : part[2];
    if (month > 12 && day <= 12) {
        const int other = day;
        day = month;
        month = other;
    }
    *days = day_number(year, month, day);
    return month >= 1 && month <= 12 && day >= 1 && day <= 31;
}

/* hh:mm:ss.ssssss; the digits behind the point are a decimal fraction however many there are. */
static bool read_clock(capture_cell c, double *seconds, bool *nanoseconds) {
    int hours, minutes;
    const size_t a = take_whole(c.text, c.length, 0, &hours);
    if (a == 0 || a >= c.length || c.text[a] != ':') {
        return false;
    }
    const size_t b = take_whole(c.text, c.length, a + 1, &minutes);
    double s;
    if (b == a + 1 || b >= c.length || c.text[b] != ':' ||
        tw_parse_number(c.text + b + 1, c.length - b - 1, &s) != c.length - b - 1 || !(s >= 0 && s < 61)) {
        return false;
    }
    const char *point = memchr(c.text + b, '.', c.length - b);
    *nanoseconds = point != NULL && (size_t)(c.text + c.length - point) > 7;
    *seconds = 3600.0 * hours + 60.0 * minutes + s;
    return true;
}

/* Days and seconds apart: microseconds would drown in the seconds of two thousand years. */
typedef struct moment {
    double days, seconds; /* NaN where not stated */
} moment;

static tw_status read_moment(cfg_reader *r, const char *what, moment *out, char *said, size_t said_size,
                             bool *nanoseconds) {
    TW_TRY(next_fields(r, what));
    double days, seconds;
    *out = (moment){(double)NAN, (double)NAN};
    if (r->n_cells >= 2 && read_date(r->cells[0], &days) && read_clock(r->cells[1], &seconds, nanoseconds)) {
        *out = (moment){days, seconds};
        if (said != NULL) {
            char date[24], clock[24];
            tw_capture__clean_text(r->cells[0], date, sizeof date);
            tw_capture__clean_text(r->cells[1], clock, sizeof clock);
            (void)snprintf(said, said_size, "%s %s", date, clock);
        }
    }
    return TW_OK;
}

const char *tw_capture__comtrade_kind_name(comtrade_kind kind) {
    static const char *const NAMES[] = {"ASCII", "BINARY", "BINARY32", "FLOAT32"};
    return NAMES[kind];
}

static tw_status read_kind(cfg_reader *r, comtrade_cfg *cfg) {
    TW_TRY(next_fields(r, "kind of data"));
    for (int k = COMTRADE_ASCII; k <= COMTRADE_FLOAT32 && r->n_cells > 0; k++) {
        const char *name = tw_capture__comtrade_kind_name((comtrade_kind)k);
        if (r->cells[0].length == strlen(name) && strncasecmp(r->cells[0].text, name, strlen(name)) == 0) {
            cfg->kind = (comtrade_kind)k;
            return TW_OK;
        }
    }
    return bad(r, "the kind of data is expected here: ASCII, BINARY, BINARY32 or FLOAT32");
}

static tw_status read_all(cfg_reader *r, comtrade_cfg *cfg) {
    double year = 1991;
    bool nanoseconds = false, unused;
    TW_TRY(next_fields(r, "first line"));
    cfg->year = r->n_cells > 2 && cell_number(r->cells[2], &year) && year > 1900 && year < 3000 ? (int)year : 1991;
    TW_TRY(read_channels(r, cfg));
    TW_TRY(read_rates(r, cfg));
    moment first, trigger;
    TW_TRY(read_moment(r, "date of the first sample", &first, cfg->first_text, sizeof cfg->first_text, &nanoseconds));
    TW_TRY(read_moment(r, "date of the trigger", &trigger, NULL, 0, &unused));
    cfg->trigger_s = 86400.0 * (trigger.days - first.days) + (trigger.seconds - first.seconds);
    TW_TRY(read_kind(r, cfg));
    /* stamps count microseconds, or nanoseconds where the dates are written to nanoseconds (2013) */
    double factor = 1.0;
    const char *line;
    size_t length;
    TW_TRY(tw_capture__next_line(r->lines, &line, &length));
    const capture_cell cell = line != NULL ? tw_capture__trim(line, length) : (capture_cell){0};
    if (cell.length > 0 && (!cell_number(cell, &factor) || !(factor > 0))) {
        return bad(r, "the factor of the time stamps is expected here");
    }
    cfg->tick_s = factor * (nanoseconds ? 1e-9 : 1e-6);
    return TW_OK;
}

tw_status tw_capture__read_comtrade_cfg(capture_source *lines, comtrade_cfg *out) {
    cfg_reader r = {.lines = lines};
    comtrade_cfg cfg = {0};
    const tw_status status = read_all(&r, &cfg);
    if (status != TW_OK) {
        tw_capture__drop_comtrade_cfg(&cfg);
        return status;
    }
    *out = cfg;
    return TW_OK;
}

void tw_capture__drop_comtrade_cfg(comtrade_cfg *cfg) {
    tw_free(cfg->analog);
    tw_free(cfg->rate_hz);
    tw_free(cfg->last);
    *cfg = (comtrade_cfg){0};
}

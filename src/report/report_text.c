/* Text for a terminal: the reading.
 *
 * One field a line and only those that a bench person looks for first, so that about thirty lines of less than 80
 * columns hold everything; JSON and HTML show all fields.
 */
#include "report_private.h"
#include "report_text_private.h"

#include <math.h>
#include <string.h>

#define TITLE_WIDTH 8
#define LABEL_WIDTH 32
#define EDGE_WIDTH 26

static const struct {
    const char *title;
    const char *keys[8];
} GROUPS[] = {
    {"Drive", {"switching_frequency", "resonant_frequency", "rail_voltage", "loop_gain", "channel_skew"}},
    {"Power", {"real_power", "reactive_power", "apparent_power", "pan_power"}},
    {"Coil",
     {"coil_current_peak", "coil_current_rms", "coil_voltage_rms", "capacitor_voltage_peak", "bridge_phase_lag"}},
    {"Tank", {"equivalent_resistance", "equivalent_inductance", "tank_capacitance", "midpoint_capacitance"}},
};

static const char *const EDGE_KEYS[] = {"turn_off_current", "swing_time", "zero_crossing_margin",
                                        "forced_commutation_energy"};

void report__text_emphasis(tw_text *out, const tw_report_text_opts *opts, report__emphasis kind, const char *text) {
    /* ECMA-48 SGR: 1 bold, 31 red, 32 green, 33 yellow, 0 plain */
    static const char *const CODES[] = {"\033[1m", "\033[1;32m", "\033[1;33m", "\033[1;31m"};
    const bool on = opts != NULL && opts->emphasis;
    tw_text_addf(out, "%s%s%s", on ? CODES[kind] : "", text, on ? "\033[0m" : "");
}

void report__text_clean(tw_text *out, const char *text) {
    for (const char *c = text; *c != '\0'; c++) {
        tw_text_append(out, (unsigned char)*c < 0x20 || *c == 0x7F ? "?" : c, 1);
    }
}

void report__text_pad(tw_text *out, const char *text, size_t width) {
    const size_t n = tw_utf8_count(text, strlen(text));
    report__text_clean(out, text);
    for (size_t i = n; i < width; i++) {
        tw_text_append(out, " ", 1);
    }
}

/* The same with the first line beginning at `column`. */
static void wrap_from(tw_text *out, size_t column, size_t indent, const char *text) {
    bool fresh = true;
    for (const char *word = text + strspn(text, " \n"); *word != '\0';) {
        const size_t bytes = strcspn(word, " \n");
        const size_t width = tw_utf8_count(word, bytes);
        if (!fresh && column + 1 + width > REPORT_TEXT_COLUMNS) {
            tw_text_append(out, "\n", 1);
            report__text_pad(out, "", indent);
            column = indent;
            fresh = true;
        }
        tw_text_add(out, fresh ? "" : " ");
        for (size_t k = 0; k < bytes; k++) {
            tw_text_append(out, (unsigned char)word[k] < 0x20 || word[k] == 0x7F ? "?" : word + k, 1);
        }
        column += width + (fresh ? 0 : 1);
        fresh = false;
        word += bytes;
        word += strspn(word, " \n");
    }
    tw_text_append(out, "\n", 1);
}

void report__text_wrap(tw_text *out, size_t indent, const char *text) {
    wrap_from(out, indent, indent, text);
}

void report__text_warnings(tw_text *out, const tw_warnings *warnings, const tw_report_text_opts *opts) {
    for (size_t i = 0; i < warnings->count; i++) {
        report__text_title(out, opts, REPORT_DOUBTFUL, i == 0 ? "Warning" : "");
        report__text_wrap(out, TITLE_WIDTH, warnings->items[i].message);
    }
}

void report__text_cautions(tw_text *out, const tw_report_text_opts *opts) {
    for (size_t i = 0; tw_report_caution(i) != NULL && (opts == NULL || !opts->no_cautions); i++) {
        report__text_title(out, opts, REPORT_BOLD, i == 0 ? "Caution" : "");
        report__text_wrap(out, TITLE_WIDTH, tw_report_caution(i));
    }
}

void report__text_title(tw_text *out, const tw_report_text_opts *opts, report__emphasis kind, const char *title) {
    if (title[0] == '\0') {
        report__text_pad(out, "", TITLE_WIDTH);
        return;
    }
    report__text_emphasis(out, opts, kind, title);
    for (size_t i = strlen(title); i < TITLE_WIDTH; i++) {
        tw_text_append(out, " ", 1);
    }
}

static void put_fields(const tw_reading *reading, const tw_report_text_opts *opts, tw_text *out) {
    for (size_t g = 0; g < sizeof GROUPS / sizeof GROUPS[0]; g++) {
        const char *title = GROUPS[g].title;
        for (size_t k = 0; GROUPS[g].keys[k] != NULL; k++) {
            const tw_field *f = tw_reading_field(reading, GROUPS[g].keys[k]);
            /* what only a record can tell is no gap in a forecast */
            if (f == NULL || (reading->kind == TW_READING_FORECAST && !tw_is_known(f->value))) {
                continue;
            }
            char value[TW_QUANTITY_TEXT];
            report__format(f->value, f->unit, value);
            report__text_title(out, opts, REPORT_BOLD, title);
            report__text_pad(out, f->label, LABEL_WIDTH);
            tw_text_addf(out, "%s\n", value);
            title = "";
        }
    }
}

static void put_edge_row(tw_text *out, const char *label, const char *falling, const char *rising) {
    report__text_pad(out, label, LABEL_WIDTH - 6);
    report__text_pad(out, falling, EDGE_WIDTH);
    tw_text_addf(out, "%s\n", rising);
}

/* "0.4 us to 1.6 us", "none", or "-" where the reading does not tell. */
static void soft_dead_time(const tw_reading_edge *edge, char *out) {
    const tw_field *low = report__edge_field(edge, "dead_time_shortest");
    const tw_field *high = report__edge_field(edge, "dead_time_longest");
    if (low == NULL || high == NULL) {
        (void)snprintf(out, TW_QUANTITY_TEXT, "-");
    } else if (!tw_is_known(low->value) || !tw_is_known(high->value)) {
        (void)snprintf(out, TW_QUANTITY_TEXT, "none");
    } else {
        char shortest[TW_QUANTITY_TEXT], longest[TW_QUANTITY_TEXT];
        report__format_short(low->value, "s", shortest);
        report__format_short(high->value, "s", longest);
        (void)snprintf(out, TW_QUANTITY_TEXT, "%.70s to %.70s", shortest, longest);
    }
}

/* Whether a row says anything: a loss of nothing on both edges does not. */
static bool worth_a_row(const tw_field *falling, const tw_field *rising) {
    const bool loss = strncmp((falling != NULL ? falling : rising)->key, "forced", 6) == 0;
    return !loss || (falling != NULL && falling->value.value > 0) || (rising != NULL && rising->value.value > 0);
}

static void put_edges(const tw_reading *reading, const tw_report_text_opts *opts, tw_text *out) {
    char value[2][TW_QUANTITY_TEXT];
    for (size_t e = 0; e < 2; e++) {
        (void)snprintf(value[e], sizeof value[e], "%s: %s", reading->edges[e].name,
                       report__verdict_name(reading->edges[e].verdict));
    }
    report__text_title(out, opts, REPORT_BOLD, "Edges");
    put_edge_row(out, "", value[0], value[1]);
    for (size_t k = 0; k < sizeof EDGE_KEYS / sizeof EDGE_KEYS[0]; k++) {
        const tw_field *f[2] = {report__edge_field(&reading->edges[0], EDGE_KEYS[k]),
                                report__edge_field(&reading->edges[1], EDGE_KEYS[k])};
        if ((f[0] == NULL && f[1] == NULL) || !worth_a_row(f[0], f[1])) {
            continue;
        }
        for (size_t e = 0; e < 2; e++) {
            report__format(f[e] != NULL ? f[e]->value : tw_unknown(), f[e] != NULL ? f[e]->unit : "", value[e]);
        }
        report__text_title(out, opts, REPORT_BOLD, "");
        put_edge_row(out, f[f[0] == NULL]->label, value[0], value[1]);
    }
    for (size_t e = 0; e < 2; e++) {
        soft_dead_time(&reading->edges[e], value[e]);
    }
    report__text_title(out, opts, REPORT_BOLD, "");
    put_edge_row(out, "soft dead times", value[0], value[1]);
}

/* Emphasis holds over the line ends. */
static tw_status put_verdict(tw_text *out, const tw_report_text_opts *opts, report__emphasis kind,
                             const char *verdict) {
    tw_text lines;
    tw_text_init(out->ctx, &lines, 4096);
    wrap_from(&lines, 0, TITLE_WIDTH, verdict);
    const tw_status status = lines.status;
    if (status == TW_OK) {
        tw_text_cut(&lines, lines.length - 1);
        report__text_emphasis(out, opts, kind, tw_text_string(&lines));
        tw_text_append(out, "\n", 1);
    }
    tw_text_dispose(&lines);
    return status;
}

tw_status tw_report_text_reading(tw_ctx *ctx, const tw_reading *reading, const tw_report_text_opts *opts,
                                 tw_text *out) {
    tw_text line;
    tw_text_init(ctx, &line, 4096);
    tw_status status = tw_report_verdict(ctx, reading, &line);
    if (status == TW_OK) {
        static const report__emphasis KIND[] = {[TW_COMMUTATION_UNKNOWN] = REPORT_BOLD,
                                                [TW_COMMUTATION_FULL_ZVS] = REPORT_GOOD,
                                                [TW_COMMUTATION_PARTIAL_ZVS] = REPORT_DOUBTFUL,
                                                [TW_COMMUTATION_REBOUND] = REPORT_DOUBTFUL,
                                                [TW_COMMUTATION_HARD] = REPORT_BAD};
        status = put_verdict(out, opts, KIND[reading->commutation], tw_text_string(&line));
    }
    if (status == TW_OK) {
        tw_text_cut(&line, 0);
        status = tw_report_advice(ctx, reading, &line);
    }
    if (status == TW_OK && line.length > 0) {
        report__text_title(out, opts, REPORT_BOLD, "To do");
        report__text_wrap(out, TITLE_WIDTH, tw_text_string(&line));
    }
    tw_text_dispose(&line);
    TW_TRY(status);

    report__text_clean(out, reading->title[0] != '\0' ? reading->title : "Untitled rig");
    tw_text_add(out, reading->kind == TW_READING_FORECAST ? ", forecast" : ", measured from ");
    report__text_clean(out, reading->source);
    bool stated = false;
    for (size_t i = 0; i < reading->n_fields; i++) {
        stated = stated || reading->fields[i].value.u > 0;
    }
    tw_text_add(out, stated ? " (u: standard uncertainty)\n" : "\n");

    put_fields(reading, opts, out);
    put_edges(reading, opts, out);
    report__text_warnings(out, &reading->warnings, opts);
    report__text_cautions(out, opts);
    return out->status;
}

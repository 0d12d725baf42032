/* Text for a terminal: the pick-ups. */
#include "report_pickup_private.h"
#include "report_text_private.h"

#include <math.h>
#include <string.h>

#define TITLE_WIDTH 8
#define LABEL_WIDTH 36

static const char *const TITLES[TW_PICKUP_GROUP_COUNT] = {
    [TW_PICKUP_CORE] = "Parts",  [TW_PICKUP_SCALE] = "Scale",   [TW_PICKUP_RANGE] = "Range",
    [TW_PICKUP_BAND] = "Errors", [TW_PICKUP_BURDEN] = "Burden", [TW_PICKUP_EFFECT] = "Power",
    [TW_PICKUP_LOOP] = "Loop"};

/* Shares that read better in percent. */
static bool is_share(const char *key) {
    static const char *const SHARES[] = {"droop", "ratio_error", "real_power_error", "real_power_error_left",
                                         "loop_loading"};
    for (size_t k = 0; k < sizeof SHARES / sizeof SHARES[0]; k++) {
        if (strcmp(key, SHARES[k]) == 0) {
            return true;
        }
    }
    return false;
}

/* A share in percent, an area in square millimetres, a small gain as 1/n. */
static void format_field(const tw_field *field, char *out) {
    tw_field whole = *field;
    const tw_field *f = &whole;
    if (whole.value.u < 1e-3 * fabs(whole.value.value)) { /* more digits than anybody reads */
        whole.value.u = 0;
    }
    const bool share = is_share(f->key), area = strcmp(f->unit, "m2") == 0;
    const bool gain = strncmp(f->key, "loop_gain", 9) == 0 && f->value.value < 0.5;
    if (!share && !area && !gain) {
        report__format(f->value, f->unit, out);
        if (strcmp(f->key, "accuracy_class") == 0 || strcmp(f->key, "turns") == 0) {
            report__format_set(f->value.value, "", out);
        }
        return;
    }
    char number[TW_QUANTITY_TEXT];
    if (gain) {
        report__format_set(1 / f->value.value, "", number);
        (void)snprintf(out, TW_QUANTITY_TEXT, "1/%.100s", number);
        return;
    }
    const double factor = share ? 100 : 1e6;
    report__format((tw_value){f->value.value * factor, f->value.u * factor}, "", number);
    (void)snprintf(out, TW_QUANTITY_TEXT, "%.100s %s", number, share ? "%" : "mm2");
}

/* What the first line says already, or is too small for anybody to care. */
static bool is_left_out(const tw_field *f) {
    const bool tiny = strcmp(f->key, "insertion_inductance") == 0 && fabs(f->value.value) < 1e-10;
    return tiny || strcmp(f->key, "linear_range") == 0;
}

static void put_fields(const tw_pickup_plan *plan, const tw_report_text_opts *opts, tw_text *out) {
    int group = -1;
    for (size_t k = 0; k < plan->n_fields; k++) {
        const tw_field *f = &plan->fields[k];
        if (is_left_out(f)) {
            continue;
        }
        char value[TW_QUANTITY_TEXT];
        format_field(f, value);
        report__text_title(out, opts, REPORT_BOLD, f->group != group ? TITLES[f->group] : "");
        report__text_pad(out, f->label, LABEL_WIDTH);
        tw_text_addf(out, "%s\n", value);
        group = f->group;
    }
}

static void put_burdens(const tw_pickup_plan *plan, const tw_report_text_opts *opts, tw_text *out) {
    for (size_t k = 0; k < plan->n_burdens; k++) {
        const tw_burden_choice *b = &plan->burdens[k];
        char ohm[TW_QUANTITY_TEXT], scale[TW_QUANTITY_TEXT];
        report__format_set(b->resistance_ohm, "ohm", ohm);
        report__format_set(b->scale_v_per_a, "V/A", scale);
        report__text_title(out, opts, REPORT_BOLD, k == 0 ? "Choose" : "");
        tw_text_addf(out, "%s: %s gives %s, %+.1f %% off the wanted scale\n", b->series, ohm, scale,
                     100 * b->deviation);
    }
}

static double value_of(const tw_pickup_plan *plan, const char *key) {
    const tw_field *f = tw_pickup_plan_field(plan, key);
    return f != NULL ? f->value.value : (double)NAN;
}

/* "Current transformer: peaks of 47 A lie within its linear range of 95 A". */
static report__emphasis put_current_verdict(const tw_pickup_plan *plan, tw_text *line) {
    const bool wound = plan->current_kind == TW_CURRENT_PICKUP_TRANSFORMER;
    const double peak_a = value_of(plan, "coil_current_peak"), range_a = value_of(plan, "linear_range");
    char peak[TW_QUANTITY_TEXT], range[TW_QUANTITY_TEXT];
    report__format_sentence(tw_exactly(peak_a), "A", REPORT_UP, peak);
    report__format_sentence(tw_exactly(range_a), "A", REPORT_DOWN, range);
    tw_text_add(line, wound ? "Current transformer: " : "Rogowski coil: ");
    if (isnan(peak_a)) {
        tw_text_add(line, "what will flow is not known");
        if (!isnan(range_a)) {
            tw_text_addf(line, "; linear to %s", range);
        }
        return REPORT_BOLD;
    }
    if (isnan(range_a)) {
        tw_text_addf(line,
                     wound ? "peaks of %s; its linear range is not known (state clamp_onset, core and saturation)"
                           : "peaks of %s; nothing in it saturates but its integrator",
                     peak);
        return REPORT_BOLD;
    }
    if (peak_a > range_a) {
        tw_text_addf(line, "too small - peaks of %s, linear to %s only", peak, range);
        return REPORT_BAD;
    }
    tw_text_addf(line, "fit - peaks of %s lie within its linear range of %s", peak, range);
    return REPORT_GOOD;
}

static void put_loop_verdict(const tw_pickup_plan *plan, tw_text *line) {
    const double volts = value_of(plan, "loop_voltage_peak");
    char text[TW_QUANTITY_TEXT];
    report__format_sentence(tw_exactly(volts), "V", REPORT_NEAREST, text);
    if (isnan(volts)) {
        tw_text_add(line, "Sense loop: what it will give is not known; analyse finds its gain from the record");
    } else {
        tw_text_addf(line, "Sense loop: about %s peak; analyse finds the exact gain from the record", text);
    }
}

static tw_status put_verdicts(const tw_pickup_plan *plan, const tw_report_text_opts *opts, tw_text *out) {
    tw_text line;
    tw_text_init(out->ctx, &line, 2048);
    if (plan->current_kind != TW_CURRENT_PICKUP_NONE) {
        const report__emphasis kind = put_current_verdict(plan, &line);
        report__text_emphasis(out, opts, kind, tw_text_string(&line));
        tw_text_add(out, "\n");
        tw_text_cut(&line, 0);
    }
    if (plan->voltage_kind != TW_VOLTAGE_PICKUP_NONE) {
        put_loop_verdict(plan, &line);
        report__text_emphasis(out, opts, REPORT_BOLD, tw_text_string(&line));
        tw_text_add(out, "\n");
    }
    const tw_status status = line.status;
    tw_text_dispose(&line);
    return status;
}

tw_status tw_report_text_pickup(tw_ctx *ctx, const tw_pickup_plan *plan, const tw_report_text_opts *opts,
                                tw_text *out) {
    (void)ctx; /* the text carries its own */
    TW_TRY(put_verdicts(plan, opts, out));
    report__text_clean(out, plan->title[0] != '\0' ? plan->title : "Untitled rig");
    bool stated = false;
    for (size_t k = 0; k < plan->n_fields; k++) {
        stated = stated || plan->fields[k].value.u > 0;
    }
    tw_text_add(out, stated ? ", pick-ups (u: standard uncertainty)\n" : ", pick-ups\n");
    put_fields(plan, opts, out);
    put_burdens(plan, opts, out);
    if (plan->current_kind != TW_CURRENT_PICKUP_NONE) {
        report__text_title(out, opts, REPORT_BOLD, "");
        report__text_wrap(out, TITLE_WIDTH,
                          "analyse undoes droop and winding by itself; the errors above matter for a reading by eye");
    }
    report__text_warnings(out, &plan->warnings, opts); /* before the advice, which is the same each time */
    const char *text;
    for (size_t k = 0; (text = report__pickup_placement(plan, k)) != NULL; k++) {
        report__text_title(out, opts, REPORT_BOLD, k == 0 ? "Where" : "");
        report__text_wrap(out, TITLE_WIDTH, text);
    }
    for (size_t k = 0; (text = report__pickup_check(plan, k)) != NULL; k++) {
        report__text_title(out, opts, REPORT_BOLD, k == 0 ? "Check" : "");
        tw_text_add(out, "[ ] ");
        report__text_wrap(out, TITLE_WIDTH + 4, text);
    }
    report__text_cautions(out, opts);
    return out->status;
}

/* The verdict on the commutation in plain words, what it asks for, and the cautions. */
#include "report_private.h"

#include <math.h>

/* Which edges carry the reading's verdict: "both edges", "the falling edge". */
static const char *which_edges(const tw_reading *reading) {
    const bool falling = reading->edges[0].verdict == reading->commutation;
    const bool rising = reading->edges[1].verdict == reading->commutation;
    return falling == rising ? "both edges" : falling ? "the falling edge" : "the rising edge";
}

/* The smallest (sign = 1) or largest (sign = -1) value of a field over the edges that carry the verdict. */
static tw_value extreme(const tw_reading *reading, const char *key, double sign) {
    tw_value chosen = tw_unknown();
    for (size_t e = 0; e < 2; e++) {
        const tw_value v = report__edge_value(&reading->edges[e], key);
        if (reading->edges[e].verdict == reading->commutation && tw_is_known(v) &&
            (!tw_is_known(chosen) || sign * v.value < sign * chosen.value)) {
            chosen = v;
        }
    }
    return chosen;
}

static void verdict_full(const tw_reading *reading, tw_text *out) {
    const tw_value margin = extreme(reading, "zero_crossing_margin", 1);
    if (!tw_is_known(margin)) {
        tw_text_add(out, " - the swing ends before the current turns");
        return;
    }
    char text[TW_QUANTITY_TEXT];
    report__format_sentence(margin, "s", REPORT_NEAREST, text);
    tw_text_addf(out, " - the swing ends %s before the current turns", text);
}

static void verdict_rest(const tw_reading *reading, const char *what, const char *plain, tw_text *out) {
    const tw_value volts = extreme(reading, "forced_voltage", -1);
    if (!tw_is_known(volts) || !(volts.value > 0)) {
        tw_text_addf(out, " - %s", plain);
        return;
    }
    char text[TW_QUANTITY_TEXT];
    report__format_sentence(volts, "V", REPORT_NEAREST, text);
    tw_text_addf(out, " - %s %s", what, text);
}

tw_status tw_report_verdict(tw_ctx *ctx, const tw_reading *reading, tw_text *out) {
    (void)ctx; /* the text carries its own */
    if (reading->commutation == TW_COMMUTATION_UNKNOWN) {
        tw_text_add(out, "Commutation: not determined");
        return out->status;
    }
    tw_text_addf(out, "Commutation: %s on %s", report__verdict_name(reading->commutation), which_edges(reading));
    switch (reading->commutation) {
    case TW_COMMUTATION_FULL_ZVS:
        verdict_full(reading, out);
        break;
    case TW_COMMUTATION_PARTIAL_ZVS:
        verdict_rest(reading, "the swing is not complete, the closing switch forces the last",
                     "the swing is not complete, the closing switch forces the rest", out);
        break;
    case TW_COMMUTATION_REBOUND:
        verdict_rest(reading,
                     "the current turned within the dead time and the midpoint sprang back; the switch closes on",
                     "the current turned within the dead time and the midpoint sprang back", out);
        break;
    case TW_COMMUTATION_HARD:
        verdict_rest(reading, "the current is against the swing at turn-off, the closing switch forces",
                     "the current is against the swing at turn-off, the closing switch forces it", out);
        break;
    case TW_COMMUTATION_UNKNOWN:
        break;
    }
    return out->status;
}

/* The dead times that are soft on every edge that carries the verdict. */
static bool common_window(const tw_reading *reading, char *shortest, char *longest) {
    const tw_value low = extreme(reading, "dead_time_shortest", -1);
    const tw_value high = extreme(reading, "dead_time_longest", 1);
    if (!tw_is_known(low) || !tw_is_known(high) || !(low.value < high.value)) {
        return false;
    }
    report__format_sentence(low, "s", REPORT_UP, shortest);
    report__format_sentence(high, "s", REPORT_DOWN, longest);
    return true;
}

tw_status tw_report_advice(tw_ctx *ctx, const tw_reading *reading, tw_text *out) {
    (void)ctx;
    char shortest[TW_QUANTITY_TEXT], longest[TW_QUANTITY_TEXT];
    const bool window = common_window(reading, shortest, longest);
    switch (reading->commutation) {
    case TW_COMMUTATION_PARTIAL_ZVS:
    case TW_COMMUTATION_REBOUND:
        if (window) {
            tw_text_addf(out, "A dead time between %s and %s would be soft here", shortest, longest);
        } else {
            tw_text_add(out, "No dead time is soft here: the swing needs more turn-off current (a higher frequency) or "
                             "less snubber capacitance");
        }
        break;
    case TW_COMMUTATION_HARD:
        tw_text_add(out, "Raise the frequency above resonance, so that the current lags and drives the swing; until "
                         "then each turn-on is at full voltage and against a conducting diode");
        break;
    case TW_COMMUTATION_FULL_ZVS:
    case TW_COMMUTATION_UNKNOWN:
        break;
    }
    return out->status;
}

/* Common practice of work on mains-fed power stages; no single source. */
const char *tw_report_caution(size_t index) {
    static const char *const CAUTIONS[] = {
        "Every part is at mains potential, even where it looks isolated; mind local electrical rules.",
        "Never lift the recorder's earth. Pick-ups need insulation for the mains and its transients.",
        "The rail stays lethal after unplugging: discharge it and verify before you touch anything.",
        "Hot workpieces, strong fields: no active implants near; licensed person where the law asks.",
    };
    return index < sizeof CAUTIONS / sizeof CAUTIONS[0] ? CAUTIONS[index] : NULL;
}

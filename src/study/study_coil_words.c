/* What the numbers of coil and pan come to, in sentences; and the texts of the options.
 *
 * The measure of a pan is the usual steel pan over the same coil (a preset: common practice, no source): power at equal
 * current goes with R, and R of a thick sheet with its surface resistance 1/(s d), which rises as the root of the
 * frequency. */
#include "study_coil.h"

#include <math.h>
#include <string.h>

#include "tankwright/units.h"

/* Our own: below a third of the steel pan's R the current for equal power is 1.7 times as large, three times the loss
 * in switches and winding. */
#define REFUSED_BELOW 0.33
#define WEAK_COUPLING 0.3
#define HIGH_Q 10.0
#define TRANSPARENT_PERCENT 10.0

static char *next_line(tw_coil_study *out) {
    const size_t most = sizeof out->says / sizeof out->says[0];
    return out->n_says < most ? out->says[out->n_says++] : NULL;
}

static void say(tw_coil_study *out, const char *format, ...) TW_PRINTF(2, 3);
static void say(tw_coil_study *out, const char *format, ...) {
    char *line = next_line(out);
    va_list list;
    va_start(list, format);
    if (line != NULL) {
        (void)vsnprintf(line, sizeof out->says[0], format, list);
    }
    va_end(list);
}

static void say_resonance(const tw_rig *rig, const tw_study__coil_at *at, tw_coil_study *out) {
    if (!tw_is_known(rig->tank.capacitance_f)) {
        return;
    }
    const double f0 = 1.0 / (2.0 * TW_PI * sqrt(at->loaded_h * rig->tank.capacitance_f.value));
    const double q = 2.0 * TW_PI * f0 * at->loaded_h / at->total_ohm;
    if (out->frequency_hz < f0) {
        say(out,
            "With this pan the tank resonates at %.1f kHz, above the switching at %.1f kHz: the current leads, every "
            "edge "
            "is hard, and a plate that guards against that stops.",
            f0 / 1e3, out->frequency_hz / 1e3);
    } else {
        say(out,
            "With this pan the tank resonates at %.1f kHz with a Q of %.1f; the switching at %.1f kHz is above it.",
            f0 / 1e3, q, out->frequency_hz / 1e3);
    }
}

tw_status tw_study__coil_says(tw_ctx *ctx, const tw_rig *rig, const tw_study__coil *c, const tw_study__coil_at *at,
                              tw_coil_study *out) {
    if (!out->has_pan) {
        say(out, "No pan: pan.kind is not field. R is the winding's own, and nothing is heated but the coil.");
        return TW_OK;
    }
    const double temperature = tw_is_known(rig->pan.temperature_c) ? rig->pan.temperature_c.value : TW_STUDY_PAN_C;
    tw_stack steel;
    tw_study__coil_at usual;
    if (!tw_pan_preset("steel", temperature, &steel)) {
        return tw_fail(ctx, TW_INTERNAL, "study", "no pan called steel");
    }
    TW_TRY(tw_study__coil_preset_saturate(ctx, rig, c, "steel", &steel));
    TW_TRY(tw_study__coil_point(ctx, c, &steel, c->gap_m, c->frequency_hz, &usual));
    const double ratio = at->pan_ohm / usual.pan_ohm;
    const double lowered = 100.0 * (1.0 - at->loaded_h / at->bare_h);
    if (ratio < REFUSED_BELOW && lowered < -TRANSPARENT_PERCENT) {
        say(out,
            "This pan leads the flux and takes no heat: it adds %.3g ohm, where a steel pan adds %.3g ohm, and raises "
            "L "
            "from %.3g uH to %.3g uH, as ferrite does.",
            at->pan_ohm, usual.pan_ohm, at->bare_h * 1e6, at->loaded_h * 1e6);
    } else if (ratio < REFUSED_BELOW && lowered < TRANSPARENT_PERCENT) {
        say(out,
            "The field goes through this pan: it adds %.3g ohm, where a steel pan adds %.3g ohm, and L hardly changes, "
            "from %.3g uH to %.3g uH. It is too thin, conducts too little or stands too far away.",
            at->pan_ohm, usual.pan_ohm, at->bare_h * 1e6, at->loaded_h * 1e6);
    } else if (ratio < REFUSED_BELOW) {
        say(out,
            "A plate made for steel refuses this pan: it adds %.3g ohm, where a steel pan adds %.3g ohm, and lowers L "
            "by "
            "%.0f %%, where steel lowers it by %.0f %%.",
            at->pan_ohm, usual.pan_ohm, lowered, 100.0 * (1.0 - usual.loaded_h / usual.bare_h));
        say(out,
            "Its surface resistance is too low: for the power that steel draws it needs %.1f times the ampere-turns, "
            "or "
            "about %.0f times the frequency (R rises with the root of it), and more of that heat stays in the coil: "
            "%.0f %% reaches the pan.",
            sqrt(1.0 / ratio), 1.0 / (ratio * ratio), 100.0 * at->efficiency);
    } else if (at->z.coupling < WEAK_COUPLING && at->loaded_h < at->bare_h &&
               2.0 * TW_PI * c->frequency_hz * at->loaded_h > HIGH_Q * at->total_ohm) {
        say(out, "The pan is hardly there: coupling %.2f. A smaller gap, or a pan as wide as the coil, is needed.",
            at->z.coupling);
    } else {
        say(out,
            "A plate made for steel takes this pan: it adds %.3g ohm (%.0f %% of what a usual steel pan adds), L goes "
            "from %.3g uH to %.3g uH.",
            at->pan_ohm, 100.0 * ratio, at->bare_h * 1e6, at->loaded_h * 1e6);
    }
    say_resonance(rig, at, out);
    return TW_OK;
}

/* ---- options -------------------------------------------------------------------------------------------------- */

static tw_status read_number(tw_ctx *ctx, const char *text, size_t length, tw_unit unit, const tw_place *place,
                             double *out) {
    tw_quantity q;
    TW_TRY(tw_quantity_parse(ctx, text, length, unit, place, &q));
    if (!isfinite(q.value) || q.spread_kind != TW_SPREAD_NONE || !(q.value > 0.0)) {
        return tw_fail_at(ctx, TW_BAD_ARGUMENT, "study", place,
                          "expected a known value above zero, without uncertainty");
    }
    *out = q.value;
    return TW_OK;
}

static tw_status read_limit(tw_ctx *ctx, const char *text, tw_coil_study *out) {
    char option[120];
    (void)snprintf(option, sizeof option, "--accept %.90s", text);
    const tw_place place = {.file = option};
    const bool r = strncmp(text, "resistance=", 11) == 0, l = strncmp(text, "inductance=", 11) == 0;
    const char *range = text + 11, *dots = r || l ? strstr(range, "..") : NULL;
    if (dots == NULL || (dots == range && dots[2] == '\0')) {
        return tw_fail_at(
            ctx, TW_BAD_ARGUMENT, "study", &place,
            "expected resistance=FROM..TO or inductance=FROM..TO, as in inductance=50uH..85uH; either end "
            "may be left out");
    }
    const tw_unit unit = r ? TW_UNIT_OHM : TW_UNIT_HENRY;
    double *low = r ? &out->r_low_ohm : &out->l_low_h, *high = r ? &out->r_high_ohm : &out->l_high_h;
    if (dots > range) {
        TW_TRY(read_number(ctx, range, (size_t)(dots - range), unit, &place, low));
    }
    if (dots[2] != '\0') {
        TW_TRY(read_number(ctx, dots + 2, strlen(dots + 2), unit, &place, high));
    }
    if (*high < *low) {
        return tw_fail_at(ctx, TW_BAD_ARGUMENT, "study", &place, "the range runs backwards");
    }
    return TW_OK;
}

tw_status tw_study__coil_limits(tw_ctx *ctx, const tw_coil_study_opts *opts, tw_coil_study *out) {
    out->r_low_ohm = out->l_low_h = -INFINITY;
    out->r_high_ohm = out->l_high_h = INFINITY;
    out->has_limits = opts->n_accept > 0;
    for (size_t k = 0; k < opts->n_accept; k++) {
        TW_TRY(read_limit(ctx, opts->accept[k], out));
    }
    return TW_OK;
}

/* In air and between the same diameters; round turns become a section of one wire's height. The ferrite raises all
 * turns alike, so the ratio of bare to air carries over. */
tw_status tw_study__coil_target(tw_ctx *ctx, const char *text, const tw_study__coil *c, tw_coil_study *out) {
    char option[120];
    double wanted = 0.0, turns = 0.0, width = 0.0;
    (void)snprintf(option, sizeof option, "--for %.90s", text);
    const tw_place place = {.file = option};
    const size_t key = strlen("inductance=");
    if (strncmp(text, "inductance=", key) != 0) {
        return tw_fail_at(ctx, TW_BAD_ARGUMENT, "study", &place, "expected inductance=VALUE, as in inductance=90uH");
    }
    TW_TRY(read_number(ctx, text + key, strlen(text + key), TW_UNIT_HENRY, &place, &wanted));
    const tw_winding *w = &c->field.winding;
    tw_winding section = *w;
    if (w->kind == TW_WINDING_TURNS) {
        const double wire = w->wire_radius_m;
        section = tw_winding_section(w->turn[0].radius_m - wire, w->turn[w->n_turns - 1].radius_m + wire, 2.0 * wire,
                                     (double)w->n_turns);
    }
    const double raised =
        out->n_fields > 0 ? c->values.computed_inductance_h / tw_coil_plan_air_inductance(c->field.plan) : 1.0;
    /* what round wires have more than the evenly filled section, so that the coil's own inductance gives its own turns
     */
    double filled = 0.0;
    TW_TRY(tw_winding_inductance(ctx, &section, &filled, NULL));
    const double ratio = tw_coil_plan_air_inductance(c->field.plan) / filled;
    TW_TRY(tw_winding_turns_for(ctx, &section, wanted / (raised * ratio), &turns));
    width = section.outer_radius_m - section.inner_radius_m;
    out->fields[out->n_fields++] =
        (tw_field){"turns_wanted", "turns for the inductance asked for", "", tw_exactly(turns), 0};
    out->fields[out->n_fields++] =
        (tw_field){"pitch_wanted", "their pitch, same diameters", "m", tw_exactly(width / turns), 0};
    if (w->kind == TW_WINDING_TURNS && width / turns < 2.0 * w->wire_radius_m) {
        return tw_warn(ctx, &out->warnings, "turns_do_not_fit",
                       "%.1f turns of this wire do not fit side by side: %.3g mm each, the wire has %.3g mm", turns,
                       1e3 * width / turns, 2e3 * w->wire_radius_m);
    }
    return TW_OK;
}

/* The texts of a map's options: axes "KEY=FROM..TO:POINTS:log", targets "NAME=VALUE", names of results. */
#include "study_internal.h"

#include <math.h>
#include <string.h>

#include "tankwright/units.h"

#define MOST_KEYS 128

/* "--along TEXT" as the place of an error. */
typedef struct origin {
    char option[120];
    tw_place place;
} origin;

static void origin_make(const char *option, const char *text, const char *key, origin *out) {
    (void)snprintf(out->option, sizeof out->option, "%s %.90s", option, text);
    out->place = (tw_place){.file = out->option, .key = key};
}

/* ---- which key ------------------------------------------------------------------------------------- */

/* Whether turning the knob does anything with this rig; else why not. */
static bool has_effect(const tw_rig *rig, const char *key, const char **why) {
    tw_rig_entry entry;
    for (size_t k = 0; tw_rig_entry_at(rig, k, &entry); k++) {
        if (strcmp(entry.key, key) == 0 && !entry.has_meaning) {
            *why = "has no effect with this pan.kind";
            return false;
        }
    }
    if (strcmp(key, "supply.voltage") == 0 && tw_is_known(rig->recorder.rail_voltage_v)) {
        *why = "has no effect, since recorder.rail_voltage states the rail: sweep that, or set it to unknown";
        return false;
    }
    if (strncmp(key, "coil.", 5) == 0 && rig->pan.kind == TW_PAN_EQUIVALENT) {
        *why = "has no effect with pan.kind equivalent: sweep pan.inductance or pan.resistance";
        return false;
    }
    return true;
}

static tw_status refuse_key(tw_ctx *ctx, const char *key, const tw_place *place) {
    const char *names[MOST_KEYS];
    size_t n = 0;
    char quote[TW_QUOTE_TEXT];
    bool known = false;
    tw_rig_entry entry;
    const tw_rig any = tw_rig_default();
    for (size_t k = 0; tw_rig_entry_at(&any, k, &entry); k++) {
        known = known || strcmp(entry.key, key) == 0;
    }
    for (size_t k = 0; k < MOST_KEYS && tw_study__knob_at(k) != NULL; k++) {
        names[n++] = tw_study__knob_at(k)->key;
    }
    const char *near = tw_nearest_name(key, names, n);
    /* a section's name alone, or the right name in no section */
    for (size_t k = 0; k < n && near == NULL; k++) {
        const char *last = strrchr(names[k], '.');
        near = last != NULL && strcmp(last + 1, key) == 0 ? names[k] : NULL;
    }
    (void)tw_quote(key, strlen(key), quote);
    const bool shape = strncmp(key, "pan.layers", 10) == 0 || strncmp(key, "coil.", 5) == 0 ||
                       strcmp(key, "pan.temperature") == 0 || strcmp(key, "pan.current") == 0;
    if (known && shape) {
        return tw_fail_at(ctx, TW_BAD_ARGUMENT, "study", place,
                          "%s shapes the field of coil and pan and is not swept; of these only pan.gap is, others take "
                          "single values with --set",
                          quote);
    }
    if (known) {
        return tw_fail_at(ctx, TW_BAD_ARGUMENT, "study", place,
                          "%s cannot be swept, since no number of the operating point depends on it; bridge.frequency, "
                          "pan.coupling, tank.capacitance and the like can",
                          quote);
    }
    return near != NULL
               ? tw_fail_at(ctx, TW_BAD_ARGUMENT, "study", place, "unknown key %s; did you mean %s?", quote, near)
               : tw_fail_at(ctx, TW_BAD_ARGUMENT, "study", place,
                            "unknown key %s; expected a rig key such as bridge.frequency or pan.coupling", quote);
}

/* ---- values ---------------------------------------------------------------------------------------- */

static double knob_value(const tw_rig *rig, const tw_study__knob *knob) {
    tw_value value;
    memcpy(&value, (const char *)rig + knob->offset, sizeof value);
    return value.value;
}

/* One end of the range, checked by the rig room like a value in the file. */
static tw_status read_end(tw_ctx *ctx, const tw_rig *rig, const tw_study__knob *knob, const char *text, size_t length,
                          const tw_place *place, double *out) {
    char copy[64];
    tw_rig scratch = *rig;
    while (length > 0 && text[0] == ' ') {
        text++;
        length--;
    }
    while (length > 0 && text[length - 1] == ' ') {
        length--;
    }
    if (length == 0 || length >= sizeof copy) {
        return tw_fail_at(ctx, TW_BAD_ARGUMENT, "study", place,
                          "expected KEY=FROM..TO, KEY=FROM..TO:POINTS or KEY=FROM..TO:POINTS:log, as in "
                          "bridge.frequency=20k..60k:200");
    }
    memcpy(copy, text, length);
    copy[length] = '\0';
    const tw_status status = tw_rig_set(ctx, &scratch, knob->key, copy);
    if (status != TW_OK) {
        tw_error_add_place(ctx, place);
        return status;
    }
    *out = knob_value(&scratch, knob);
    return isfinite(*out)
               ? TW_OK
               : tw_fail_at(ctx, TW_BAD_ARGUMENT, "study", place, "an axis needs known values, and '%s' is none", copy);
}

tw_status tw_study__fill_axis(tw_ctx *ctx, double low, double high, size_t n, bool logarithmic, tw_map_axis *axis) {
    double *values = tw_alloc(ctx, n, sizeof *values);
    if (values == NULL) {
        return TW_NO_MEMORY;
    }
    for (size_t k = 0; k < n; k++) {
        const double share = n > 1 ? (double)k / (double)(n - 1) : 0.0;
        values[k] = logarithmic ? low * pow(high / low, share) : low + (high - low) * share;
    }
    values[n - 1] = n > 1 ? high : low;
    axis->values = values;
    axis->n = n;
    axis->logarithmic = logarithmic;
    return TW_OK;
}

/* ":200" or ":200:log" behind the range. */
static tw_status read_points(tw_ctx *ctx, const char *text, const tw_place *place, size_t *n, bool *logarithmic) {
    double number = 0.0;
    const size_t used = tw_parse_number(text, strlen(text), &number);
    char quote[TW_QUOTE_TEXT];
    if (used == 0 || number != floor(number) || strcspn(text, ".eE+-") < used) {
        return tw_fail_at(ctx, TW_BAD_ARGUMENT, "study", place, "found %s; expected a whole number of points",
                          tw_quote(text, strcspn(text, ":"), quote));
    }
    if (number < 1.0) {
        return tw_fail_at(ctx, TW_BAD_ARGUMENT, "study", place, "an axis of 0 points shows nothing");
    }
    if (number > TW_PLAN_MOST_POINTS) {
        return tw_fail_at(ctx, TW_TOO_LARGE, "study", place, "%.6g points are too many; at most %d", number,
                          TW_PLAN_MOST_POINTS);
    }
    *n = (size_t)number;
    if (strcmp(text + used, ":log") == 0) {
        *logarithmic = true;
    } else if (text[used] != '\0' && strcmp(text + used, ":lin") != 0) {
        return tw_fail_at(ctx, TW_BAD_ARGUMENT, "study", place, "found %s behind the number of points; expected :log",
                          tw_quote(text + used, strlen(text + used), quote));
    }
    return TW_OK;
}

static tw_status read_range(tw_ctx *ctx, const char *range, size_t default_points, const tw_rig *rig,
                            const tw_study__knob *knob, const tw_place *place, tw_map_axis *out) {
    const char *dots = strstr(range, ".."), *colon = strchr(range, ':');
    const size_t end = colon != NULL ? (size_t)(colon - range) : strlen(range);
    double low = 0.0, high = 0.0;
    size_t n = dots != NULL ? default_points : 1;
    bool logarithmic = false;
    const size_t first = dots != NULL && (size_t)(dots - range) < end ? (size_t)(dots - range) : end;
    TW_TRY(read_end(ctx, rig, knob, range, first, place, &low));
    high = low;
    if (first < end) {
        TW_TRY(read_end(ctx, rig, knob, dots + 2, end - first - 2, place, &high));
    }
    if (colon != NULL) {
        TW_TRY(read_points(ctx, colon + 1, place, &n, &logarithmic));
    }
    if (high < low) {
        return tw_fail_at(ctx, TW_BAD_ARGUMENT, "study", place, "the range runs backwards; write %.*s..%.*s",
                          (int)(end - first - 2), dots + 2, (int)first, range);
    }
    if (n == 1 && high > low) {
        return tw_fail_at(ctx, TW_BAD_ARGUMENT, "study", place, "one point does not span a range; give at least 2");
    }
    if (n > 1 && high == low) {
        return tw_fail_at(ctx, TW_BAD_ARGUMENT, "study", place, "both ends are the same, so there is one point only");
    }
    if (logarithmic && !(low > 0.0)) {
        return tw_fail_at(ctx, TW_BAD_ARGUMENT, "study", place, "a logarithmic axis must begin above 0");
    }
    return tw_study__fill_axis(ctx, low, high, n, logarithmic, out);
}

tw_status tw_study__coil_axis(tw_ctx *ctx, const char *text, size_t default_points, const tw_rig *rig,
                              tw_map_axis *out) {
    static const char *const KEYS[] = {"pan.gap", "bridge.frequency"}, *const UNITS[] = {"m", "Hz"};
    origin from;
    const size_t length = strcspn(text, "=");
    origin_make("--along", text, NULL, &from);
    for (size_t k = 0; text[length] == '=' && k < 2; k++) {
        const char *tail = strrchr(KEYS[k], '.') + 1;
        if ((strlen(KEYS[k]) != length || strncmp(KEYS[k], text, length) != 0) &&
            (strlen(tail) != length || strncmp(tail, text, length) != 0)) {
            continue;
        }
        const tw_study__knob *knob = tw_study__find_knob(KEYS[k]);
        tw_map_axis axis = {.key = knob->key, .label = knob->label, .unit = UNITS[k]};
        TW_TRY(read_range(ctx, text + length + 1, default_points, rig, knob, &from.place, &axis));
        *out = axis;
        return TW_OK;
    }
    return tw_fail_at(ctx, TW_BAD_ARGUMENT, "study", &from.place,
                      "expected pan.gap=FROM..TO:POINTS or bridge.frequency=FROM..TO:POINTS, as in gap=2mm..20mm:40");
}

tw_status tw_study__map_axis(tw_ctx *ctx, const char *text, size_t default_points, tw_rig *rig, tw_map_axis *out) {
    char key[80];
    origin from;
    const size_t length = strcspn(text, "=");
    origin_make("--along", text, NULL, &from);
    if (text[length] == '\0' || length == 0 || length >= sizeof key) {
        return tw_fail_at(ctx, TW_BAD_ARGUMENT, "study", &from.place,
                          "expected KEY=FROM..TO:POINTS, as in bridge.frequency=20k..60k:200");
    }
    memcpy(key, text, length);
    key[length] = '\0';
    const tw_study__knob *knob = tw_study__find_knob(key);
    if (knob == NULL) {
        return refuse_key(ctx, key, &from.place);
    }
    const char *why = NULL;
    if (!has_effect(rig, key, &why)) {
        return tw_fail_at(ctx, TW_BAD_ARGUMENT, "study", &from.place, "%s %s", key, why);
    }
    tw_map_axis axis = {.key = knob->key, .label = knob->label, .unit = ""};
    tw_rig_entry entry;
    for (size_t k = 0; tw_rig_entry_at(rig, k, &entry); k++) {
        axis.unit = strcmp(entry.key, key) == 0 ? entry.unit : axis.unit;
    }
    TW_TRY(read_range(ctx, text + length + 1, default_points, rig, knob, &from.place, &axis));
    const tw_value first = tw_exactly(axis.values[0]);
    memcpy((char *)rig + knob->offset, &first, sizeof first);
    *out = axis;
    return TW_OK;
}

/* ---- results --------------------------------------------------------------------------------------- */

tw_status tw_study__map_column(tw_ctx *ctx, const char *option, const char *text, size_t length, tw_plan_column *out) {
    char key[80], quote[TW_QUOTE_TEXT];
    const char *names[TW_PLAN_COLUMN_COUNT];
    origin from;
    (void)snprintf(key, sizeof key, "%.*s", (int)(length < 79 ? length : 79), text);
    const tw_plan_column column = tw_plan_find_column(key);
    if (column < TW_PLAN_COLUMN_COUNT) {
        *out = column;
        return TW_OK;
    }
    for (unsigned c = 0; c < TW_PLAN_COLUMN_COUNT; c++) {
        names[c] = tw_plan_column_key((tw_plan_column)c);
    }
    origin_make(option, text, NULL, &from);
    const char *near = tw_nearest_name(key, names, TW_PLAN_COLUMN_COUNT);
    return tw_fail_at(ctx, TW_BAD_ARGUMENT, "study", &from.place, "unknown result %s%s%s%s",
                      tw_quote(text, length, quote), near != NULL ? "; did you mean " : "",
                      near != NULL ? near : "; expected a name of the results, such as real_power",
                      near != NULL ? "?" : "");
}

static tw_unit unit_of(const char *symbol) {
    int k = 0;
    while (k + 1 < TW_UNIT_COUNT && strcmp(tw_unit_symbol((tw_unit)k), symbol) != 0) {
        k++;
    }
    return (tw_unit)k;
}

tw_status tw_study__map_target(tw_ctx *ctx, const char *text, tw_field *out) {
    origin from;
    tw_plan_column column;
    tw_quantity quantity;
    const size_t length = strcspn(text, "=");
    origin_make("--for", text, NULL, &from);
    if (text[length] == '\0' || length == 0) {
        return tw_fail_at(ctx, TW_BAD_ARGUMENT, "study", &from.place, "expected NAME=VALUE, as in real_power=1200");
    }
    TW_TRY(tw_study__map_column(ctx, "--for", text, length, &column));
    tw_field field = tw_study__field(tw_plan_column_key(column), NAN);
    const char *value = text + length + 1;
    const tw_status status = tw_quantity_parse(ctx, value, strlen(value), unit_of(field.unit), &from.place, &quantity);
    if (status != TW_OK) {
        return status;
    }
    if (!isfinite(quantity.value) || quantity.spread_kind != TW_SPREAD_NONE) {
        return tw_fail_at(ctx, TW_BAD_ARGUMENT, "study", &from.place,
                          "expected one known value, without an uncertainty");
    }
    field.value = tw_exactly(quantity.value);
    *out = field;
    return TW_OK;
}

/* The table of keys. docs/rig-file.md is its description for the user.
 *
 * Defaults are common practice of the trade (no source); a value that decides the result has none and stays
 * unknown until given. Legal ranges are wide: they catch slips of a prefix, not unusual designs.
 */
#include "rig_private.h"

#include <math.h>
#include <string.h>

static const char *const SUPPLY_KINDS[] = {"mains", "dc", NULL};
static const char *const ARRANGEMENTS[] = {"half", "full", NULL};
static const char *const PAN_KINDS[] = {"none", "equivalent", "coupled", "field", NULL};
static const char *const FERRITE_KINDS[] = {"none", "plane", "bars", NULL};
static const char *const SATURATIONS[] = {"none", "froehlich", "limiting", NULL};
/* "none", then the field room's metals; rooms that do not know each other agree by a test of study. */
static const char *const METALS[] = {
    "none",          "copper", "aluminium", "steel-low-carbon", "cast-iron", "stainless-304", "stainless-430",
    "stainless-410", "brass",  NULL};
static const char *const CURRENT_KINDS[] = {"none", "transformer", "rogowski", NULL};
static const char *const VOLTAGE_KINDS[] = {"none", "loop", NULL};

#define UNKNOWN ((double)NAN)
#define AT(field) offsetof(tw_rig, field)
#define WORD(name_, field, words_, initial_) \
    { .name = (name_), .offset = AT(field), .type = TW_RIG_KEY_WORD, .words = (words_), .initial = (initial_) }
#define TRUTH(name_, field, initial_) \
    { .name = (name_), .offset = AT(field), .type = TW_RIG_KEY_BOOL, .initial = (initial_) }
#define NUMBER(name_, field, unit_, low_, high_, initial_)                                                         \
    {                                                                                                              \
        .name = (name_), .offset = AT(field), .type = TW_RIG_KEY_QUANTITY, .unit = TW_UNIT_##unit_, .low = (low_), \
        .high = (high_), .initial = (initial_)                                                                     \
    }
#define MAYBE(name_, field, unit_, low_, high_)                                                                    \
    {                                                                                                              \
        .name = (name_), .offset = AT(field), .type = TW_RIG_KEY_QUANTITY, .unit = TW_UNIT_##unit_, .low = (low_), \
        .high = (high_), .initial = UNKNOWN, .unknown_legal = true                                                 \
    }

/* Optional detail: printed only where it was given. */
#define DETAIL(name_, field, unit_, low_, high_)                                                                   \
    {                                                                                                              \
        .name = (name_), .offset = AT(field), .type = TW_RIG_KEY_QUANTITY, .unit = TW_UNIT_##unit_, .low = (low_), \
        .high = (high_), .initial = UNKNOWN, .unknown_legal = true, .detail = true                                 \
    }

#define DETAIL_WORD(name_, field, words_) \
    { .name = (name_), .offset = AT(field), .type = TW_RIG_KEY_WORD, .words = (words_), .detail = true }

/* One layer of the pan, counted from 1 at the coil. */
#define LAYER(number, index)                                                                              \
    DETAIL_WORD("pan.layers." number ".metal", pan.layers[index].metal, METALS),                          \
        DETAIL("pan.layers." number ".thickness", pan.layers[index].thickness_m, METRE, 1e-6, 0.5),       \
        DETAIL("pan.layers." number ".conductivity", pan.layers[index].conductivity_s_m, NONE, 0.0, 1e9), \
        DETAIL("pan.layers." number ".permeability", pan.layers[index].permeability, NONE, 1.0, 1e6)

/* half width 50 % of a rectangular distribution: what "typical" may mean for a transformer nobody measured */
#define HALF_OF(x) ((x)*0.5 / 1.7320508075688772)

static const tw_rig_key_row ROWS[] = {
    {.name = "title", .offset = AT(title), .type = TW_RIG_KEY_TITLE},
    WORD("supply.kind", supply.kind, SUPPLY_KINDS, TW_SUPPLY_MAINS),
    MAYBE("supply.voltage", supply.voltage_v, VOLT, 1.0, 1500.0),
    NUMBER("supply.frequency", supply.frequency_hz, HERTZ, 10.0, 1000.0, 50.0),
    NUMBER("supply.source_inductance", supply.source_inductance_h, HENRY, 0.0, 0.1, 0.3e-3),
    NUMBER("supply.source_resistance", supply.source_resistance_ohm, OHM, 0.0, 100.0, 0.4),
    NUMBER("supply.rail_capacitance", supply.rail_capacitance_f, FARAD, 1e-9, 1.0, 6.8e-6),
    WORD("bridge.arrangement", bridge.arrangement, ARRANGEMENTS, TW_RIG_ARRANGEMENT_HALF),
    MAYBE("bridge.frequency", bridge.frequency_hz, HERTZ, 100.0, 10e6),
    MAYBE("bridge.dead_time", bridge.dead_time_s, SECOND, 1e-9, 1e-3),
    MAYBE("bridge.snubber_capacitance", bridge.snubber_capacitance_f, FARAD, 0.0, 10e-6),
    NUMBER("bridge.transistor.threshold", bridge.transistor.threshold_v, VOLT, 0.0, 10.0, 0.9),
    NUMBER("bridge.transistor.slope", bridge.transistor.slope_ohm, OHM, 0.0, 10.0, 20e-3),
    NUMBER("bridge.diode.threshold", bridge.diode.threshold_v, VOLT, 0.0, 10.0, 0.8),
    NUMBER("bridge.diode.slope", bridge.diode.slope_ohm, OHM, 0.0, 10.0, 15e-3),
    MAYBE("tank.capacitance", tank.capacitance_f, FARAD, 1e-12, 10e-3),
    TRUTH("tank.split", tank.split, true),
    NUMBER("tank.esr", tank.esr_ohm, OHM, 0.0, 10.0, 3e-3),
    MAYBE("coil.inductance", coil.inductance_h, HENRY, 1e-9, 1.0),
    MAYBE("coil.resistance", coil.resistance_ohm, OHM, 0.0, 1e3),
    DETAIL("coil.turns", coil.turns, NONE, 1.0, 1000.0),
    DETAIL("coil.inner_diameter", coil.inner_diameter_m, METRE, 1e-3, 5.0),
    DETAIL("coil.outer_diameter", coil.outer_diameter_m, METRE, 1e-3, 5.0),
    DETAIL("coil.height", coil.height_m, METRE, 1e-5, 1.0),
    DETAIL("coil.pitch", coil.pitch_m, METRE, 1e-5, 0.5),
    DETAIL("coil.wire_diameter", coil.wire_diameter_m, METRE, 1e-5, 0.1),
    DETAIL("coil.strands.count", coil.strands.count, NONE, 1.0, 1e5),
    DETAIL("coil.strands.diameter", coil.strands.diameter_m, METRE, 1e-6, 0.02),
    DETAIL("coil.strands.lay", coil.strands.lay, NONE, 1.0, 1.5),
    DETAIL("coil.temperature", coil.temperature_c, DEGC, -50.0, 400.0),
    DETAIL_WORD("coil.ferrite.kind", coil.ferrite.kind, FERRITE_KINDS),
    DETAIL("coil.ferrite.permeability", coil.ferrite.permeability, NONE, 1.0, 1e6),
    DETAIL("coil.ferrite.thickness", coil.ferrite.thickness_m, METRE, 1e-5, 0.5),
    DETAIL("coil.ferrite.distance", coil.ferrite.distance_m, METRE, 0.0, 0.5),
    DETAIL("coil.ferrite.coverage", coil.ferrite.coverage, NONE, 0.0, 1.0),
    DETAIL_WORD("coil.shield.metal", coil.shield.metal, METALS),
    DETAIL("coil.shield.thickness", coil.shield.thickness_m, METRE, 1e-6, 0.5),
    DETAIL("coil.shield.distance", coil.shield.distance_m, METRE, 0.0, 0.5),
    WORD("pan.kind", pan.kind, PAN_KINDS, TW_PAN_NONE),
    {.name = "pan.coupling",
     .offset = AT(pan.coupling),
     .type = TW_RIG_KEY_QUANTITY,
     .unit = TW_UNIT_NONE,
     .high = 1.0,
     .initial = UNKNOWN,
     .unknown_legal = true,
     .below_high = true},
    MAYBE("pan.resistance", pan.resistance_ohm, OHM, 1e-6, 1e6),
    MAYBE("pan.inductance", pan.inductance_h, HENRY, 1e-9, 1.0),
    MAYBE("pan.gap", pan.gap_m, METRE, 1e-5, 0.5),
    DETAIL("pan.diameter", pan.diameter_m, METRE, 1e-3, 10.0),
    DETAIL("pan.temperature", pan.temperature_c, DEGC, -50.0, 700.0),
    DETAIL_WORD("pan.saturation", pan.saturation, SATURATIONS),
    DETAIL("pan.current", pan.current_a, AMPERE, 1e-3, 1e4),
    LAYER("1", 0),
    LAYER("2", 1),
    LAYER("3", 2),
    LAYER("4", 3),
    LAYER("5", 4),
    LAYER("6", 5),
    LAYER("7", 6),
    LAYER("8", 7),
    WORD("pickups.current.kind", current_pickup.kind, CURRENT_KINDS, TW_CURRENT_PICKUP_NONE),
    MAYBE("pickups.current.turns", current_pickup.turns, NONE, 1.0, 1e5),
    MAYBE("pickups.current.burden", current_pickup.burden_ohm, OHM, 1e-3, 10e3),
    {.name = "pickups.current.magnetizing_inductance",
     .offset = AT(current_pickup.magnetizing_inductance_h),
     .type = TW_RIG_KEY_QUANTITY,
     .unit = TW_UNIT_HENRY,
     .low = 1e-6,
     .high = 1e3,
     .initial = 20e-3,
     .initial_u = HALF_OF(20e-3)},
    {.name = "pickups.current.winding_resistance",
     .offset = AT(current_pickup.winding_resistance_ohm),
     .type = TW_RIG_KEY_QUANTITY,
     .unit = TW_UNIT_OHM,
     .high = 10e3,
     .initial = 1.0,
     .initial_u = HALF_OF(1.0)},
    MAYBE("pickups.current.clamp_onset", current_pickup.clamp_onset_v, VOLT, 0.05, 100.0),
#define CURRENT_DETAIL(name, field, unit, low, high) \
    DETAIL("pickups.current." name, current_pickup.field, unit, low, high)
    CURRENT_DETAIL("burden_rating", burden_rating_w, WATT, 1e-3, 1e3),
    CURRENT_DETAIL("leakage_inductance", leakage_inductance_h, HENRY, 0.0, 1.0),
    CURRENT_DETAIL("winding_capacitance", winding_capacitance_f, FARAD, 0.0, 1e-6),
    CURRENT_DETAIL("core.outer_diameter", core.outer_diameter_m, METRE, 1e-3, 1.0),
    CURRENT_DETAIL("core.inner_diameter", core.inner_diameter_m, METRE, 1e-4, 1.0),
    CURRENT_DETAIL("core.height", core.height_m, METRE, 1e-4, 1.0),
    CURRENT_DETAIL("core.effective_area", core.effective_area_m2, SQUARE_METRE, 1e-8, 0.1),
    CURRENT_DETAIL("core.effective_length", core.effective_length_m, METRE, 1e-3, 10.0),
    CURRENT_DETAIL("core.permeability", core.permeability, NONE, 1.0, 1e6),
    CURRENT_DETAIL("core.inductance_factor", core.inductance_factor_h, HENRY, 1e-10, 1e-2),
    CURRENT_DETAIL("core.saturation", core.saturation_t, TESLA, 0.01, 3.0),
    CURRENT_DETAIL("wire.diameter", wire.diameter_m, METRE, 1e-5, 0.02),
    CURRENT_DETAIL("wire.gauge", wire.gauge, NONE, -3.0, 56.0),
    CURRENT_DETAIL("wire.length", wire.length_m, METRE, 1e-3, 1e5),
    CURRENT_DETAIL("sensitivity", sensitivity_v_per_a, VOLT_PER_AMPERE, 1e-7, 1e3),
    CURRENT_DETAIL("mutual_inductance", mutual_inductance_h, HENRY, 1e-12, 1.0),
    CURRENT_DETAIL("integrator.time_constant", integrator.time_constant_s, SECOND, 1e-12, 1e3),
    CURRENT_DETAIL("integrator.low_corner", integrator.low_corner_hz, HERTZ, 1e-6, 1e6),
    CURRENT_DETAIL("integrator.high_corner", integrator.high_corner_hz, HERTZ, 1.0, 1e12),
#undef CURRENT_DETAIL
    TRUTH("pickups.current.reversed", current_pickup.reversed, false),
    WORD("pickups.voltage.kind", voltage_pickup.kind, VOLTAGE_KINDS, TW_VOLTAGE_PICKUP_NONE),
    MAYBE("pickups.voltage.gain", voltage_pickup.gain, NONE, 1e-6, 10.0),
    DETAIL("pickups.voltage.turns", voltage_pickup.turns, NONE, 1.0, 1000.0),
    DETAIL("pickups.voltage.diameter", voltage_pickup.diameter_m, METRE, 1e-3, 5.0),
    DETAIL("pickups.voltage.distance", voltage_pickup.distance_m, METRE, -0.5, 0.5),
    TRUTH("pickups.voltage.reversed", voltage_pickup.reversed, false),
    {.name = "recorder.bits",
     .offset = AT(recorder.bits),
     .type = TW_RIG_KEY_BITS,
     .low = 8.0,
     .high = 16.0,
     .initial = 8.0},
    {.name = "recorder.channels.current",
     .offset = AT(recorder.current.channel),
     .type = TW_RIG_KEY_CHANNEL,
     .high = 64.0,
     .initial = 1.0},
    NUMBER("recorder.channels.current.probe_factor", recorder.current.probe_factor, NONE, 1e-4, 1e6, 1.0),
    DETAIL("recorder.channels.current.probe_resistance", recorder.current.probe_resistance_ohm, OHM, 10.0, 1e12),
    DETAIL("recorder.channels.current.probe_capacitance", recorder.current.probe_capacitance_f, FARAD, 0.0, 1e-6),
    {.name = "recorder.channels.voltage",
     .offset = AT(recorder.voltage.channel),
     .type = TW_RIG_KEY_CHANNEL,
     .high = 64.0,
     .initial = 2.0},
    NUMBER("recorder.channels.voltage.probe_factor", recorder.voltage.probe_factor, NONE, 1e-4, 1e6, 1.0),
    DETAIL("recorder.channels.voltage.probe_resistance", recorder.voltage.probe_resistance_ohm, OHM, 10.0, 1e12),
    DETAIL("recorder.channels.voltage.probe_capacitance", recorder.voltage.probe_capacitance_f, FARAD, 0.0, 1e-6),
    MAYBE("recorder.rail_voltage", recorder.rail_voltage_v, VOLT, 1.0, 2000.0),
    MAYBE("recorder.sample_interval", recorder.sample_interval_s, SECOND, 1e-12, 1.0),
    MAYBE("recorder.skew", recorder.skew_s, SECOND, -1e-3, 1e-3),
    {.name = "recorder.noise",
     .offset = AT(recorder.noise),
     .type = TW_RIG_KEY_PLAIN,
     .unit = TW_UNIT_NONE,
     .high = 0.5,
     .initial = 0.004},
};
enum { N_ROWS = sizeof ROWS / sizeof ROWS[0] };
_Static_assert(sizeof ROWS / sizeof ROWS[0] <= TW_RIG_MAX_KEYS, "tw_rig.given holds one bit a key");

static const char *const SECTIONS[] = {
    "supply",
    "bridge",
    "bridge.transistor",
    "bridge.diode",
    "tank",
    "coil",
    "coil.strands",
    "coil.ferrite",
    "coil.shield",
    "pan",
    "pan.layers",
    "pan.layers.1",
    "pan.layers.2",
    "pan.layers.3",
    "pan.layers.4",
    "pan.layers.5",
    "pan.layers.6",
    "pan.layers.7",
    "pan.layers.8",
    "pickups",
    "pickups.current",
    "pickups.current.core",
    "pickups.current.wire",
    "pickups.current.integrator",
    "pickups.voltage",
    "recorder",
    "recorder.channels",
    "recorder.channels.current",
    "recorder.channels.voltage",
};
enum { N_SECTIONS = sizeof SECTIONS / sizeof SECTIONS[0] };

const char *tw_rig_metal(int metal) {
    const int n = (int)(sizeof METALS / sizeof METALS[0]) - 1;
    return metal > 0 && metal < n ? METALS[metal] : NULL;
}

size_t tw_rig__count(void) {
    return N_ROWS;
}

const tw_rig_key_row *tw_rig__row(size_t index) {
    return &ROWS[index];
}

const char *tw_rig_key(size_t index) {
    return index < N_ROWS ? ROWS[index].name : NULL;
}

size_t tw_rig__find(const char *name) {
    if (strcmp(name, "recorder.channels.current.channel") == 0) {
        name = "recorder.channels.current";
    } else if (strcmp(name, "recorder.channels.voltage.channel") == 0) {
        name = "recorder.channels.voltage";
    }
    for (size_t i = 0; i < N_ROWS; i++) {
        if (strcmp(ROWS[i].name, name) == 0) {
            return i;
        }
    }
    return SIZE_MAX;
}

size_t tw_rig__find_section(const char *path) {
    for (size_t i = 0; i < N_SECTIONS; i++) {
        if (strcmp(SECTIONS[i], path) == 0) {
            return i;
        }
    }
    return SIZE_MAX;
}

const char *tw_rig__suggest(const char *path) {
    const char *names[N_ROWS + N_SECTIONS];
    size_t n = 0, n_siblings = 0;
    /* a slip in the last part is likelier than one in the section: look among the siblings first */
    const char *dot = strrchr(path, '.');
    const size_t parent = dot != NULL ? (size_t)(dot - path) + 1 : 0;
    const char *tails[N_ROWS + N_SECTIONS];
    for (size_t i = 0; i < N_ROWS + N_SECTIONS; i++) {
        const char *name = i < N_ROWS ? ROWS[i].name : SECTIONS[i - N_ROWS];
        names[n++] = name;
        if (strncmp(name, path, parent) == 0 && strchr(name + parent, '.') == NULL) {
            tails[n_siblings++] = name + parent;
        }
    }
    const char *near = tw_nearest_name(path + parent, tails, n_siblings);
    if (near != NULL) {
        return near - parent;
    }
    near = tw_nearest_name(path, names, n);
    if (near != NULL) {
        return near;
    }
    /* the right key in the wrong section */
    for (size_t i = 0; i < N_ROWS; i++) {
        const char *last = strrchr(ROWS[i].name, '.');
        if (last != NULL && strcmp(last + 1, path + parent) == 0) {
            return ROWS[i].name;
        }
    }
    return NULL;
}

const char *tw_rig__hint(const char *path, char *out, size_t out_size) {
    const char *near = tw_rig__suggest(path);
    out[0] = '\0';
    if (near == NULL) {
        return out;
    }
    /* where only the section is missing, the key may stand in several */
    const char *last = strrchr(near, '.');
    const char *other = NULL;
    for (size_t i = 0; i < N_ROWS && strchr(path, '.') == NULL && last != NULL; i++) {
        const char *end = strrchr(ROWS[i].name, '.');
        other = end != NULL && strcmp(end, last) == 0 && strcmp(ROWS[i].name, near) != 0 ? ROWS[i].name : other;
    }
    (void)snprintf(out, out_size, "; did you mean %s%s%s?", near, other != NULL ? " or " : "",
                   other != NULL ? other : "");
    return out;
}

void tw_rig__mark_given(tw_rig *rig, size_t index) {
    rig->given[index / 64] |= UINT64_C(1) << (index % 64);
}

bool tw_rig__given(const tw_rig *rig, size_t index) {
    return (rig->given[index / 64] >> (index % 64) & 1) != 0;
}

bool tw_rig_is_given(const tw_rig *rig, const char *key) {
    const size_t index = tw_rig__find(key);
    return index != SIZE_MAX && tw_rig__given(rig, index);
}

const void *tw_rig__field(const tw_rig *rig, size_t index) {
    return (const char *)rig + ROWS[index].offset;
}

tw_value tw_rig__value(const tw_rig *rig, size_t index) {
    tw_value v;
    memcpy(&v, tw_rig__field(rig, index), sizeof v);
    return v;
}

bool tw_rig_entry_at(const tw_rig *rig, size_t index, tw_rig_entry *out) {
    if (index >= N_ROWS) {
        return false;
    }
    const tw_rig_key_row *row = &ROWS[index];
    const void *field = tw_rig__field(rig, index);
    tw_rig_entry e = {.key = row->name,
                      .kind = TW_RIG_ENTRY_QUANTITY,
                      .unit = tw_unit_symbol(row->unit),
                      .given = tw_rig__given(rig, index),
                      .has_meaning = tw_rig__applies(rig, index)};
    e.has_meaning = e.has_meaning && (e.given || !row->detail);
    int number = 0;
    size_t channel = 0;
    switch (row->type) {
    case TW_RIG_KEY_TITLE:
        e.kind = TW_RIG_ENTRY_TEXT;
        e.text = rig->title;
        break;
    case TW_RIG_KEY_WORD:
        e.kind = TW_RIG_ENTRY_TEXT;
        memcpy(&number, field, sizeof number);
        e.text = row->words[number];
        break;
    case TW_RIG_KEY_BOOL:
        e.kind = TW_RIG_ENTRY_TRUTH;
        memcpy(&e.truth, field, sizeof e.truth);
        break;
    case TW_RIG_KEY_BITS:
        memcpy(&number, field, sizeof number);
        e.value = tw_exactly(number);
        break;
    case TW_RIG_KEY_CHANNEL:
        memcpy(&channel, field, sizeof channel);
        e.value = tw_exactly((double)channel);
        break;
    case TW_RIG_KEY_QUANTITY:
        e.value = tw_rig__value(rig, index);
        break;
    case TW_RIG_KEY_PLAIN:
        memcpy(&e.value.value, field, sizeof e.value.value);
        break;
    }
    *out = e;
    return true;
}

static bool starts(const char *name, const char *prefix) {
    return strncmp(name, prefix, strlen(prefix)) == 0;
}

static bool current_key_applies(tw_current_pickup_kind kind, const char *key) {
    if (kind == TW_CURRENT_PICKUP_NONE || strcmp(key, "reversed") == 0) {
        return kind != TW_CURRENT_PICKUP_NONE;
    }
    const bool rogowski =
        strcmp(key, "sensitivity") == 0 || strcmp(key, "mutual_inductance") == 0 || starts(key, "integrator.");
    return rogowski == (kind == TW_CURRENT_PICKUP_ROGOWSKI);
}

bool tw_rig__applies(const tw_rig *rig, size_t index) {
    const char *name = ROWS[index].name;
    if (strcmp(name, "supply.frequency") == 0 || starts(name, "supply.source_") ||
        strcmp(name, "supply.rail_capacitance") == 0) {
        return rig->supply.kind == TW_SUPPLY_MAINS;
    }
    if (strcmp(name, "pan.coupling") == 0) {
        return rig->pan.kind == TW_PAN_COUPLED;
    }
    if (strcmp(name, "pan.resistance") == 0) {
        return rig->pan.kind == TW_PAN_COUPLED || rig->pan.kind == TW_PAN_EQUIVALENT;
    }
    if (strcmp(name, "pan.inductance") == 0) {
        return rig->pan.kind == TW_PAN_EQUIVALENT;
    }
    if (starts(name, "pan.") && strcmp(name, "pan.kind") != 0) {
        return rig->pan.kind == TW_PAN_FIELD;
    }
    if (starts(name, "coil.ferrite.") && strcmp(name, "coil.ferrite.kind") != 0) {
        return rig->coil.ferrite.kind == TW_FERRITE_BARS ||
               (rig->coil.ferrite.kind == TW_FERRITE_PLANE && strcmp(name, "coil.ferrite.coverage") != 0);
    }
    if (starts(name, "coil.shield.") && strcmp(name, "coil.shield.metal") != 0) {
        return rig->coil.shield.metal != 0;
    }
    if (starts(name, "pickups.current.") && strcmp(name, "pickups.current.kind") != 0) {
        return current_key_applies(rig->current_pickup.kind, name + strlen("pickups.current."));
    }
    if (starts(name, "pickups.voltage.") && strcmp(name, "pickups.voltage.kind") != 0) {
        return rig->voltage_pickup.kind == TW_VOLTAGE_PICKUP_LOOP;
    }
    return true;
}

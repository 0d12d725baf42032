/* rig: the description of one power stage and its pick-ups, read from a YAML 1.2 file.
 *
 * A rig is a plain struct in SI units. Every number carries its standard uncertainty where the file stated
 * one ("230 V +/- 3 %" is a rectangular limit, "(u=...)" a standard uncertainty; design: docs/rig-file.md).
 * NaN in tw_value.value means "unknown" and is legal only where the field says so.
 */
#ifndef TANKWRIGHT_RIG_H
#define TANKWRIGHT_RIG_H

#include "tankwright/base.h"

typedef enum tw_supply_kind { TW_SUPPLY_MAINS, TW_SUPPLY_DC } tw_supply_kind;
typedef enum tw_rig_arrangement { TW_RIG_ARRANGEMENT_HALF, TW_RIG_ARRANGEMENT_FULL } tw_rig_arrangement;
typedef enum tw_pan_kind { TW_PAN_NONE, TW_PAN_EQUIVALENT, TW_PAN_COUPLED, TW_PAN_FIELD } tw_pan_kind;
typedef enum tw_ferrite_kind { TW_FERRITE_NONE, TW_FERRITE_PLANE, TW_FERRITE_BARS } tw_ferrite_kind;
typedef enum tw_pan_saturation {
    TW_PAN_SATURATION_NONE,      /* the permeability is what the layer says, whatever the current */
    TW_PAN_SATURATION_FROEHLICH, /* it follows the field at the pan's surface */
    TW_PAN_SATURATION_LIMITING   /* the same by the limiting theory of a rectangular B-H curve */
} tw_pan_saturation;
typedef enum tw_current_pickup_kind {
    TW_CURRENT_PICKUP_NONE,
    TW_CURRENT_PICKUP_TRANSFORMER,
    TW_CURRENT_PICKUP_ROGOWSKI /* air-cored coil round the lead, with an integrator */
} tw_current_pickup_kind;
typedef enum tw_voltage_pickup_kind { TW_VOLTAGE_PICKUP_NONE, TW_VOLTAGE_PICKUP_LOOP } tw_voltage_pickup_kind;

typedef struct tw_rig_supply {
    tw_supply_kind kind;
    tw_value voltage_v;    /* rms for mains, volts for dc */
    tw_value frequency_hz; /* mains only */
    tw_value source_inductance_h;
    tw_value source_resistance_ohm;
    tw_value rail_capacitance_f;
} tw_rig_supply;

/* On-state law of one device: v = threshold + slope * i. */
typedef struct tw_rig_device {
    tw_value threshold_v;
    tw_value slope_ohm;
} tw_rig_device;

typedef struct tw_rig_bridge {
    tw_rig_arrangement arrangement;
    tw_value frequency_hz;
    tw_value dead_time_s;
    tw_value snubber_capacitance_f; /* per switch, its output capacitance included */
    tw_rig_device transistor, diode;
} tw_rig_bridge;

typedef struct tw_rig_tank {
    tw_value capacitance_f; /* total seen by the coil; may be unknown for analyse */
    bool split;             /* two halves to the two rails, or one capacitor */
    tw_value esr_ohm;
} tw_rig_tank;

/* Litz: bare strands of one bundle. */
typedef struct tw_rig_strands {
    tw_value count, diameter_m;
    tw_value lay; /* strand length over bundle length */
} tw_rig_strands;

/* Below the winding, on the side away from the pan. */
typedef struct tw_rig_ferrite {
    tw_ferrite_kind kind;
    tw_value permeability, thickness_m;
    tw_value distance_m; /* from the winding's lower face */
    tw_value coverage;   /* bars: share of the plane that they cover */
} tw_rig_ferrite;

typedef struct tw_rig_shield {
    int metal; /* as in tw_rig_layer; 0: no shield */
    tw_value thickness_m;
    tw_value distance_m; /* from the ferrite's lower face, or the winding's where there is none */
} tw_rig_shield;

typedef struct tw_rig_coil {
    tw_value inductance_h; /* without pan */
    tw_value resistance_ohm;
    /* of the flat winding, each may be unknown: for the field model and for what a sense loop beside the coil sees */
    tw_value turns;
    tw_value inner_diameter_m, outer_diameter_m;
    tw_value height_m; /* of the winding's section; known: turns fill that section evenly */
    tw_value pitch_m;  /* from turn to turn, in place of the outer diameter */
    tw_value wire_diameter_m;
    tw_rig_strands strands;
    tw_value temperature_c;
    tw_rig_ferrite ferrite;
    tw_rig_shield shield;
} tw_rig_coil;

#define TW_RIG_LAYERS 8

/* One layer of the pan's bottom. */
typedef struct tw_rig_layer {
    int metal; /* tw_rig_metal(metal) is its name; 0: none named */
    tw_value thickness_m, conductivity_s_m, permeability;
} tw_rig_layer;

typedef struct tw_rig_pan {
    tw_pan_kind kind;
    tw_value coupling;       /* coupled: 0 <= k < 1 */
    tw_value resistance_ohm; /* coupled: R_2 referred to the coil; equivalent: series R of coil with pan */
    tw_value inductance_h;   /* equivalent: series L of coil with pan */
    /* field */
    tw_value gap_m; /* from the winding's face (its wires' edge) to the first layer */
    tw_value diameter_m, temperature_c;
    tw_pan_saturation saturation;
    tw_value current_a;                 /* peak coil current that the saturation is taken at; unknown: the rig's own */
    tw_rig_layer layers[TW_RIG_LAYERS]; /* from the coil upward */
} tw_rig_pan;

/* A transformer's core, any part of which may be unknown: a ring's dimensions, or the effective parameters of IEC
 * 60205. */
typedef struct tw_rig_core {
    tw_value outer_diameter_m, inner_diameter_m, height_m;
    tw_value effective_area_m2, effective_length_m;
    tw_value permeability;        /* relative, initial */
    tw_value inductance_factor_h; /* A_L, per turn squared */
    tw_value saturation_t;        /* flux density, at the core's working temperature */
} tw_rig_core;

typedef struct tw_rig_wire {
    tw_value diameter_m; /* of the copper */
    tw_value gauge;      /* ASTM B258; -3 stands for 0000 */
    tw_value length_m;   /* of the whole winding */
} tw_rig_wire;

typedef struct tw_rig_integrator {
    tw_value time_constant_s; /* output = (1/time constant) * integral of the input */
    tw_value low_corner_hz, high_corner_hz;
} tw_rig_integrator;

typedef struct tw_rig_current_pickup {
    tw_current_pickup_kind kind;
    tw_value turns;
    tw_value burden_ohm;
    tw_value magnetizing_inductance_h; /* seen from the secondary */
    tw_value winding_resistance_ohm;
    tw_value clamp_onset_v; /* peak burden volts where the clamp begins to conduct; unknown: no clamp */
    /* the rest may be unknown */
    tw_value burden_rating_w;
    tw_value leakage_inductance_h, winding_capacitance_f; /* seen from the secondary */
    tw_rig_core core;
    tw_rig_wire wire;
    /* rogowski: volts per ampere in mid band, or mutual inductance over integration time */
    tw_value sensitivity_v_per_a, mutual_inductance_h;
    tw_rig_integrator integrator;
    bool reversed; /* the person knows that the transformer sits the other way round */
} tw_rig_current_pickup;

typedef struct tw_rig_voltage_pickup {
    tw_voltage_pickup_kind kind;
    tw_value gain; /* loop volts per coil volt; may be unknown */
    tw_value turns, diameter_m;
    tw_value distance_m; /* from the winding's plane, positive on the side away from the pan */
    bool reversed;
} tw_rig_voltage_pickup;

/* How the recorder stored a channel. */
typedef struct tw_rig_channel {
    size_t channel;                                     /* 1 = first data channel of the record; 0 = not recorded */
    tw_value probe_factor;                              /* volts at the pick-up = factor * recorded volts, default 1 */
    tw_value probe_resistance_ohm, probe_capacitance_f; /* at the probe's tip, the recorder's input included */
} tw_rig_channel;

typedef struct tw_rig_recorder {
    int bits;
    tw_rig_channel current, voltage;
    tw_value rail_voltage_v;    /* at the moment of a short record; may be unknown */
    tw_value sample_interval_s; /* unknown: the record says */
    tw_value skew_s;            /* voltage channel later than current channel by this; unknown: found from the record */
    double noise;               /* rehearse: rms noise as a fraction of the full vertical range, default 0.004 */
} tw_rig_recorder;

typedef struct tw_rig {
    char title[200];
    tw_rig_supply supply;
    tw_rig_bridge bridge;
    tw_rig_tank tank;
    tw_rig_coil coil;
    tw_rig_pan pan;
    tw_rig_current_pickup current_pickup;
    tw_rig_voltage_pickup voltage_pickup;
    tw_rig_recorder recorder;
    uint64_t given[4]; /* bit k: key k of tw_rig_key(k) was written in the file or by an override */
} tw_rig;

/* A rig with every default and nothing given. */
tw_rig tw_rig_default(void);

/* Reads a rig. `overrides` are n_overrides texts KEY=VALUE applied after the file (errors name the option as
 * place). On failure the context's record has file, line, column, key, what was found, what was expected. */
tw_status tw_rig_load(tw_ctx *ctx, const char *path, const char *const *overrides, size_t n_overrides,
                      tw_rig *out) TW_MUST_USE;

/* The same from memory; `name` stands for the file in errors. */
tw_status tw_rig_parse(tw_ctx *ctx, const char *name, const char *text, size_t length, const char *const *overrides,
                       size_t n_overrides, tw_rig *out) TW_MUST_USE;

/* Sets one key from text, e.g. ("bridge.frequency", "30k"), then checks only that key. */
tw_status tw_rig_set(tw_ctx *ctx, tw_rig *rig, const char *key, const char *text) TW_MUST_USE;

/* Checks the relations between keys (dead time shorter than half a period, coupling below 1, pan keys that
 * belong to its kind, ...). */
tw_status tw_rig_check(tw_ctx *ctx, const tw_rig *rig) TW_MUST_USE;

/* Makes sure that each named quantity is known. The error names the first that is not, with the purpose ("forecast")
 * and, where `file` is not NULL, the rig's file. TW_BAD_DATA: one is missing. */
tw_status tw_rig_require(tw_ctx *ctx, const tw_rig *rig, const char *file, const char *purpose, const char *const *keys,
                         size_t n_keys) TW_MUST_USE;

/* Writes the completed rig as YAML that tw_rig_parse reads back to the same values (every written key then counts as
 * given); each value that is a default carries the comment "# default". Keys that have no meaning with the rig's
 * kinds (pan.coupling with kind none), and optional detail (pickups.current.core.*), are written only where given. */
tw_status tw_rig_write(tw_ctx *ctx, const tw_rig *rig, tw_text *out) TW_MUST_USE;

/* The keys, in file order: name such as "tank.capacitance"; NULL beyond the last. */
const char *tw_rig_key(size_t index);

/* What a rig says under one key. */
typedef enum tw_rig_entry_kind {
    TW_RIG_ENTRY_TEXT, /* the title, or one of the key's words */
    TW_RIG_ENTRY_TRUTH,
    TW_RIG_ENTRY_QUANTITY /* channels, bits and other plain numbers included */
} tw_rig_entry_kind;

typedef struct tw_rig_entry {
    const char *key; /* static */
    tw_rig_entry_kind kind;
    const char *text; /* TEXT: static, or the rig's own title */
    bool truth;
    tw_value value;   /* QUANTITY; NaN: unknown */
    const char *unit; /* QUANTITY: SI unit without prefix, "" for a plain number */
    bool given;       /* false: the default */
    bool has_meaning; /* false: nothing reads it with the kinds that this rig has, or it is optional detail not given */
} tw_rig_entry;

/* The entry of key `index` as in tw_rig_key; false beyond the last. */
bool tw_rig_entry_at(const tw_rig *rig, size_t index, tw_rig_entry *out);

/* The metals that a rig may name, from 1; NULL beyond the last. The field room's table of metals has the same names. */
const char *tw_rig_metal(int metal);

/* Layers that say anything, from the first. */
size_t tw_rig_layer_count(const tw_rig *rig);

/* Whether the key of that name was given by the user. */
bool tw_rig_is_given(const tw_rig *rig, const char *key);

#endif

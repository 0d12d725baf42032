/* The tables of commands and options. */
#include "app.h"

#include <string.h>

#define AT(field) offsetof(app_args, field)

static const app_option COMMON[] = {
    {"help", 'h', NULL, "show this help", APP_FLAG, AT(help)},
    {"version", 'V', NULL, "show the version", APP_FLAG, AT(version)},
    {NULL},
};

static const app_option RESULT[] = {
    {"json", 0, NULL, "print one JSON object instead of text", APP_FLAG, AT(json)},
    {NULL},
};

static const app_option RIG[] = {
    {"set", 0, "KEY=VALUE", "override a key of the rig, as in --set bridge.frequency=30k; may be repeated",
     APP_REPEATED, AT(set)},
    {NULL},
};

static const app_option FILES[] = {
    {"plot", 0, "FILE", "draw the waveforms; the suffix .svg, .pdf or .png names the form", APP_PLOT, AT(plot)},
    {"report", 0, "FILE", "write a self-contained HTML page", APP_OUTPUT, AT(report)},
    {"csv", 0, "FILE", "write the waveforms as delimited text", APP_OUTPUT, AT(csv)},
    {NULL},
};

static const app_option PLANE[] = {
    {"plane", 0, "FILE",
     "draw the cycle in the state plane, capacitor voltage against coil current; .svg, .pdf or .png", APP_PLOT,
     AT(plane)},
    {NULL},
};

static const app_option MAP[] = {
    {"along", 0, "KEY=RANGE",
     "sweep a rig key, as in --along bridge.frequency=20k..60k:200 or ...:200:log; twice for a plane", APP_REPEATED,
     AT(along)},
    {"for", 0, "NAME=VALUE", "find where a result takes a value, as in --for real_power=1200", APP_REPEATED,
     AT(wanted)},
    {"columns", 0, "NAME,...", "which results to give, as in real_power,swing_time; unless given, all in JSON and CSV",
     APP_COMMAS, AT(columns)},
    {"plot", 0, "FILE", "draw curves or, along two axes, contours; the suffix .svg, .pdf or .png names the form",
     APP_PLOT, AT(plot)},
    {"csv", 0, "FILE", "write one row a point as delimited text", APP_OUTPUT, AT(csv)},
    {NULL},
};

static const app_option COIL[] = {
    {"along", 0, "KEY=RANGE",
     "what to draw and tabulate, as in --along gap=2mm..20mm:40 or frequency=10k..200k:60:log; once for each",
     APP_REPEATED, AT(along)},
    {"for", 0, "NAME=VALUE", "the turns that give an inductance, as in --for inductance=90uH", APP_REPEATED,
     AT(wanted)},
    {"accept", 0, "LIMIT",
     "which pans this plate takes, from limits on what it sees, as in --accept resistance=1.5..6; also inductance=",
     APP_REPEATED, AT(accept)},
    {"plot", 0, "FILE", "draw coil and pan cut through the axis, R and L; the suffix .svg, .pdf or .png names the form",
     APP_PLOT, AT(plot)},
    {"csv", 0, "FILE", "write L, R and efficiency along the frequency, or what --along names", APP_OUTPUT, AT(csv)},
    {NULL},
};

static const app_option PLOT[] = {
    {"plot", 0, "FILE", "draw a few periods as stored; the suffix .svg, .pdf or .png names the form", APP_PLOT,
     AT(plot)},
    {NULL},
};

static const app_option NEEDS_RIG[] = {
    {"rig", 'r', "RIG", "the rig file that describes the stage and the pick-ups", APP_FILE, AT(rig),
     .needed = "the stage and the pick-ups must be known"},
    {NULL},
};

static const app_option MAY_HAVE_RIG[] = {
    {"rig", 'r', "RIG", "take what the rig's recorder section settles", APP_FILE, AT(rig)},
    {NULL},
};

static const app_option READER[] = {
    {"sample-interval", 0, "TIME", "time between two samples, as in 40ns", APP_QUANTITY, AT(sample_interval_s),
     .unit = TW_UNIT_SECOND, .low = 1e-15, .high = 1e6},
    {"time-unit", 0, "UNIT", "unit of the time column: s, ms, us or ns", APP_CHOICE, AT(time_unit),
     .choices = "s ms us ns"},
    {"units", 0, "UNIT,...", "units of the data channels in their order, as in V,mV", APP_COMMAS, AT(units)},
    {"decimal-mark", 0, "MARK", "decimal mark: point or comma", APP_CHOICE, AT(decimal_mark), .choices = "point comma"},
    {"separator", 0, "NAME", "what stands between columns: comma, semicolon, tab or blank", APP_CHOICE, AT(separator),
     .choices = "comma semicolon tab blank"},
    {"time-column", 0, "N", "which column holds the time, counted from 1", APP_WHOLE, AT(time_column), .low = 1.0,
     .high = 1e6},
    {"no-time-column", 0, NULL, "no column holds the time", APP_FLAG, AT(no_time_column)},
    {"skip-rows", 0, "N", "rows to skip before the table", APP_WHOLE, AT(skip_rows), .low = 1.0, .high = 1e9},
    {NULL},
};

static const app_option REHEARSE[] = {
    {"output", 'o', "FILE", "where to write the record; without it only the recorder's settings are printed",
     APP_OUTPUT, AT(output)},
    {"seed", 0, "N", "seed of the noise, 1 unless given; equal seeds give equal bytes", APP_WHOLE, AT(seed), .low = 0.0,
     .high = 9007199254740991.0},
    {"interval", 0, "TIME", "sample interval; unless given, fine enough for 25 samples per swing", APP_QUANTITY,
     AT(interval_s), .unit = TW_UNIT_SECOND, .low = 1e-15, .high = 1.0},
    {"samples", 0, "N", "number of samples; unless given, duration over interval", APP_WHOLE, AT(samples), .low = 2.0,
     .high = 1e8},
    {"duration", 0, "TIME", "length of the record; unless given, twelve periods", APP_QUANTITY, AT(duration_s),
     .unit = TW_UNIT_SECOND, .low = 1e-12, .high = 1e4},
    {"skew", 0, "TIME", "delay of the voltage channel against the current channel", APP_QUANTITY, AT(skew_s),
     .unit = TW_UNIT_SECOND, .low = -1.0, .high = 1.0},
    {NULL},
};

static const app_option PICKUP[] = {
    {"scale", 0, "SCALE", "wanted scale, as in 10mV/A: prints the nearest burdens of series E24 and E96", APP_QUANTITY,
     AT(scale), .unit = TW_UNIT_VOLT_PER_AMPERE, .low = 1e-9, .high = 1e3},
    {"lowest", 0, "FREQUENCY", "lowest frequency that the core must carry; unless given, the switching frequency",
     APP_QUANTITY, AT(lowest_hz), .unit = TW_UNIT_HERTZ, .low = 1e-3, .high = 1e9},
    {"direct", 0, "CURRENT", "direct current in the coil's lead besides, none unless given", APP_QUANTITY, AT(direct_a),
     .unit = TW_UNIT_AMPERE, .low = -1e6, .high = 1e6},
    {"plot", 0, "FILE", "draw ratio and phase error against frequency; .svg, .pdf or .png names the form", APP_PLOT,
     AT(plot)},
    {NULL},
};

static const app_option HELP[] = {
    {"as", 0, "FORM", "text, man (the whole manual page), or bash, zsh, fish (completions)", APP_CHOICE, AT(as),
     .choices = "text man bash zsh fish"},
    {NULL},
};

static const app_command COMMANDS[] = {
    {"forecast",
     "RIG",
     "what to expect at the rig's operating point",
     "Solves the periodic operating point of the rig's half bridge: powers, currents, voltages, phase, resonance, and "
     "the commutation of both edges with its margin. The rail is recorder.rail_voltage where the rig gives it, else "
     "the supply's voltage (mains: its crest).",
     1,
     1,
     {RESULT, FILES, PLANE, RIG, COMMON},
     app_cmd_forecast},
    {"map",
     "RIG",
     "the operating point along one or two of the rig's numbers, and the inverse",
     "Solves the steady operating point all along an axis or over a plane: power, currents, voltages, margins and the "
     "commutation, with the exact borders between verdicts and the resonance. An axis is KEY=FROM..TO:POINTS with any "
     "numeric rig key that shapes the operating point; :log behind it spaces the points evenly in logarithm. With "
     "--for "
     "it finds every place along one axis where a result takes a value and recommends the one above resonance; without "
     "--along that axis is the frequency about resonance.",
     1,
     1,
     {MAP, RESULT, RIG, COMMON},
     app_cmd_map},
    {"pickup",
     "RIG",
     "what the pick-ups will give, how far they are linear, where to put them",
     "Checks the rig's pick-ups before power-up: scale, linear range up to clamp and saturation, corners, droop, ratio "
     "and phase error and what they do to the real power, burden, what the coil's lead sees; the volts of a sense "
     "loop, "
     "with and without pan. Then where to put each and why, and a check list.",
     1,
     1,
     {PICKUP, RESULT, RIG, COMMON},
     app_cmd_pickup},
    {"coil",
     "RIG",
     "the field of coil and pan: why this pan works and that one does not",
     "Computes inductance, resistance and losses of the rig's coil over its pan from geometry and metal (pan.kind: "
     "field; another kind shows the coil alone). Says what a plate makes of the pan, where the heat goes, and what the "
     "winding itself costs. With --accept it holds the usual pans against limits on R and L.",
     1,
     1,
     {COIL, RESULT, RIG, COMMON},
     app_cmd_coil},
    {"rehearse",
     "RIG",
     "the record that the recorder would store, and how to set it",
     "Takes the rig's operating point through pick-ups and recorder: current transformer with droop and clamp, sense "
     "loop, skew, noise, range and codes. Prints a suggested vertical range per channel and a sweep time; --output "
     "writes the record as delimited text that capture and analyse read.",
     1,
     1,
     {REHEARSE, RESULT, PLOT, RIG, COMMON},
     app_cmd_rehearse},
    {"capture",
     "FILE...",
     "what the reader understands of a record",
     "Reads a record and tells channels, units, sample interval and extremes. Several files are one record whose "
     "channels lie in several files. What the content leaves open is settled by the options here or by the rig's "
     "recorder section.",
     1,
     64,
     {READER, MAY_HAVE_RIG, RESULT, RIG, COMMON},
     app_cmd_capture},
    {"analyse",
     "CAPTURE...",
     "the hidden waveforms, the power, the tank and the verdict on every edge",
     "The main job. Takes a record of coil current and sense-loop voltage, finds frequency, gain, skew, tank and load "
     "from the record itself, reconstructs midpoint, capacitor voltage and device currents, and judges the "
     "commutation. The rig gives the pick-ups, the rail and whatever else is known, each with its uncertainty.",
     1,
     64,
     {NEEDS_RIG, RESULT, FILES, READER, RIG, COMMON},
     app_cmd_analyse},
    {"rig",
     "RIG",
     "the completed rig, with its defaults marked",
     "Checks a rig file and prints it with every key; values that are defaults carry the comment \"# default\". What "
     "is printed can be read back.",
     1,
     1,
     {RESULT, RIG, COMMON},
     app_cmd_rig},
    {"help",
     "[COMMAND]",
     "help on the program or on a command",
     "Prints the help that --help prints. --as writes the manual page or the completions of a shell, made from the "
     "same tables.",
     0,
     1,
     {HELP, COMMON},
     app_cmd_help},
    {NULL},
};

const app_command *app_commands(void) {
    return COMMANDS;
}

const app_command *app_find_command(const char *name) {
    for (const app_command *c = COMMANDS; c->name != NULL; c++) {
        if (strcmp(c->name, name) == 0) {
            return c;
        }
    }
    return NULL;
}

const app_option *app_common_options(void) {
    return COMMON;
}

const app_option *app_option_at(const app_command *command, size_t k) {
    for (size_t t = 0; t < APP_MAX_TABLES && command->tables[t] != NULL; t++) {
        for (const app_option *o = command->tables[t]; o->name != NULL; o++) {
            if (k-- == 0) {
                return o;
            }
        }
    }
    return NULL;
}

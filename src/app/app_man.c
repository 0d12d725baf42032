/* The manual page from the tables, in the man macros of roff. */
#include "app.h"

/* Text with what roff would read as its own escaped. */
static void add_plain(tw_text *out, const char *text) {
    for (const char *at = text; *at != '\0'; at++) {
        const bool at_start = at == text || at[-1] == '\n';
        if (*at == '-') {
            tw_text_add(out, "\\-");
        } else if (*at == '\\') {
            tw_text_add(out, "\\e");
        } else if (at_start && (*at == '.' || *at == '\'')) {
            tw_text_add(out, "\\&");
            tw_text_append(out, at, 1);
        } else {
            tw_text_append(out, at, 1);
        }
    }
}

static void add_option(tw_text *out, const app_option *option) {
    tw_text_add(out, ".TP\n");
    if (option->letter != '\0') {
        tw_text_addf(out, "\\fB\\-%c\\fR, ", option->letter);
    }
    tw_text_add(out, "\\fB\\-\\-");
    add_plain(out, option->name);
    tw_text_add(out, "\\fR");
    if (option->argument != NULL) {
        tw_text_add(out, " \\fI");
        add_plain(out, option->argument);
        tw_text_add(out, "\\fR");
    }
    tw_text_add(out, "\n");
    add_plain(out, option->help);
    tw_text_add(out, ".\n");
}

static bool is_common(const app_option *option) {
    for (const app_option *o = app_common_options(); o->name != NULL; o++) {
        if (o == option) {
            return true;
        }
    }
    return false;
}

static void add_command(tw_text *out, const app_command *command) {
    const app_option *option = NULL;
    tw_text_addf(out, ".SS tankwright %s ", command->name);
    add_plain(out, command->operands);
    tw_text_add(out, "\n");
    add_plain(out, command->text);
    tw_text_add(out, "\n");
    for (size_t k = 0; (option = app_option_at(command, k)) != NULL; k++) {
        if (!is_common(option)) {
            add_option(out, option);
        }
    }
}

static const char HEAD[] = ".TH TANKWRIGHT 1 \"\" \"tankwright " TW_VERSION "\" \"User commands\"\n"
                           ".SH NAME\n"
                           "tankwright \\- bench companion for series\\-resonant induction\\-heating inverters\n"
                           ".SH SYNOPSIS\n"
                           "\\fBtankwright\\fR \\fICOMMAND\\fR [\\fIOPTION\\fR...] \\fIARGUMENT\\fR...\n"
                           ".SH DESCRIPTION\n"
                           "From two isolated pick\\-ups, a current transformer on the coil lead and a sense loop near "
                           "the coil, to every hidden waveform in the inverter: midpoint and capacitor voltage, device "
                           "currents, power, resonance, load, and the verdict on every switching edge.\n"
                           ".PP\n"
                           "Numbers on the command line and in files take units and prefixes (40ns, 26kHz, 4k7). An "
                           "option's value follows after a blank or an equals sign; \\fB\\-\\-\\fR ends the options.\n"
                           ".SH COMMANDS\n";

static const char TAIL[] =
    ".SH EXIT STATUS\n"
    ".TP\n0\ndone.\n"
    ".TP\n1\nthe work could not be done: bad data, no convergence, a file that cannot be read or written.\n"
    ".TP\n2\nwrong usage of the command line.\n"
    ".PP\nMessages go to standard error as \\fBtankwright: FILE:LINE:COLUMN: message\\fR. An output file appears whole "
    "or not at all.\n"
    ".SH ENVIRONMENT\n"
    ".TP\n\\fBNO_COLOR\\fR\nwhen set and not empty, text on a terminal carries no colour or bold.\n"
    ".SH EXAMPLES\n"
    ".nf\n"
    "tankwright forecast rig.yaml \\-\\-plot waveforms.svg\n"
    "tankwright rehearse rig.yaml \\-\\-output record.csv\n"
    "tankwright capture record.csv\n"
    "tankwright analyse record.csv \\-\\-rig rig.yaml \\-\\-report report.html\n"
    "tankwright forecast rig.yaml \\-\\-set bridge.frequency=30k \\-\\-json\n"
    ".fi\n"
    ".SH CAUTIONS\n"
    "The power stage is at mains potential and its rail holds a lethal charge after unplugging. Use isolating "
    "pick\\-ups "
    "whose insulation is rated for the mains, and never lift the recorder's earth.\n";

void app_man_page(tw_text *out) {
    tw_text_add(out, HEAD);
    for (const app_command *c = app_commands(); c->name != NULL; c++) {
        add_command(out, c);
    }
    tw_text_add(out, ".SH COMMON OPTIONS\n");
    for (const app_option *o = app_common_options(); o->name != NULL; o++) {
        add_option(out, o);
    }
    tw_text_add(out, TAIL);
}

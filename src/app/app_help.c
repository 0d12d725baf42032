/* Help texts from the tables. */
#include "app.h"

#include <string.h>

#define COLUMNS 80
#define OPTION_COLUMN 28
#define COMMAND_COLUMN 12

void app_wrap(tw_text *out, size_t indent, size_t column, const char *text) {
    bool first = true;
    for (const char *at = text; *at != '\0';) {
        const size_t length = strcspn(at, " ");
        const size_t width = tw_utf8_count(at, length);
        if (!first && column + 1 + width > COLUMNS) {
            tw_text_addf(out, "\n%*s", (int)indent, "");
            column = indent;
        } else if (!first) {
            tw_text_add(out, " ");
            column++;
        }
        tw_text_append(out, at, length);
        column += width;
        first = false;
        at += length + strspn(at + length, " ");
    }
    tw_text_add(out, "\n");
}

/* A name in the left column, its explanation in the right one. */
static void add_row(tw_text *out, const char *left, size_t column, const char *right) {
    const size_t used = 2 + strlen(left);
    tw_text_addf(out, "  %s", left);
    if (used + 2 > column) {
        tw_text_addf(out, "\n%*s", (int)column, "");
    } else {
        tw_text_addf(out, "%*s", (int)(column - used), "");
    }
    app_wrap(out, column, column, right);
}

static void add_option(tw_text *out, const app_option *option) {
    char left[80];
    const bool has_letter = option->letter != '\0', has_argument = option->argument != NULL;
    (void)snprintf(left, sizeof left, "%c%c%c --%s%s%s", has_letter ? '-' : ' ', has_letter ? option->letter : ' ',
                   has_letter ? ',' : ' ', option->name, has_argument ? " " : "", has_argument ? option->argument : "");
    add_row(out, left, OPTION_COLUMN, option->help);
}

static void add_options(tw_text *out, const app_command *command) {
    const app_option *option = NULL;
    for (size_t k = 0; (option = app_option_at(command, k)) != NULL; k++) {
        add_option(out, option);
    }
}

void app_help_command(const app_command *command, tw_text *out) {
    const app_option *option = NULL;
    tw_text_addf(out, "Usage: tankwright %s %s", command->name, command->operands);
    for (size_t k = 0; (option = app_option_at(command, k)) != NULL; k++) {
        if (option->needed != NULL) {
            tw_text_addf(out, " --%s %s", option->name, option->argument);
        }
    }
    tw_text_addf(out, " [OPTION...]\n%s\n\n", command->summary);
    app_wrap(out, 0, 0, command->text);
    tw_text_add(out, "\nOptions:\n");
    add_options(out, command);
    tw_text_add(out, "\nNumbers take units and prefixes: 40ns, 1.5us, 26kHz. --name=VALUE works as well;\n"
                     "-- ends the options.\n");
}

void app_help_program(tw_text *out) {
    tw_text_add(out, "Usage: tankwright COMMAND ...\n"
                     "From two isolated pick-ups to every hidden waveform of a series-resonant\n"
                     "induction-heating inverter.\n\nCommands:\n");
    for (const app_command *c = app_commands(); c->name != NULL; c++) {
        add_row(out, c->name, COMMAND_COLUMN, c->summary);
    }
    tw_text_add(out, "\nOptions:\n");
    for (const app_option *o = app_common_options(); o->name != NULL; o++) {
        add_option(out, o);
    }
    tw_text_add(out, "\nExamples:\n"
                     "  tankwright forecast rig.yaml --plot waveforms.svg\n"
                     "  tankwright rehearse rig.yaml --output record.csv\n"
                     "  tankwright analyse record.csv --rig rig.yaml --report report.html\n"
                     "\n'tankwright COMMAND --help' tells about a command.\n"
                     "Exit status: 0 done, 1 the work could not be done, 2 wrong usage.\n");
}

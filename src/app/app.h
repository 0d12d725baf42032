/* app, private: the command line.
 *
 * One table of commands and one table of options per theme; parsing, help, man page and completions all read them.
 * A command is a function that checks its arguments, calls study and prints what report makes of the result. */
#ifndef TW_APP_H
#define TW_APP_H

#include "tankwright/base.h"
#include "tankwright/report.h"
#include "tankwright/rig.h"
#include "tankwright/study.h"
#include "tankwright/units.h"

/* Exit statuses; docs/commands.md tells them to the user. */
enum { APP_DONE = 0, APP_FAILED = 1, APP_USAGE = 2 };

/* ---- arguments (app_args.c) ----------------------------------------------------------------------- */

/* Strings in the order given: borrowed from the command line, or owned copies (app_args_dispose frees both kinds). */
typedef struct app_list {
    const char **items;
    size_t count;
    char *storage; /* of the items that are copies, else NULL */
} app_list;

/* What the options of all commands say. A field that no option set keeps the "not given" value of its kind. */
typedef struct app_args {
    app_list operands;
    bool help, version, json, no_time_column;
    app_list set, units, along, wanted, columns, accept;
    const char *plot, *report, *csv, *output, *plane, *rig, *as;
    const char *time_unit, *decimal_mark, *separator;
    double sample_interval_s, interval_s, duration_s, skew_s; /* NaN */
    double scale, lowest_hz, direct_a;                        /* NaN */
    double samples, seed, time_column, skip_rows;             /* whole numbers; NaN */
} app_args;

typedef enum app_kind {
    APP_FLAG,     /* bool */
    APP_FILE,     /* const char *: a file to read */
    APP_OUTPUT,   /* const char *: a file to write */
    APP_PLOT,     /* the same, its suffix names the form */
    APP_CHOICE,   /* const char *: one of `choices` */
    APP_REPEATED, /* app_list: one item each time */
    APP_COMMAS,   /* app_list: items between commas */
    APP_QUANTITY, /* double in `unit` */
    APP_WHOLE     /* double that is a whole number */
} app_kind;

/* One option. `name` NULL ends a table. */
typedef struct app_option {
    const char *name;     /* without the two dashes */
    char letter;          /* 0: none */
    const char *argument; /* "FILE"; NULL for a flag */
    const char *help;     /* a sentence without full stop */
    app_kind kind;
    size_t offset;       /* into app_args */
    const char *choices; /* "svg pdf png" */
    tw_unit unit;
    double low, high;   /* legal range of a number, both included */
    const char *needed; /* not NULL: the option must be given */
} app_option;

#define APP_MAX_TABLES 6

typedef struct app app;

typedef struct app_command {
    const char *name;
    const char *operands; /* "RIG", "CAPTURE..." for the synopsis */
    const char *summary;  /* one line */
    const char *text;     /* a paragraph or two */
    size_t least, most;   /* operands */
    const app_option *tables[APP_MAX_TABLES];
    int (*run)(app *a); /* exit status */
} app_command;

/* All commands; name NULL ends. */
const app_command *app_commands(void);
const app_command *app_find_command(const char *name);
/* "--help" and "--version", which stand alone as well. */
const app_option *app_common_options(void);

/* The k-th option of a command over all of its tables; NULL beyond the last. */
const app_option *app_option_at(const app_command *command, size_t k);

/* Reads argv[0..n) (what follows the command's name). Returns an exit status; APP_USAGE after a message. */
int app_parse(app *a, const app_command *command, int n, char **argv);
void app_args_init(app_args *args);
void app_args_dispose(app_args *args);

/* ---- the run (app_run.c) -------------------------------------------------------------------------- */

struct app {
    tw_ctx *ctx;
    const app_command *command; /* NULL before one is chosen */
    app_args args;
    double started_s, drawn_s; /* progress: monotonic seconds */
    bool bar_shown;
};

/* Prints "tankwright: COMMAND: message; see 'tankwright COMMAND --help'" and returns APP_USAGE. */
int app_usage_error(const app *a, const char *format, ...) TW_PRINTF(2, 3);
/* Prints the context's error and returns the exit status that belongs to it. */
int app_failure(app *a);

/* The same where the rig's values are at fault: a key that stands without a file gets the rig's. */
int app_rig_failure(app *a, const char *rig_path);

/* Prints warnings to standard error, for work that came to nothing. */
void app_warnings(app *a, const tw_warnings *warnings);

/* Writes the text to standard output and notices when that fails. */
int app_print(app *a, const tw_text *text);
void app_text_init(app *a, tw_text *text);

/* Emphasis where standard output is a terminal and nobody asked for none. */
tw_report_text_opts app_text_opts(void);

/* Progress bar and interrupts (app_progress.c): installs the context's progress callback. */
void app_watch(app *a);
void app_clear_bar(app *a);
/* The program's exit status; where an interrupt cut the work short, ends the program by that signal instead. */
int app_end(int status);

/* Loads the rig with the --set overrides. */
tw_status app_load_rig(app *a, const char *path, tw_rig *out) TW_MUST_USE;

/* Whether the files that the options name can be put in place at all, and stand for what they seem to. */
tw_status app_check_files(app *a) TW_MUST_USE;

/* What --plot, --report and --csv ask for, then the reading itself as text or JSON. */
int app_show_reading(app *a, const tw_reading *reading);

/* The reader's options as tw_capture_opts; borrows from a->args. */
tw_capture_opts app_capture_opts(const app *a);

/* ---- commands ------------------------------------------------------------------------------------- */

int app_cmd_forecast(app *a);
int app_cmd_map(app *a);
int app_cmd_coil(app *a);
int app_cmd_rehearse(app *a);
int app_cmd_capture(app *a);
int app_cmd_analyse(app *a);
int app_cmd_rig(app *a);
int app_cmd_pickup(app *a);
int app_cmd_help(app *a);

/* Texts made from the tables (app_help.c, app_man.c, app_completion.c). */
void app_help_program(tw_text *out);
void app_help_command(const app_command *command, tw_text *out);
void app_man_page(tw_text *out);
void app_completion(const char *shell, tw_text *out);
/* Appends `text` wrapped to 80 columns; every line but the first is indented. */
void app_wrap(tw_text *out, size_t indent, size_t column, const char *text);

#endif

/* tankwright help [COMMAND], and --help everywhere */
#include "app.h"

#include <string.h>

/* Which command the help is about: NULL for the program, `ok` false after a message. */
static const app_command *subject(app *a, bool *ok) {
    const bool asked_by_option = a->command != NULL && a->args.help;
    *ok = true;
    if (asked_by_option) {
        return a->command;
    }
    if (a->args.operands.count == 0) {
        return NULL;
    }
    const char *name = a->args.operands.items[0];
    const app_command *command = app_find_command(name);
    if (command == NULL) {
        char quote[TW_QUOTE_TEXT];
        (void)app_usage_error(a, "no command %s", tw_quote(name, strlen(name), quote));
        *ok = false;
    }
    return command;
}

int app_cmd_help(app *a) {
    const char *as = a->args.as != NULL ? a->args.as : "text";
    bool ok = true;
    const app_command *command = subject(a, &ok);
    if (!ok) {
        return APP_USAGE;
    }
    if (command != NULL && strcmp(as, "text") != 0) {
        return app_usage_error(a, "--as %s is about the whole program: leave %s out", as, command->name);
    }
    tw_text text;
    app_text_init(a, &text);
    if (command != NULL) {
        app_help_command(command, &text);
    } else if (strcmp(as, "text") == 0) {
        app_help_program(&text);
    } else if (strcmp(as, "man") == 0) {
        app_man_page(&text);
    } else {
        app_completion(as, &text);
    }
    const int status = app_print(a, &text);
    tw_text_dispose(&text);
    return status;
}

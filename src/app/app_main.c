/* tankwright: the program. */
#include "app.h"

#include <string.h>

static int unknown_command(const app *a, const char *name) {
    const char *names[16];
    char quote[TW_QUOTE_TEXT];
    size_t n = 0;
    for (const app_command *c = app_commands(); c->name != NULL && n < 16; c++) {
        names[n++] = c->name;
    }
    const char *nearest = tw_nearest_name(name, names, n);
    (void)tw_quote(name, strlen(name), quote);
    return nearest != NULL ? app_usage_error(a, "unknown command %s, did you mean %s?", quote, nearest)
                           : app_usage_error(a, "unknown command %s", quote);
}

static int print_version(app *a) {
    tw_text text;
    app_text_init(a, &text);
    tw_text_addf(&text, "tankwright %s\nLicence GPL-3.0-or-later; there is no warranty, as far as the law permits.\n",
                 TW_VERSION);
    const int status = app_print(a, &text);
    tw_text_dispose(&text);
    return status;
}

/* --help and --version may stand in the place of a command. */
static int run_without_command(app *a, const char *option) {
    if (strcmp(option, "--version") == 0 || strcmp(option, "-V") == 0) {
        return print_version(a);
    }
    if (strcmp(option, "--help") == 0 || strcmp(option, "-h") == 0) {
        return app_cmd_help(a);
    }
    char quote[TW_QUOTE_TEXT];
    return app_usage_error(a, "%s stands where a command is expected", tw_quote(option, strlen(option), quote));
}

static int run(app *a, int argc, char **argv) {
    if (argc < 2) {
        return app_usage_error(a, "no command given");
    }
    if (argv[1][0] == '-') {
        return run_without_command(a, argv[1]);
    }
    const app_command *command = app_find_command(argv[1]);
    if (command == NULL) {
        return unknown_command(a, argv[1]);
    }
    const int status = app_parse(a, command, argc - 2, argv + 2);
    if (status != APP_DONE) {
        return status;
    }
    if (a->args.version) {
        return print_version(a);
    }
    if (a->args.help) {
        return app_cmd_help(a);
    }
    const tw_status files = app_check_files(a);
    if (files == TW_OK) {
        return command->run(a);
    }
    const int failed = app_failure(a);
    return files == TW_BAD_ARGUMENT ? APP_USAGE : failed;
}

int main(int argc, char **argv) {
    app a = {.ctx = tw_ctx_create()};
    if (a.ctx == NULL) {
        (void)fputs("tankwright: out of memory\n", stderr);
        return APP_FAILED;
    }
    app_args_init(&a.args);
    app_watch(&a);
    const int status = run(&a, argc, argv);
    app_clear_bar(&a);
    app_args_dispose(&a.args);
    tw_ctx_destroy(a.ctx);
    return app_end(status);
}

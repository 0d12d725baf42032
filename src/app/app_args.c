/* Reading the command line against the tables: --name VALUE, --name=VALUE, -x VALUE, -xVALUE; "--" ends the options.
 * The first thing that is wrong is told in one line. */
#include "app.h"

#include <math.h>
#include <string.h>

#define MOST_OPTIONS 40

void app_args_init(app_args *args) {
    *args = (app_args){.sample_interval_s = NAN,
                       .interval_s = NAN,
                       .duration_s = NAN,
                       .skew_s = NAN,
                       .scale = NAN,
                       .lowest_hz = NAN,
                       .direct_a = NAN,
                       .samples = NAN,
                       .seed = NAN,
                       .time_column = NAN,
                       .skip_rows = NAN};
}

static void list_dispose(app_list *list) {
    tw_free(list->items);
    tw_free(list->storage);
    *list = (app_list){NULL, 0, NULL};
}

void app_args_dispose(app_args *args) {
    list_dispose(&args->operands);
    list_dispose(&args->set);
    list_dispose(&args->units);
    list_dispose(&args->along);
    list_dispose(&args->wanted);
    list_dispose(&args->columns);
    list_dispose(&args->accept);
}

static int list_add(app *a, app_list *list, const char *item) {
    const char **grown = tw_resize(a->ctx, list->items, list->count + 1, sizeof *grown);
    if (grown == NULL) {
        return app_failure(a);
    }
    list->items = grown;
    list->items[list->count++] = item;
    return APP_DONE;
}

/* "V,mV" becomes two items. */
static int list_split(app *a, app_list *list, const char *text) {
    if ((list->storage = tw_copy_string(a->ctx, text)) == NULL) {
        return app_failure(a);
    }
    for (char *at = list->storage, *comma; at != NULL; at = comma) {
        if ((comma = strchr(at, ',')) != NULL) {
            *comma++ = '\0';
        }
        if (list_add(a, list, at) != APP_DONE) {
            return APP_FAILED;
        }
    }
    return APP_DONE;
}

/* Whether `word` is one of the blank-separated choices. */
static bool is_choice(const char *choices, const char *word) {
    const size_t n = strlen(word);
    for (const char *at = choices; *at != '\0' && n > 0;) {
        const size_t length = strcspn(at, " ");
        if (length == n && strncmp(at, word, n) == 0) {
            return true;
        }
        at += length + strspn(at + length, " ");
    }
    return false;
}

/* The error of the units room without its place: the option's name is place enough. */
static int bad_value(const app *a, const app_option *option, const char *text, const char *why) {
    char quote[TW_QUOTE_TEXT];
    return app_usage_error(a, "--%s %s: %s", option->name, tw_quote(text, strlen(text), quote), why);
}

static int set_quantity(app *a, const app_option *option, const char *text, double *out) {
    tw_quantity q;
    if (tw_quantity_parse(a->ctx, text, strlen(text), option->unit, NULL, &q) != TW_OK) {
        return bad_value(a, option, text, tw_ctx_error(a->ctx)->message);
    }
    if (q.spread_kind != TW_SPREAD_NONE) {
        return bad_value(a, option, text, "no uncertainty is expected here");
    }
    if (!(q.value >= option->low && q.value <= option->high)) {
        char why[3 * TW_QUANTITY_TEXT + 24], low[TW_QUANTITY_TEXT], high[TW_QUANTITY_TEXT], found[TW_QUANTITY_TEXT];
        const tw_quantity ends[2] = {tw_quantity_of(tw_exactly(option->low), option->unit),
                                     tw_quantity_of(tw_exactly(option->high), option->unit)};
        (void)tw_quantity_format(&ends[0], low);
        (void)tw_quantity_format(&ends[1], high);
        (void)tw_quantity_format(&q, found);
        (void)snprintf(why, sizeof why, "that is %s; expected %s to %s", found, low, high);
        return bad_value(a, option, text, why);
    }
    *out = q.value;
    return APP_DONE;
}

static int set_whole(app *a, const app_option *option, const char *text, double *out) {
    double number = NAN;
    char why[96];
    const bool digits = text[0] != '\0' && text[strspn(text, "0123456789")] == '\0';
    if (digits && tw_parse_number(text, strlen(text), &number) == strlen(text) && number >= option->low &&
        number <= option->high) {
        *out = number;
        return APP_DONE;
    }
    (void)snprintf(why, sizeof why, "expected a whole number, %.0f to %.0f", option->low, option->high);
    return bad_value(a, option, text, why);
}

static bool ends_with(const char *text, const char *end) {
    const size_t n = strlen(text), m = strlen(end);
    if (n <= m) {
        return false;
    }
    for (size_t k = 0; k < m; k++) {
        const char c = text[n - m + k];
        if ((c >= 'A' && c <= 'Z' ? c - 'A' + 'a' : c) != end[k]) {
            return false;
        }
    }
    return true;
}

/* Whether an option that counts once was given before: the person would get only one of two things asked for. */
static bool is_set(const app *a, const app_option *option) {
    const char *field = (const char *)&a->args + option->offset;
    const char *text = NULL;
    double number = NAN;
    switch (option->kind) {
    case APP_FILE:
    case APP_OUTPUT:
    case APP_PLOT:
    case APP_CHOICE:
        memcpy(&text, field, sizeof text);
        return text != NULL;
    case APP_QUANTITY:
    case APP_WHOLE:
        memcpy(&number, field, sizeof number);
        return !isnan(number);
    case APP_COMMAS:
        return ((const app_list *)(const void *)field)->count > 0;
    case APP_FLAG:
    case APP_REPEATED:
        break;
    }
    return false;
}

static int set_option(app *a, const app_option *option, const char *value) {
    char *field = (char *)&a->args + option->offset;
    if (is_set(a, option)) {
        return app_usage_error(a, "--%s is given twice", option->name);
    }
    switch (option->kind) {
    case APP_FLAG: {
        const bool yes = true;
        memcpy(field, &yes, sizeof yes);
        return APP_DONE;
    }
    case APP_CHOICE:
        if (!is_choice(option->choices, value)) {
            char why[160];
            (void)snprintf(why, sizeof why, "expected one of %s", option->choices);
            return bad_value(a, option, value, why);
        }
        break;
    case APP_PLOT:
        if (!ends_with(value, ".svg") && !ends_with(value, ".pdf") && !ends_with(value, ".png")) {
            return bad_value(a, option, value, "the suffix must be .svg, .pdf or .png");
        }
        break;
    case APP_REPEATED:
        return list_add(a, (app_list *)(void *)field, value);
    case APP_COMMAS:
        return list_split(a, (app_list *)(void *)field, value);
    case APP_QUANTITY:
        return set_quantity(a, option, value, (double *)(void *)field);
    case APP_WHOLE:
        return set_whole(a, option, value, (double *)(void *)field);
    case APP_FILE:
    case APP_OUTPUT:
        break;
    }
    if (value[0] == '\0') {
        return app_usage_error(a, "--%s: the value is empty", option->name);
    }
    memcpy(field, &value, sizeof value);
    return APP_DONE;
}

static const app_option *find_long(const app_command *command, const char *name, size_t length) {
    const app_option *o = NULL;
    for (size_t k = 0; (o = app_option_at(command, k)) != NULL; k++) {
        if (strlen(o->name) == length && strncmp(o->name, name, length) == 0) {
            break;
        }
    }
    return o;
}

static const app_option *find_letter(const app_command *command, char letter) {
    const app_option *o = NULL;
    for (size_t k = 0; (o = app_option_at(command, k)) != NULL; k++) {
        if (o->letter != '\0' && o->letter == letter) {
            break;
        }
    }
    return o;
}

static int unknown_option(const app *a, const char *argument) {
    const char *names[MOST_OPTIONS];
    char quote[TW_QUOTE_TEXT];
    size_t n = 0;
    for (const app_option *o; n < MOST_OPTIONS && (o = app_option_at(a->command, n)) != NULL; n++) {
        names[n] = o->name;
    }
    const size_t length = strcspn(argument, "=");
    char name[80];
    (void)snprintf(name, sizeof name, "%.*s", (int)(length < 79 ? length : 79), argument);
    const char *nearest = argument[1] == '-' ? tw_nearest_name(name + 2, names, n) : NULL;
    (void)tw_quote(argument, length, quote);
    return nearest != NULL ? app_usage_error(a, "unknown option %s, did you mean --%s?", quote, nearest)
                           : app_usage_error(a, "unknown option %s", quote);
}

/* One option at argv[*k]; moves *k past a separate value. */
static int take_option(app *a, int n, char **argv, int *k) {
    const char *argument = argv[*k], *value = NULL;
    const bool is_long = argument[1] == '-';
    const size_t length = is_long ? strcspn(argument + 2, "=") : 1;
    const app_option *option =
        is_long ? find_long(a->command, argument + 2, length) : find_letter(a->command, argument[1]);
    if (option == NULL) {
        return unknown_option(a, argument);
    }
    const char *rest = argument + (is_long ? 2 : 1) + length;
    if (*rest != '\0') {
        value = is_long || *rest == '=' ? rest + 1 : rest;
    }
    if (option->argument == NULL && value != NULL) {
        return is_long ? app_usage_error(a, "--%s takes no value", option->name) : unknown_option(a, argument);
    }
    if (option->argument != NULL && value == NULL) {
        if (*k + 1 >= n) {
            return app_usage_error(a, "--%s needs a value: %s", option->name, option->argument);
        }
        value = argv[++*k];
    }
    return set_option(a, option, value);
}

/* Whether something the command cannot do without is missing. */
static int check_needs(const app *a) {
    const app_command *command = a->command;
    const size_t count = a->args.operands.count;
    char quote[TW_QUOTE_TEXT];
    if (a->args.help || a->args.version) {
        return APP_DONE;
    }
    if (count < command->least) {
        return app_usage_error(a, "%s is missing", command->operands);
    }
    if (count > command->most) {
        const char *extra = a->args.operands.items[command->most];
        return app_usage_error(a, "%s is one argument too many", tw_quote(extra, strlen(extra), quote));
    }
    const app_option *o = NULL;
    for (size_t k = 0; (o = app_option_at(command, k)) != NULL; k++) {
        const char *value = NULL;
        if (o->needed != NULL) {
            memcpy(&value, (const char *)&a->args + o->offset, sizeof value);
            if (value == NULL) {
                return app_usage_error(a, "--%s %s is missing: %s", o->name, o->argument, o->needed);
            }
        }
    }
    return APP_DONE;
}

int app_parse(app *a, const app_command *command, int n, char **argv) {
    a->command = command;
    bool options = true;
    for (int k = 0; k < n; k++) {
        int status = APP_DONE;
        if (options && strcmp(argv[k], "--") == 0) {
            options = false;
        } else if (options && argv[k][0] == '-' && argv[k][1] != '\0') {
            status = take_option(a, n, argv, &k);
        } else {
            status = list_add(a, &a->args.operands, argv[k]);
        }
        if (status != APP_DONE) {
            return status;
        }
    }
    return check_needs(a);
}

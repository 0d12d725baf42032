/* What the commands share: messages, standard output, rig and reading. */
#include "app.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

/* Far above any text this program prints. */
#define MOST_TEXT ((size_t)256 << 20)

/* One line for the terminal: what a file name may hold beyond text becomes '?'. */
static void print_line(const char *text) {
    for (const char *c = text; *c != '\0'; c++) {
        (void)fputc((unsigned char)*c < 0x20 || *c == 0x7F ? '?' : *c, stderr);
    }
    (void)fputc('\n', stderr);
}

int app_usage_error(const app *a, const char *format, ...) {
    char message[700];
    va_list list;
    va_start(list, format);
    (void)vsnprintf(message, sizeof message, format, list);
    va_end(list);
    const char *name = a->command != NULL ? a->command->name : NULL;
    (void)fprintf(stderr, "tankwright: %s%s%s (see 'tankwright %s%s--help')\n", name != NULL ? name : "",
                  name != NULL ? ": " : "", message, name != NULL ? name : "", name != NULL ? " " : "");
    return APP_USAGE;
}

int app_failure(app *a) {
    const tw_error *error = tw_ctx_error(a->ctx);
    char text[1024];
    app_clear_bar(a);
    (void)fputs("tankwright: ", stderr);
    print_line(tw_error_format(error, text, sizeof text));
    static const char *const OPTIONS[] = {"--set ", "--along ", "--for ", "--columns ", "--accept "};
    for (size_t k = 0; k < sizeof OPTIONS / sizeof OPTIONS[0]; k++) {
        if (strncmp(error->file, OPTIONS[k], strlen(OPTIONS[k])) == 0) {
            return APP_USAGE; /* what an option says is wrong usage */
        }
    }
    return APP_FAILED;
}

int app_rig_failure(app *a, const char *rig_path) {
    const tw_error *error = tw_ctx_error(a->ctx);
    if (error->file[0] == '\0' && strchr(error->key, '.') != NULL) {
        const tw_place place = {.file = rig_path};
        tw_error_add_place(a->ctx, &place);
    }
    return app_failure(a);
}

void app_warnings(app *a, const tw_warnings *warnings) {
    app_clear_bar(a);
    for (size_t k = 0; k < warnings->count; k++) {
        (void)fputs("tankwright: warning: ", stderr);
        print_line(warnings->items[k].message);
    }
}

void app_text_init(app *a, tw_text *text) {
    tw_text_init(a->ctx, text, MOST_TEXT);
}

int app_print(app *a, const tw_text *text) {
    if (text->status != TW_OK) {
        return app_failure(a);
    }
    app_clear_bar(a);
    errno = 0;
    if (fwrite(text->data, 1, text->length, stdout) == text->length && fflush(stdout) == 0) {
        return APP_DONE;
    }
    (void)fprintf(stderr, "tankwright: standard output: %s\n", strerror(errno));
    return APP_FAILED;
}

tw_report_text_opts app_text_opts(void) {
    const char *no_color = getenv("NO_COLOR"), *terminal = getenv("TERM");
    const bool dumb = terminal == NULL || strcmp(terminal, "dumb") == 0;
    const bool refused = no_color != NULL && no_color[0] != '\0';
    return (tw_report_text_opts){.emphasis = isatty(STDOUT_FILENO) == 1 && !dumb && !refused};
}

tw_status app_load_rig(app *a, const char *path, tw_rig *out) {
    return tw_rig_load(a->ctx, path, a->args.set.items, a->args.set.count, out);
}

static void choose_char(const char *word, const char *words, const char *chars, char *out) {
    for (size_t k = 0; word != NULL && *words != '\0'; k++) {
        const size_t length = strcspn(words, " ");
        if (strlen(word) == length && strncmp(word, words, length) == 0) {
            *out = chars[k];
            return;
        }
        words += length + strspn(words + length, " ");
    }
}

tw_capture_opts app_capture_opts(const app *a) {
    const app_args *args = &a->args;
    tw_capture_opts opts = tw_capture_opts_default();
    opts.sample_interval_s = args->sample_interval_s;
    opts.time_unit = args->time_unit;
    opts.units = args->units.items;
    opts.n_units = args->units.count;
    opts.no_time_column = args->no_time_column;
    choose_char(args->decimal_mark, "point comma", ".,", &opts.decimal_mark);
    choose_char(args->separator, "comma semicolon tab blank", ",;\t ", &opts.separator);
    opts.time_column = isnan(args->time_column) ? 0 : (size_t)args->time_column;
    opts.skip_rows = isnan(args->skip_rows) ? 0 : (size_t)args->skip_rows;
    return opts;
}

/* Writing puts a new file in the place of an old one: a device or a folder must not be replaced. */
static tw_status check_output(app *a, const char *path) {
    struct stat info;
    const tw_place place = {.file = path};
    if (path == NULL || stat(path, &info) != 0 || S_ISREG(info.st_mode)) {
        return TW_OK;
    }
    return tw_fail_at(a->ctx, TW_STORAGE, "app", &place, "cannot write: %s",
                      S_ISDIR(info.st_mode) ? "it is a folder" : "it is not a plain file");
}

static bool same_file(const char *one, const char *other) {
    struct stat a, b;
    return one != NULL && other != NULL && stat(one, &a) == 0 && stat(other, &b) == 0 && a.st_dev == b.st_dev &&
           a.st_ino == b.st_ino;
}

/* What is read must not be written over, and a record given twice is a slip of the hand. */
static tw_status check_inputs(app *a, const char *output) {
    const app_list *inputs = &a->args.operands;
    for (size_t k = 0; k <= inputs->count; k++) {
        const char *input = k < inputs->count ? inputs->items[k] : a->args.rig;
        if (same_file(output, input)) {
            const tw_place place = {.file = output};
            return tw_fail_at(a->ctx, TW_BAD_ARGUMENT, "app", &place, "would be written over, but it is read here");
        }
        for (size_t other = 0; other < k; other++) {
            if (same_file(input, inputs->items[other])) {
                const tw_place place = {.file = input};
                return tw_fail_at(a->ctx, TW_BAD_ARGUMENT, "app", &place, "the same file is given twice");
            }
        }
    }
    return TW_OK;
}

tw_status app_check_files(app *a) {
    const char *paths[] = {a->args.plot, a->args.report, a->args.csv, a->args.output, a->args.plane};
    for (size_t k = 0; k < sizeof paths / sizeof paths[0]; k++) {
        TW_TRY(check_inputs(a, paths[k]));
        TW_TRY(check_output(a, paths[k]));
        for (size_t other = 0; other < k; other++) {
            if (paths[k] != NULL && paths[other] != NULL && strcmp(paths[k], paths[other]) == 0) {
                const tw_place place = {.file = paths[k]};
                return tw_fail_at(a->ctx, TW_BAD_ARGUMENT, "app", &place, "two outputs would go to the same file");
            }
        }
    }
    return TW_OK;
}

static tw_status write_plane(app *a, const tw_reading *reading, const char *path) {
    tw_plane plane;
    TW_TRY(tw_study_plane(a->ctx, reading, &plane));
    const tw_status status = tw_report_plot_plane(a->ctx, &plane, path);
    tw_plane_dispose(&plane);
    return status;
}

static tw_status write_files(app *a, const tw_reading *reading, tw_text *written) {
    const app_args *args = &a->args;
    if (args->plot != NULL) {
        TW_TRY(tw_progress(a->ctx, 0.0, "drawing"));
        TW_TRY(tw_report_plot(a->ctx, reading, args->plot));
        tw_text_addf(written, "Wrote %s\n", args->plot);
    }
    if (args->plane != NULL) {
        TW_TRY(tw_progress(a->ctx, 0.2, "drawing the state plane"));
        TW_TRY(write_plane(a, reading, args->plane));
        tw_text_addf(written, "Wrote %s\n", args->plane);
    }
    if (args->report != NULL) {
        TW_TRY(tw_progress(a->ctx, 0.4, "writing the page"));
        TW_TRY(tw_report_write_html(a->ctx, reading, args->report));
        tw_text_addf(written, "Wrote %s\n", args->report);
    }
    if (args->csv != NULL) {
        TW_TRY(tw_progress(a->ctx, 0.8, "writing the waveforms"));
        TW_TRY(tw_report_write_waveforms(a->ctx, reading, args->csv));
        tw_text_addf(written, "Wrote %s\n", args->csv);
    }
    return TW_OK;
}

int app_show_reading(app *a, const tw_reading *reading) {
    const tw_report_text_opts opts = app_text_opts();
    tw_text text, written;
    app_text_init(a, &text);
    app_text_init(a, &written);
    tw_status status = write_files(a, reading, &written);
    if (status == TW_OK) {
        status = a->args.json ? tw_report_json_reading(a->ctx, reading, &text)
                              : tw_report_text_reading(a->ctx, reading, &opts, &text);
    }
    if (!a->args.json) {
        tw_text_add(&text, tw_text_string(&written));
    }
    const int done = status == TW_OK ? app_print(a, &text) : app_failure(a);
    tw_text_dispose(&text);
    tw_text_dispose(&written);
    return done;
}

/* tankwright map RIG --along KEY=FROM..TO:POINTS [--for NAME=VALUE] */
#include "app.h"

/* A whole plane of all results fits no terminal: past this many numbers JSON asks for a choice. */
#define MOST_JSON_NUMBERS 8e6

static tw_status show(app *a, const tw_map *map, tw_text *text) {
    const tw_report_text_opts opts = app_text_opts();
    const app_args *args = &a->args;
    tw_text written;
    app_text_init(a, &written);
    if (args->plot != NULL) {
        TW_TRY(tw_progress(a->ctx, 0.0, "drawing"));
        TW_TRY(tw_report_plot_map(a->ctx, map, args->plot));
        tw_text_addf(&written, "Wrote %s\n", args->plot);
    }
    if (args->csv != NULL) {
        TW_TRY(tw_progress(a->ctx, 0.5, "writing the points"));
        TW_TRY(tw_report_write_map(a->ctx, map, args->csv));
        tw_text_addf(&written, "Wrote %s\n", args->csv);
    }
    tw_status status = TW_OK;
    if (args->json) {
        status = tw_report_json_map(a->ctx, map, text);
    } else {
        status = tw_report_text_map(a->ctx, map, &opts, text);
        tw_text_add(text, tw_text_string(&written));
    }
    tw_text_dispose(&written);
    return status;
}

static int check_json_size(const app *a, const tw_map *map) {
    size_t asked = 1;
    for (size_t k = 0; k < map->n_columns; k++) {
        asked += map->columns[k].asked ? 1 : 0;
    }
    if (!a->args.json || (double)asked * (double)map->n_points <= MOST_JSON_NUMBERS) {
        return APP_DONE;
    }
    return app_usage_error(a,
                           "%zu points of %zu results are too much for one JSON text: choose results with --columns, "
                           "or write them with --csv",
                           map->n_points, asked - 1);
}

int app_cmd_map(app *a) {
    const app_args *args = &a->args;
    tw_rig rig;
    tw_map map;
    tw_text text;
    if (args->along.count == 0 && args->wanted.count == 0) {
        return app_usage_error(a, "--along KEY=FROM..TO:POINTS or --for NAME=VALUE is missing");
    }
    if (args->wanted.count > 1) {
        return app_usage_error(a, "--for is given twice");
    }
    if (args->along.count > (args->wanted.count > 0 ? 1 : TW_PLAN_AXES)) {
        return app_usage_error(a, "--along is given %zu times; %s", args->along.count,
                               args->wanted.count > 0 ? "--for looks along one axis" : "a map has one or two axes");
    }
    if (app_load_rig(a, args->operands.items[0], &rig) != TW_OK) {
        return app_failure(a);
    }
    const tw_map_opts opts = {.along = args->along.items,
                              .n_along = args->along.count,
                              .target = args->wanted.count > 0 ? args->wanted.items[0] : NULL,
                              .columns = args->columns.items,
                              .n_columns = args->columns.count,
                              .all_columns = args->columns.count == 0 && (args->json || args->csv != NULL)};
    if (tw_study_map(a->ctx, &rig, &opts, &map) != TW_OK) {
        return app_rig_failure(a, args->operands.items[0]);
    }
    int status = check_json_size(a, &map);
    if (status == APP_DONE) {
        app_text_init(a, &text);
        status = show(a, &map, &text) == TW_OK ? app_print(a, &text) : app_failure(a);
        tw_text_dispose(&text);
    }
    tw_map_dispose(&map);
    return status;
}

/* tankwright coil RIG */
#include "app.h"

static tw_status write_coil(app *a, const tw_coil_study *study, tw_text *text) {
    const app_args *args = &a->args;
    const tw_report_text_opts opts = app_text_opts();
    if (args->plot != NULL) {
        TW_TRY(tw_progress(a->ctx, 0.9, "drawing"));
        TW_TRY(tw_report_plot_coil(a->ctx, study, args->plot));
    }
    if (args->csv != NULL) {
        TW_TRY(tw_report_write_coil(a->ctx, study, args->csv));
    }
    if (args->json) {
        return tw_report_json_coil(a->ctx, study, text);
    }
    TW_TRY(tw_report_text_coil(a->ctx, study, &opts, text));
    if (args->plot != NULL) {
        tw_text_addf(text, "Wrote %s\n", args->plot);
    }
    if (args->csv != NULL) {
        tw_text_addf(text, "Wrote %s\n", args->csv);
    }
    return TW_OK;
}

int app_cmd_coil(app *a) {
    const app_args *args = &a->args;
    tw_rig rig;
    tw_coil_study study;
    tw_text text;
    if (args->wanted.count > 1) {
        return app_usage_error(a, "--for is given twice");
    }
    if (app_load_rig(a, args->operands.items[0], &rig) != TW_OK) {
        return app_failure(a);
    }
    const tw_coil_study_opts opts = {.along = args->along.items,
                                     .n_along = args->along.count,
                                     .target = args->wanted.count > 0 ? args->wanted.items[0] : NULL,
                                     .accept = args->accept.items,
                                     .n_accept = args->accept.count,
                                     .with_section = args->plot != NULL};
    if (tw_study_coil(a->ctx, &rig, &opts, &study) != TW_OK) {
        return app_rig_failure(a, args->operands.items[0]);
    }
    app_text_init(a, &text);
    const int status = write_coil(a, &study, &text) == TW_OK ? app_print(a, &text) : app_failure(a);
    tw_text_dispose(&text);
    tw_coil_study_dispose(&study);
    return status;
}

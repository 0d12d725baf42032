/* tankwright rehearse RIG -o FILE */
#include "app.h"

#include <math.h>

static tw_rehearse_opts opts_of(const app_args *args) {
    tw_rehearse_opts opts = tw_rehearse_opts_default();
    opts.interval_s = args->interval_s;
    opts.duration_s = args->duration_s;
    opts.skew_s = args->skew_s;
    if (!isnan(args->samples)) {
        opts.samples = (size_t)args->samples;
    }
    if (!isnan(args->seed)) {
        opts.seed = (uint64_t)args->seed;
    }
    return opts;
}

static tw_status show(app *a, const tw_rehearsal *rehearsal, tw_text *text) {
    const tw_report_text_opts opts = app_text_opts();
    const char *output = a->args.output, *plot = a->args.plot;
    if (plot != NULL) {
        TW_TRY(tw_progress(a->ctx, 0.85, "drawing"));
        TW_TRY(tw_report_plot_rehearsal(a->ctx, rehearsal, plot));
    }
    if (output != NULL) {
        TW_TRY(tw_progress(a->ctx, 0.9, "writing the record"));
        TW_TRY(tw_report_write_rehearsal(a->ctx, rehearsal, output));
    }
    if (a->args.json) {
        return tw_report_json_rehearsal(a->ctx, rehearsal, text);
    }
    TW_TRY(tw_report_text_rehearsal(a->ctx, rehearsal, &opts, text));
    if (plot != NULL) {
        tw_text_addf(text, "Wrote %s\n", plot);
    }
    if (output != NULL) {
        tw_text_addf(text, "Wrote %s\n", output);
    }
    return TW_OK;
}

int app_cmd_rehearse(app *a) {
    const tw_rehearse_opts opts = opts_of(&a->args);
    tw_rig rig;
    tw_rehearsal rehearsal;
    tw_text text;
    if (app_load_rig(a, a->args.operands.items[0], &rig) != TW_OK) {
        return app_failure(a);
    }
    if (!isnan(opts.interval_s) && !isnan(opts.duration_s) && opts.samples > 0) {
        return app_usage_error(a, "--samples, --interval and --duration: two of them settle the third");
    }
    if (tw_study_rehearse(a->ctx, &rig, &opts, &rehearsal) != TW_OK) {
        return app_rig_failure(a, a->args.operands.items[0]);
    }
    app_text_init(a, &text);
    const int status = show(a, &rehearsal, &text) == TW_OK ? app_print(a, &text) : app_failure(a);
    tw_text_dispose(&text);
    tw_rehearsal_dispose(&rehearsal);
    return status;
}

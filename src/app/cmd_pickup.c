/* tankwright pickup RIG */
#include "app.h"

#include <math.h>

static tw_status show(app *a, const tw_pickup_plan *plan, tw_text *text) {
    const tw_report_text_opts opts = app_text_opts();
    const char *plot = a->args.plot;
    if (plot != NULL) {
        TW_TRY(tw_progress(a->ctx, 0.5, "drawing"));
        TW_TRY(tw_report_plot_pickup(a->ctx, plan, plot));
    }
    if (a->args.json) {
        return tw_report_json_pickup(a->ctx, plan, text);
    }
    TW_TRY(tw_report_text_pickup(a->ctx, plan, &opts, text));
    if (plot != NULL) {
        tw_text_addf(text, "Wrote %s\n", plot);
    }
    return TW_OK;
}

int app_cmd_pickup(app *a) {
    tw_pickup_opts opts = tw_pickup_opts_default();
    tw_rig rig;
    tw_pickup_plan plan;
    tw_text text;
    opts.scale_v_per_a = a->args.scale;
    opts.lowest_hz = a->args.lowest_hz;
    opts.direct_a = isnan(a->args.direct_a) ? 0 : a->args.direct_a;
    if (app_load_rig(a, a->args.operands.items[0], &rig) != TW_OK) {
        return app_failure(a);
    }
    if (tw_study_pickup(a->ctx, &rig, &opts, &plan) != TW_OK) {
        return app_rig_failure(a, a->args.operands.items[0]);
    }
    app_text_init(a, &text);
    const int status = show(a, &plan, &text) == TW_OK ? app_print(a, &text) : app_failure(a);
    tw_text_dispose(&text);
    tw_pickup_plan_dispose(&plan);
    return status;
}

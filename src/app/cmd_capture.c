/* tankwright capture FILE... */
#include "app.h"

int app_cmd_capture(app *a) {
    const tw_capture_opts opts = app_capture_opts(a);
    const tw_report_text_opts text_opts = app_text_opts();
    tw_rig rig;
    tw_capture capture;
    tw_text text;
    if (a->args.rig == NULL && a->args.set.count > 0) {
        return app_usage_error(a, "--set overrides a key of a rig: --rig is missing");
    }
    if (a->args.rig != NULL && app_load_rig(a, a->args.rig, &rig) != TW_OK) {
        return app_failure(a);
    }
    if (tw_study_capture(a->ctx, a->args.rig != NULL ? &rig : NULL, a->args.operands.items, a->args.operands.count,
                         &opts, &capture) != TW_OK) {
        return app_failure(a);
    }
    app_text_init(a, &text);
    const tw_status made = a->args.json ? tw_report_json_capture(a->ctx, &capture, &text)
                                        : tw_report_text_capture(a->ctx, &capture, &text_opts, &text);
    const int status = made == TW_OK ? app_print(a, &text) : app_failure(a);
    tw_text_dispose(&text);
    tw_capture_dispose(&capture);
    return status;
}

/* tankwright analyse CAPTURE... --rig RIG */
#include "app.h"

int app_cmd_analyse(app *a) {
    const tw_capture_opts opts = app_capture_opts(a);
    tw_rig rig;
    tw_reading reading;
    if (app_load_rig(a, a->args.rig, &rig) != TW_OK) {
        return app_failure(a);
    }
    if (tw_study_analyse(a->ctx, &rig, a->args.operands.items, a->args.operands.count, &opts, &reading) != TW_OK) {
        app_warnings(a, &reading.warnings);
        tw_reading_dispose(&reading);
        return app_rig_failure(a, a->args.rig);
    }
    const int status = app_show_reading(a, &reading);
    tw_reading_dispose(&reading);
    return status;
}

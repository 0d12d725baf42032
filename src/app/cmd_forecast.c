/* tankwright forecast RIG */
#include "app.h"

int app_cmd_forecast(app *a) {
    tw_rig rig;
    tw_reading reading;
    if (app_load_rig(a, a->args.operands.items[0], &rig) != TW_OK) {
        return app_failure(a);
    }
    if (tw_study_forecast(a->ctx, &rig, &reading) != TW_OK) {
        return app_rig_failure(a, a->args.operands.items[0]);
    }
    const int status = app_show_reading(a, &reading);
    tw_reading_dispose(&reading);
    return status;
}

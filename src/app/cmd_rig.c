/* tankwright rig RIG */
#include "app.h"

int app_cmd_rig(app *a) {
    tw_rig rig;
    tw_text text;
    if (app_load_rig(a, a->args.operands.items[0], &rig) != TW_OK) {
        return app_failure(a);
    }
    app_text_init(a, &text);
    const tw_status made = a->args.json ? tw_report_json_rig(a->ctx, &rig, &text) : tw_rig_write(a->ctx, &rig, &text);
    const int status = made == TW_OK ? app_print(a, &text) : app_failure(a);
    tw_text_dispose(&text);
    return status;
}

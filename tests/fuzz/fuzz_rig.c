/* Any bytes as a rig file: no crash, one-line errors, and what is read comes back from its own text. */
#include "tankwright/rig.h"

#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    tw_ctx *ctx = tw_ctx_create();
    tw_rig rig, back;
    if (tw_rig_parse(ctx, "rig.yaml", (const char *)data, size, NULL, 0, &rig) == TW_OK) {
        tw_text text;
        tw_text_init(ctx, &text, 100000);
        if (tw_rig_write(ctx, &rig, &text) != TW_OK ||
            tw_rig_parse(ctx, "again.yaml", tw_text_string(&text), text.length, NULL, 0, &back) != TW_OK) {
            abort();
        }
        memcpy(back.given, rig.given, sizeof rig.given);
        if (memcmp(&rig, &back, sizeof rig) != 0) {
            abort();
        }
        tw_text_dispose(&text);
    } else if (tw_ctx_error(ctx)->message[0] == '\0' || strchr(tw_ctx_error(ctx)->message, '\n') != NULL) {
        abort();
    }
    tw_ctx_destroy(ctx);
    return 0;
}

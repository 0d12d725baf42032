/* Any bytes as a quantity: no crash, and what is read comes back from its own text bit for bit. */
#include "tankwright/units.h"

#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    if (size == 0) {
        return 0;
    }
    tw_ctx *ctx = tw_ctx_create();
    const tw_unit unit = (tw_unit)(data[0] % TW_UNIT_COUNT);
    const char *text = (const char *)data + 1;
    tw_quantity q, back;
    char out[TW_QUANTITY_TEXT];
    if (tw_quantity_parse(ctx, text, size - 1, unit, NULL, &q) == TW_OK) {
        const size_t n = tw_quantity_format(&q, out);
        if (n >= sizeof out || tw_quantity_parse(ctx, out, n, unit, NULL, &back) != TW_OK ||
            memcmp(&q.value, &back.value, sizeof q.value) != 0 || q.spread_kind != back.spread_kind ||
            memcmp(&q.spread, &back.spread, sizeof q.spread) != 0 || q.relative != back.relative) {
            abort();
        }
        for (int digits = 1; digits <= 17; digits++) {
            if (tw_value_format(tw_quantity_value(&q), unit, digits, out) >= sizeof out) {
                abort();
            }
        }
    } else if (tw_ctx_error(ctx)->message[0] == '\0' || tw_ctx_error(ctx)->column == 0) {
        abort();
    }
    tw_ctx_destroy(ctx);
    return 0;
}

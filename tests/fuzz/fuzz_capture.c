/* Any bytes as a recorder's file: no crash, and what is returned keeps the promises of the header. The first byte picks
 * options, the rest is the file. */
#include "tankwright/capture.h"

#include <math.h>
#include <stdlib.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void check(const tw_capture *c) {
    if (c->samples < 2 || c->n_channels < 1 || !(c->sample_interval_s > 0) || !isfinite(c->start_time_s)) {
        abort();
    }
    for (size_t k = 0; k < c->n_channels; k++) {
        size_t finite = 0;
        for (size_t i = 0; i < c->samples; i++) {
            finite += isfinite(c->channels[k].values[i]) ? 1 : 0;
        }
        if (finite != c->channels[k].finite || (finite > 0 && !(c->channels[k].minimum <= c->channels[k].maximum))) {
            abort();
        }
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    if (size < 1) {
        return 0;
    }
    static const char *const UNITS[] = {"mV", "A"};
    tw_capture_opts opts = tw_capture_opts_default();
    const unsigned pick = data[0];
    opts.sample_interval_s = (pick & 1) != 0 ? 1e-6 : (double)NAN;
    opts.time_unit = (pick & 2) != 0 ? "us" : NULL;
    opts.separator = (pick & 12) == 4 ? ';' : (pick & 12) == 8 ? ' ' : '\0';
    opts.decimal_mark = (pick & 16) != 0 ? ',' : '\0';
    opts.time_column = (pick & 96) == 32 ? 1 : 0;
    opts.no_time_column = (pick & 96) == 64;
    opts.units = (pick & 128) != 0 ? UNITS : NULL;
    opts.n_units = (pick & 128) != 0 ? 2 : 0;
    tw_ctx *ctx = tw_ctx_create();
    if (ctx == NULL) {
        return 0;
    }
    tw_capture c;
    if (tw_capture_read_text(ctx, "fuzz", (const char *)data + 1, size - 1, &opts, &c) == TW_OK) {
        check(&c);
        tw_capture_dispose(&c);
    } else if (tw_ctx_error(ctx)->status == TW_OK || tw_ctx_error(ctx)->status == TW_INTERNAL) {
        abort();
    }
    tw_ctx_destroy(ctx);
    return 0;
}

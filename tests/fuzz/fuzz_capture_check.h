/* What every fuzz target of the capture room asks of a record that was read. */
#ifndef FUZZ_CAPTURE_CHECK_H
#define FUZZ_CAPTURE_CHECK_H

#include <math.h>
#include <stdlib.h>

#include "tankwright/capture.h"

static inline void check_capture(const tw_capture *c) {
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

/* Reads the bytes under the options that `pick` chooses, with at most 64 MiB of columns. */
static inline void fuzz_read(const char *bytes, size_t length, unsigned pick) {
    static const char *const UNITS[] = {"mV", "A"};
    tw_capture_opts opts = tw_capture_opts_default();
    opts.sample_interval_s = (pick & 1) != 0 ? 1e-6 : (double)NAN;
    opts.time_unit = (pick & 2) != 0 ? "us" : NULL;
    opts.no_time_column = (pick & 4) != 0;
    opts.units = (pick & 8) != 0 ? UNITS : NULL;
    opts.n_units = (pick & 8) != 0 ? 2 : 0;
    opts.max_bytes = (size_t)64 << 20;
    tw_ctx *ctx = tw_ctx_create();
    if (ctx == NULL) {
        return;
    }
    tw_capture c;
    if (tw_capture_read_text(ctx, "fuzz", bytes, length, &opts, &c) == TW_OK) {
        check_capture(&c);
        tw_capture_dispose(&c);
    } else if (tw_ctx_error(ctx)->status == TW_OK || tw_ctx_error(ctx)->status == TW_INTERNAL) {
        abort();
    }
    tw_ctx_destroy(ctx);
}

#endif

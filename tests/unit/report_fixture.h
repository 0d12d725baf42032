/* Made-up records for the tests of room report. */
#ifndef TW_REPORT_FIXTURE_H
#define TW_REPORT_FIXTURE_H

#include "tankwright/report.h"
#include "testing.h"

typedef struct fixture_opts {
    tw_reading_kind kind;
    tw_commutation falling, rising;
    double dead_time_s; /* 1.8e-6 by default */
    bool bare;          /* no uncertainties, no warnings */
} fixture_opts;

/* A half bridge with a trapezoidal midpoint on a series tank: every waveform by its Fourier series, marks from the
 * waveforms. Release with tw_reading_dispose. */
void fixture_reading(tw_ctx *ctx, const fixture_opts *opts, tw_reading *out);

/* Two channels of five samples, one with a gap and no unit; borrowed arrays. */
void fixture_capture(tw_capture *out, tw_capture_channel channels[2], double values[2][5]);

/* 40 samples on an 8-bit grid, two of them beyond the range. Release with tw_rehearsal_dispose. */
void fixture_rehearsal(tw_ctx *ctx, tw_rehearsal *out);

/* A new folder; its files can be counted and it can be removed with what is in it. */
void fixture_folder(char *path, size_t size);
size_t fixture_count_files(const char *folder);
void fixture_remove_folder(const char *folder);

#endif

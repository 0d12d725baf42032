/* Files that tests of the capture room make: a folder that cleans up, little COMTRADE, NumPy and audio files. */
#ifndef CAPTURE_FILES_H
#define CAPTURE_FILES_H

#include "testing.h"

#include "tankwright/capture.h"

typedef struct capture_folder {
    char name[32];
    char paths[8][64];
    size_t n;
} capture_folder;

capture_folder capture_folder_make(void);
/* Writes a file of that name into the folder; the path stays valid as long as the folder. */
const char *capture_folder_put(tw_ctx *ctx, capture_folder *f, const char *name, const void *bytes, size_t length);
void capture_folder_drop(capture_folder *f);

/* Little-endian numbers at the end of a text. */
void put_u16(tw_text *t, uint16_t v);
void put_u32(tw_text *t, uint32_t v);

/* A configuration of two analogue channels (loop in mV: 0.01 x; lead in A: 0.5 x - 1, 2.5 us late) and n_status status
 * channels. `rates` are the lines from the number of rates on. */
void put_comtrade_cfg(tw_text *t, const char *kind, const char *rates, int n_status, const char *year);

/* The array format's header for the given literal texts; version 1, 2 or 3. */
void put_numpy_header(tw_text *t, int version, const char *descr, const char *order, const char *shape);

#endif

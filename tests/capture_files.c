#include "capture_files.h"

#include <stdlib.h>
#include <string.h>
#include <unistd.h>

capture_folder capture_folder_make(void) {
    capture_folder f = {.name = "/tmp/tw-capture-XXXXXX"};
    assert_non_null(mkdtemp(f.name));
    return f;
}

const char *capture_folder_put(tw_ctx *ctx, capture_folder *f, const char *name, const void *bytes, size_t length) {
    assert_true(f->n < sizeof f->paths / sizeof f->paths[0]);
    char whole[64]; /* the folder's name lies in the same struct as the path */
    const int used = snprintf(whole, sizeof whole, "%s/%s", f->name, name);
    assert_true(used > 0 && used < (int)sizeof whole);
    char *path = f->paths[f->n++];
    memcpy(path, whole, sizeof whole);
    assert_ok(tw_write_file(ctx, path, bytes, length), ctx);
    return path;
}

void capture_folder_drop(capture_folder *f) {
    for (size_t i = 0; i < f->n; i++) {
        assert_int_equal(unlink(f->paths[i]), 0);
    }
    assert_int_equal(rmdir(f->name), 0);
}

void put_u16(tw_text *t, uint16_t v) {
    const char b[2] = {(char)(v & 255), (char)(v >> 8)};
    tw_text_append(t, b, sizeof b);
}

void put_u32(tw_text *t, uint32_t v) {
    put_u16(t, (uint16_t)(v & 0xffff));
    put_u16(t, (uint16_t)(v >> 16));
}

void put_comtrade_cfg(tw_text *t, const char *kind, const char *rates, int n_status, const char *year) {
    tw_text_addf(t,
                 "bench,rig,%s\r\n%d,2A,%dD\r\n1,loop,,tank,mV,0.01,0,0,-32767,32767,1,1,P\r\n"
                 "2,lead,,tank,A,0.5,-1,2.5,-32767,32767,100,1,S\r\n",
                 year, 2 + n_status, n_status);
    for (int i = 0; i < n_status; i++) {
        tw_text_addf(t, "%d,run,,,0\r\n", i + 1);
    }
    tw_text_addf(t, "50\r\n%s\r\n17/03/2024,10:20:30.000000\r\n17/03/2024,10:20:30.001500\r\n%s\r\n1\r\n", rates, kind);
}

void put_numpy_header(tw_text *t, int version, const char *descr, const char *order, const char *shape) {
    char text[256];
    const int n = snprintf(text, sizeof text, "{'descr': %s, 'fortran_order': %s, 'shape': %s, }", descr, order, shape);
    assert_true(n > 0 && n < 180);
    const size_t before = version == 1 ? 10 : 12, padded = (before + (size_t)n + 1 + 63) / 64 * 64 - before;
    const char magic[] = {'\x93', 'N', 'U', 'M', 'P', 'Y', (char)version, 0};
    tw_text_append(t, magic, sizeof magic);
    put_u16(t, (uint16_t)padded);
    if (version > 1) {
        put_u16(t, 0);
    }
    tw_text_append(t, text, (size_t)n);
    for (size_t i = (size_t)n; i + 1 < padded; i++) {
        tw_text_add(t, " ");
    }
    tw_text_add(t, "\n");
}

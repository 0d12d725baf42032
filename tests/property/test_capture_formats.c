/* Random records written in every format read back; a large table reads the same by one thread and by several. */
#include "testing.h"

#include <math.h>
#include <string.h>

#include "../capture_files.h"

enum { ROUNDS = 60, MOST_ROWS = 300 };

static void put_bytes(tw_text *t, uint64_t v, size_t n, bool big) {
    for (size_t k = 0; k < n; k++) {
        const char byte = (char)(v >> 8 * (big ? n - 1 - k : k) & 255);
        tw_text_append(t, &byte, 1);
    }
}

static uint64_t bits_of(double v, char kind, size_t size) {
    uint64_t u = 0;
    if (kind == 'f' && size == 8) {
        memcpy(&u, &v, sizeof v);
    } else if (kind == 'f') {
        const float f = (float)v;
        uint32_t w;
        memcpy(&w, &f, sizeof f);
        u = w;
    } else {
        u = (uint64_t)(int64_t)v;
    }
    return u;
}

static void random_arrays(void **state) {
    (void)state;
    static const struct {
        char kind;
        size_t size;
        double range;
    } TYPES[] = {{'f', 8, 1e3},  {'f', 4, 1e3}, {'i', 1, 127},   {'i', 2, 32767}, {'i', 4, 2e9},
                 {'i', 8, 9e15}, {'u', 1, 127}, {'u', 2, 32767}, {'u', 4, 2e9},   {'u', 8, 9e15}};
    tw_random r = {31};
    tw_ctx *ctx = tw_ctx_create();
    for (int round = 0; round < ROUNDS * 5; round++) {
        const size_t type = tw_random_below(&r, 10), rows = 20 + tw_random_below(&r, 200);
        const size_t channels = 1 + tw_random_below(&r, 4);
        const bool big = tw_random_below(&r, 2) == 0, fortran = tw_random_below(&r, 2) == 0;
        const bool first = tw_random_below(&r, 2) == 0; /* channels in the first dimension */
        double values[4][220];
        for (size_t c = 0; c < channels; c++) {
            for (size_t i = 0; i < rows; i++) {
                const double low = TYPES[type].kind == 'u' ? 0 : -TYPES[type].range;
                const double v = tw_random_uniform(&r, low, TYPES[type].range);
                values[c][i] = TYPES[type].kind != 'f' ? floor(v) : TYPES[type].size == 4 ? (double)(float)v : v;
            }
        }
        tw_text t;
        tw_text_init(ctx, &t, 1 << 20);
        char descr[16], shape[40];
        (void)snprintf(descr, sizeof descr, "'%c%c%zu'", big ? '>' : '<', TYPES[type].kind, TYPES[type].size);
        (void)snprintf(shape, sizeof shape, "(%zu, %zu)", first ? channels : rows, first ? rows : channels);
        put_numpy_header(&t, 1 + (int)tw_random_below(&r, 3), descr, fortran ? "True" : "False", shape);
        const bool planar = first != fortran;
        for (size_t k = 0; k < rows * channels; k++) {
            const size_t c = planar ? k / rows : k % channels, i = planar ? k % rows : k / channels;
            put_bytes(&t, bits_of(values[c][i], TYPES[type].kind, TYPES[type].size), TYPES[type].size, big);
        }
        tw_capture_opts o = tw_capture_opts_default();
        o.sample_interval_s = 4e-8;
        tw_capture got;
        assert_ok(tw_capture_read_text(ctx, "array.npy", t.data, t.length, &o, &got), ctx);
        assert_int_equal(got.n_channels, channels);
        assert_int_equal(got.samples, rows);
        for (size_t c = 0; c < channels; c++) {
            assert_memory_equal(got.channels[c].values, values[c], rows * sizeof(double));
        }
        tw_capture_dispose(&got);
        tw_text_dispose(&t);
    }
    tw_ctx_destroy(ctx);
}

/* Every kind of data, as one file or two, with 0 to 40 status channels. */
static void random_comtrade_records(void **state) {
    (void)state;
    static const char *const KINDS[] = {"ASCII", "BINARY", "BINARY32", "FLOAT32"};
    tw_random r = {17};
    tw_ctx *ctx = tw_ctx_create();
    for (int round = 0; round < ROUNDS; round++) {
        const size_t kind = tw_random_below(&r, 4), rows = 2 + tw_random_below(&r, MOST_ROWS - 2);
        const int status = (int)tw_random_below(&r, 41);
        const bool stamps = rows > 20 && tw_random_below(&r, 3) == 0, single = tw_random_below(&r, 2) == 0;
        tw_text cfg, data;
        tw_text_init(ctx, &cfg, 1 << 20);
        tw_text_init(ctx, &data, 1 << 20);
        char rates[64];
        (void)snprintf(rates, sizeof rates, stamps ? "0\r\n0,%zu" : "1\r\n25000,%zu", rows);
        put_comtrade_cfg(&cfg, KINDS[kind], rates, status, tw_random_below(&r, 2) == 0 ? "1999" : "2013");
        double raw[2][MOST_ROWS];
        for (size_t i = 0; i < rows; i++) {
            for (size_t c = 0; c < 2; c++) {
                const double v = floor(tw_random_uniform(&r, -32000, 32000));
                raw[c][i] = kind == 3 ? v / 16 : v;
            }
            if (kind == 0) {
                tw_text_addf(&data, "%zu,%zu,%.0f, %.0f", i + 1, 40 * i, raw[0][i], raw[1][i]);
                for (int k = 0; k < status; k++) {
                    tw_text_addf(&data, ",%d", k % 2);
                }
                tw_text_add(&data, "\r\n");
                continue;
            }
            put_u32(&data, (uint32_t)i + 1);
            put_u32(&data, (uint32_t)(40 * i));
            for (size_t c = 0; c < 2; c++) {
                put_bytes(&data, bits_of(raw[c][i], kind == 3 ? 'f' : 'i', 4), kind == 1 ? 2 : 4, false);
            }
            for (int k = 0; k < (status + 15) / 16; k++) {
                put_u16(&data, 0x5a5a);
            }
        }
        tw_capture got;
        if (single) {
            tw_text whole;
            tw_text_init(ctx, &whole, 1 << 20);
            tw_text_addf(&whole, "--- file type: CFG ---\r\n%s--- file type: INF ---\r\n", tw_text_string(&cfg));
            tw_text_addf(&whole, "--- file type: DAT %s: %zu ---\r\n", KINDS[kind], data.length);
            tw_text_append(&whole, data.data, data.length);
            assert_ok(tw_capture_read_text(ctx, "rec.cff", whole.data, whole.length, NULL, &got), ctx);
            tw_text_dispose(&whole);
        } else {
            capture_folder f = capture_folder_make();
            (void)capture_folder_put(ctx, &f, "rec.CFG", cfg.data, cfg.length);
            const char *path = capture_folder_put(ctx, &f, "rec.DAT", data.data, data.length);
            assert_ok(tw_capture_read(ctx, &path, 1, NULL, &got), ctx);
            capture_folder_drop(&f);
        }
        assert_int_equal(got.samples, rows);
        assert_close(got.sample_interval_s, 40e-6, 1e-12, 0);
        for (size_t i = 0; i < rows; i++) {
            assert_close(got.channels[0].values[i], raw[0][i] * 1e-5, 1e-14, 0); /* 0.01 mV */
            assert_close(got.channels[1].values[i], 0.5 * raw[1][i] - 1, 0, 0);
        }
        tw_capture_dispose(&got);
        tw_text_dispose(&cfg);
        tw_text_dispose(&data);
    }
    tw_ctx_destroy(ctx);
}

/* Plain samples of 16, 24 and 32 bits and floats in a RIFF container; 16 bits big-endian in an AU one. */
static void random_audio_files(void **state) {
    (void)state;
    tw_random r = {5};
    tw_ctx *ctx = tw_ctx_create();
    for (int round = 0; round < ROUNDS; round++) {
        const size_t size = 2 + tw_random_below(&r, 3), rows = 2 + tw_random_below(&r, 5000);
        const size_t channels = 1 + tw_random_below(&r, 3), count = rows * channels;
        const bool floats = size == 4 && tw_random_below(&r, 2) == 0, au = size == 2 && tw_random_below(&r, 2) == 0;
        const double full = ldexp(1.0, 8 * (int)size - 1);
        tw_text t;
        tw_text_init(ctx, &t, 1 << 20);
        if (au) {
            tw_text_add(&t, ".snd");
            const uint32_t head[] = {24, (uint32_t)(count * size), 3, 96000, (uint32_t)channels};
            for (size_t k = 0; k < 5; k++) {
                put_bytes(&t, head[k], 4, true);
            }
        } else {
            tw_text_add(&t, "RIFF");
            put_u32(&t, (uint32_t)(36 + count * size));
            tw_text_add(&t, "WAVEfmt ");
            put_u32(&t, 16);
            put_u16(&t, floats ? 3 : 1);
            put_u16(&t, (uint16_t)channels);
            put_u32(&t, 96000);
            put_u32(&t, (uint32_t)(96000 * channels * size));
            put_u16(&t, (uint16_t)(channels * size));
            put_u16(&t, (uint16_t)(8 * size));
            tw_text_add(&t, "data");
            put_u32(&t, (uint32_t)(count * size));
        }
        double *values = tw_alloc(ctx, count, sizeof *values);
        assert_non_null(values);
        for (size_t k = 0; k < count; k++) {
            const double code = floor(tw_random_uniform(&r, -full, full));
            values[k] = floats ? (double)(float)(code / full) : code / full;
            put_bytes(&t, floats ? bits_of(values[k], 'f', 4) : bits_of(code, 'i', size), size, au);
        }
        tw_capture got;
        assert_ok(tw_capture_read_text(ctx, "a.wav", t.data, t.length, NULL, &got), ctx);
        assert_int_equal(got.samples, rows);
        assert_int_equal(got.n_channels, channels);
        for (size_t k = 0; k < count; k++) {
            assert_close(got.channels[k % channels].values[k / channels], values[k], 0, 0);
        }
        tw_capture_dispose(&got);
        tw_free(values);
        tw_text_dispose(&t);
    }
    tw_ctx_destroy(ctx);
}

/* Wide text is read by one thread, the same text in single bytes by several: blank lines, words, short rows and values
 * that take their sign from the row before stand everywhere, at the borders of the chunks too. */
static void one_thread_or_several(void **state) {
    (void)state;
    tw_random r = {404};
    tw_ctx *ctx = tw_ctx_create();
    tw_text narrow, wide;
    tw_text_init(ctx, &narrow, 16 << 20);
    tw_text_init(ctx, &wide, 32 << 20);
    tw_text_add(&narrow, "Sample interval: 4e-8 s\nLoop (V),Lead (A)\n");
    for (int i = 0; i < 250000; i++) {
        const size_t what = i < 100 ? 9 : tw_random_below(&r, 40);
        const double a = tw_random_normal(&r), b = tw_random_normal(&r);
        if (what < 6) {
            tw_text_addf(&narrow, "%.9f,****\n", a);
        } else if (what == 6) {
            tw_text_add(&narrow, "\nremark\n");
        } else if (what == 7) {
            tw_text_addf(&narrow, "%.4f\n", a);
        } else {
            tw_text_addf(&narrow, "%.17g,%.6f\n", a, b);
        }
    }
    tw_text_add(&narrow, "end of record\n");
    tw_text_add(&wide, "\xff\xfe");
    for (size_t i = 0; i < narrow.length; i++) {
        const char unit[2] = {narrow.data[i], 0};
        tw_text_append(&wide, unit, 2);
    }
    assert_int_equal(narrow.status, TW_OK);
    assert_int_equal(wide.status, TW_OK);
    tw_capture a, b;
    assert_ok(tw_capture_read_text(ctx, "narrow.csv", narrow.data, narrow.length, NULL, &a), ctx);
    assert_ok(tw_capture_read_text(ctx, "wide.csv", wide.data, wide.length, NULL, &b), ctx);
    assert_int_equal(a.samples, b.samples);
    assert_int_equal(a.n_channels, 2);
    assert_int_equal(b.n_channels, 2);
    for (size_t c = 0; c < 2; c++) {
        assert_memory_equal(a.channels[c].values, b.channels[c].values, a.samples * sizeof(double));
    }
    assert_true(a.channels[1].finite < a.samples * 9 / 10);
    assert_int_equal(a.warnings.count, b.warnings.count);
    for (size_t k = 0; k < a.warnings.count; k++) {
        assert_string_equal(a.warnings.items[k].message, b.warnings.items[k].message);
    }
    assert_true(tw_warnings_has(&a.warnings, "rows_skipped"));
    tw_capture_dispose(&a);
    tw_capture_dispose(&b);

    /* and a fault in the last chunk has its line */
    tw_text_add(&narrow, "1,2\n");
    const char zero = '\0';
    tw_text_append(&narrow, &zero, 1);
    tw_text_add(&narrow, "x\n3,4\n");
    size_t lines = 0;
    for (const char *p = narrow.data; p < narrow.data + narrow.length && *p != '\0'; p++) {
        lines += *p == '\n';
    }
    assert_int_equal(tw_capture_read_text(ctx, "narrow.csv", narrow.data, narrow.length, NULL, &a), TW_BAD_DATA);
    assert_int_equal(tw_ctx_error(ctx)->line, lines + 1);
    tw_text_dispose(&narrow);
    tw_text_dispose(&wide);
    tw_ctx_destroy(ctx);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(random_arrays),
        cmocka_unit_test(random_comtrade_records),
        cmocka_unit_test(random_audio_files),
        cmocka_unit_test(one_thread_or_several),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

/* Every allocation of a read fails once: an error, nothing half-made, nothing leaked (the sanitizers watch). */
#include "testing.h"

#include <string.h>

#include "../capture_files.h"

static const char *const TEXTS[] = {
    "Sample interval: 1e-6 s\nTime (s),Loop (V),Lead "
    "(A)\n0,0.5,1.5\n1e-6,0.75,2.5\n4e-6,0.25,3.5\n5e-6,0.5,0.5\n6e-6,0.25,0.5\n",
    "Sample interval;1e-6\nY increment;0.02 V\nCH1;CH2\n128;4\n153;9\n103;7\n",
    "t (s),u,u (mV)\n0,0.5,500\n1e-6,0.75,750\n2e-6,0.25,250\n",
    "t1 (us),A (V),t2 (us),B (V)\n-2,0.5,-1.75,1.5\n-1,0.75,-0.75,2.5\n0,0.25,,\n",
    "\xff\xfe"
    "1\0;\0002\0\n\0003\0;\0004\0\n\0005\0;\0001\0\n\0",
};

/* Reads until no allocation fails any more; the number of failures on the way. */
static size_t fail_each(const char *bytes, size_t length, const char *path, const tw_capture_opts *o) {
    for (size_t n = 1;; n++) {
        tw_ctx *ctx = tw_ctx_create();
        tw_ctx_fail_allocation(ctx, n);
        tw_capture c = {.samples = 4711};
        const tw_status status = path != NULL ? tw_capture_read(ctx, &path, 1, o, &c)
                                              : tw_capture_read_text(ctx, "fault.csv", bytes, length, o, &c);
        tw_ctx_fail_allocation(ctx, 0);
        if (status == TW_OK) {
            assert_true(c.samples > 1);
            tw_capture_dispose(&c);
            tw_ctx_destroy(ctx);
            return n - 1;
        }
        assert_int_equal(status, TW_NO_MEMORY);
        assert_int_equal(tw_ctx_error(ctx)->status, TW_NO_MEMORY);
        assert_int_equal(c.samples, 4711);
        tw_ctx_destroy(ctx);
        assert_true(n < 1000);
    }
}

static void every_allocation_may_fail(void **state) {
    (void)state;
    static const size_t LENGTHS[] = {0, 0, 0, 0, 26};
    size_t failures = 0;
    for (size_t k = 0; k < sizeof TEXTS / sizeof TEXTS[0]; k++) {
        tw_capture_opts o = tw_capture_opts_default();
        o.sample_interval_s = k == 4 ? 1e-6 : o.sample_interval_s;
        failures += fail_each(TEXTS[k], LENGTHS[k] != 0 ? LENGTHS[k] : strlen(TEXTS[k]), NULL, &o);
    }
    assert_true(failures > 50);
}

/* A pair of files, an array, an audio file. */
static void and_in_the_other_formats(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    tw_capture_opts o = tw_capture_opts_default();
    tw_text t;
    tw_text_init(ctx, &t, 1 << 16);
    put_comtrade_cfg(&t, "ASCII", "0\r\n0,4", 1, "2013");
    static const char DATA[] = "1,0,7,2,0\n2,1000,-3,4,1\n3,2000,,6,1\n4,3000,9,8,1\n";
    capture_folder f = capture_folder_make();
    const char *path = capture_folder_put(ctx, &f, "rec.cfg", t.data, t.length);
    (void)capture_folder_put(ctx, &f, "rec.DAT", DATA, sizeof DATA - 1);
    assert_true(fail_each(NULL, 0, path, &o) > 10);
    capture_folder_drop(&f);
    o.sample_interval_s = 4e-8;
    tw_text_cut(&t, 0);
    put_numpy_header(&t, 2, "'>i2'", "True", "(3, 2)");
    static const char SIX[] = {0, 3, 0, 1, 0, 4, 0, 1, 0, 5, 0, 9};
    tw_text_append(&t, SIX, sizeof SIX);
    assert_true(fail_each(t.data, t.length, NULL, &o) > 5);
    tw_text_cut(&t, 0);
    static const char AU[] = {'.', 's', 'n', 'd', 0, 0, 0, 24, 0, 0, 0, 6, 0, 0, 0, 3, 0, 0, 0x1f, 0x40, 0, 0, 0, 1};
    tw_text_append(&t, AU, sizeof AU);
    tw_text_append(&t, SIX, 6);
    assert_true(fail_each(t.data, t.length, NULL, &o) > 5);
    tw_text_dispose(&t);
    tw_ctx_destroy(ctx);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_allocation_may_fail),
        cmocka_unit_test(and_in_the_other_formats),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

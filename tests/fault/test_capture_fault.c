/* Every allocation of a read fails once: an error, nothing half-made, nothing leaked (the sanitizers watch). */
#include "testing.h"

#include <string.h>

#include "tankwright/capture.h"

static const char *const TEXTS[] = {
    "Sample interval: 1e-6 s\nTime (s),Loop (V),Lead "
    "(A)\n0,0.5,1.5\n1e-6,0.75,2.5\n4e-6,0.25,3.5\n5e-6,0.5,0.5\n6e-6,0.25,0.5\n",
    "Sample interval;1e-6\nY increment;0.02 V\nCH1;CH2\n128;4\n153;9\n103;7\n",
    "t (s),u,u (mV)\n0,0.5,500\n1e-6,0.75,750\n2e-6,0.25,250\n",
    "t1 (us),A (V),t2 (us),B (V)\n-2,0.5,-1.75,1.5\n-1,0.75,-0.75,2.5\n0,0.25,,\n",
    "\xff\xfe"
    "1\0;\0002\0\n\0003\0;\0004\0\n\0005\0;\0001\0\n\0",
};

static void every_allocation_may_fail(void **state) {
    (void)state;
    static const size_t LENGTHS[] = {0, 0, 0, 0, 26};
    size_t failures = 0;
    for (size_t k = 0; k < sizeof TEXTS / sizeof TEXTS[0]; k++) {
        const size_t length = LENGTHS[k] != 0 ? LENGTHS[k] : strlen(TEXTS[k]);
        tw_capture_opts o = tw_capture_opts_default();
        o.sample_interval_s = k == 4 ? 1e-6 : o.sample_interval_s;
        bool done = false;
        for (size_t n = 1; !done; n++) {
            tw_ctx *ctx = tw_ctx_create();
            tw_ctx_fail_allocation(ctx, n);
            tw_capture c = {.samples = 4711};
            const tw_status status = tw_capture_read_text(ctx, "fault.csv", TEXTS[k], length, &o, &c);
            tw_ctx_fail_allocation(ctx, 0);
            if (status == TW_OK) {
                assert_true(c.samples > 1);
                tw_capture_dispose(&c);
                done = true;
            } else {
                assert_int_equal(status, TW_NO_MEMORY);
                assert_int_equal(tw_ctx_error(ctx)->status, TW_NO_MEMORY);
                assert_int_equal(c.samples, 4711);
                failures++;
            }
            tw_ctx_destroy(ctx);
            assert_true(n < 1000);
        }
    }
    assert_true(failures > 50);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_allocation_may_fail),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

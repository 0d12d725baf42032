/* Every allocation of loading and writing a rig fails in turn: an error, nothing half-written, no leak (the leak
 * check is the address sanitizer's). */
#include "testing.h"

#include <string.h>

#include "tankwright/rig.h"

static void loading_without_memory(void **state) {
    (void)state;
    char path[600];
    assert_non_null(tw_project_file("examples/wax-melter/rig.yaml", path, sizeof path));
    size_t n = 1;
    for (;; n++) {
        tw_ctx *ctx = tw_ctx_create();
        tw_rig rig, before;
        memset(&rig, 0x5A, sizeof rig);
        before = rig;
        tw_ctx_fail_allocation(ctx, n);
        const tw_status status = tw_rig_load(ctx, path, NULL, 0, &rig);
        const tw_status recorded = tw_ctx_error(ctx)->status;
        tw_ctx_destroy(ctx);
        assert_int_equal(recorded, status);
        if (status == TW_OK) {
            break;
        }
        assert_int_equal(status, TW_NO_MEMORY);
        assert_memory_equal(&rig, &before, sizeof rig);
        assert_true(n < 1000);
    }
    assert_true(n > 1); /* at least one allocation did fail */
}

static void writing_without_memory(void **state) {
    (void)state;
    const tw_rig rig = tw_rig_default();
    size_t n = 1;
    for (;; n++) {
        tw_ctx *ctx = tw_ctx_create();
        tw_text text;
        tw_text_init(ctx, &text, 100000);
        tw_text_add(&text, "before\n");
        tw_ctx_fail_allocation(ctx, n);
        const tw_status status = tw_rig_write(ctx, &rig, &text);
        if (status != TW_OK) {
            assert_int_equal(status, TW_NO_MEMORY);
            assert_string_equal(tw_text_string(&text), "before\n");
        }
        tw_text_dispose(&text);
        tw_ctx_destroy(ctx);
        if (status == TW_OK) {
            break;
        }
        assert_true(n < 1000);
    }
    assert_true(n > 2);
}

static void a_text_with_too_little_room(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    const tw_rig rig = tw_rig_default();
    tw_text text;
    tw_text_init(ctx, &text, 100);
    assert_int_equal(tw_rig_write(ctx, &rig, &text), TW_TOO_LARGE);
    assert_string_equal(tw_text_string(&text), "");
    tw_text_dispose(&text);
    tw_ctx_destroy(ctx);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(loading_without_memory),
        cmocka_unit_test(writing_without_memory),
        cmocka_unit_test(a_text_with_too_little_room),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

/* Random rigs survive being written and read; one changed key changes nothing else. */
#include "testing.h"

#include <math.h>
#include <string.h>

#include "rig_private.h"

static double pick(tw_random *r, double low, double high) {
    if (low > 0.0 && high / low > 100.0) {
        return tw_random_log_uniform(r, low, high);
    }
    return low == 0.0 && tw_random_below(r, 2) == 0 ? high * tw_random_log_uniform(r, 1e-9, 1.0)
                                                    : tw_random_uniform(r, low, high);
}

/* Text of a legal value of a key. */
static void random_text(tw_random *r, const tw_rig_key_row *row, char *out, size_t size) {
    static const char *const TITLES[] = {
        "",      "Wax: melter # 2", "\"quoted\" \\ and 'single'", " \xC2\xB5 \xF0\x9F\x94\xA7 ", "true", "- [x]",
        "%YAML", "a\\u0041"};
    size_t n_words = 0;
    switch (row->type) {
    case TW_RIG_KEY_TITLE:
        (void)snprintf(out, size, "%s", TITLES[tw_random_below(r, sizeof TITLES / sizeof TITLES[0])]);
        return;
    case TW_RIG_KEY_WORD:
        while (row->words[n_words] != NULL) {
            n_words++;
        }
        (void)snprintf(out, size, "%s", row->words[tw_random_below(r, n_words)]);
        return;
    case TW_RIG_KEY_BOOL:
        (void)snprintf(out, size, "%s", tw_random_below(r, 2) == 0 ? "true" : "false");
        return;
    case TW_RIG_KEY_BITS:
    case TW_RIG_KEY_CHANNEL:
        (void)snprintf(out, size, "%.0f", floor(tw_random_uniform(r, row->low, row->high + 1.0)));
        return;
    default:
        break;
    }
    if (row->unknown_legal && tw_random_below(r, 5) == 0) {
        (void)snprintf(out, size, "unknown");
        return;
    }
    tw_quantity q = {.value = pick(r, row->low, row->high), .unit = row->unit};
    if (row->type == TW_RIG_KEY_QUANTITY) {
        q.spread_kind = (tw_spread_kind)tw_random_below(r, 3);
    }
    if (q.spread_kind != TW_SPREAD_NONE) {
        q.relative = true;
        q.spread = tw_random_below(r, 2) == 0 ? floor(tw_random_uniform(r, 1.0, 50.0)) : tw_random_uniform(r, 0.0, 9.0);
    }
    char text[TW_QUANTITY_TEXT];
    (void)tw_quantity_format(&q, text);
    (void)snprintf(out, size, "%s", text);
}

static void random_rig(tw_ctx *ctx, tw_random *r, tw_rig *rig) {
    char text[300];
    *rig = tw_rig_default();
    for (size_t i = 0; i < tw_rig__count(); i++) {
        /* many details at once contradict one another: few at a time, each often enough over all rigs */
        const bool take = tw_rig__row(i)->detail ? tw_random_below(r, 40) == 0 : tw_random_below(r, 3) != 0;
        if (take) {
            random_text(r, tw_rig__row(i), text, sizeof text);
            assert_ok(tw_rig_set(ctx, rig, tw_rig_key(i), text), ctx);
        }
    }
}

static void a_written_rig_reads_back_identical(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    tw_random r = {31415};
    int kept = 0;
    for (int i = 0; i < 9000; i++) {
        tw_rig rig, back;
        random_rig(ctx, &r, &rig);
        if (tw_rig_check(ctx, &rig) != TW_OK) { /* the relations are checked in the unit tests */
            tw_ctx_clear_error(ctx);
            continue;
        }
        kept++;
        tw_text text;
        tw_text_init(ctx, &text, 100000);
        assert_ok(tw_rig_write(ctx, &rig, &text), ctx);
        assert_ok(tw_rig_parse(ctx, "again", tw_text_string(&text), text.length, NULL, 0, &back), ctx);
        for (size_t k = 0; k < tw_rig__count(); k++) {
            /* layers are written as far as they say something; of an `unknown` behind them nothing is lost */
            const bool silent = strncmp(tw_rig_key(k), "pan.layers.", 11) == 0;
            assert_true(!tw_rig__given(&rig, k) || tw_rig__given(&back, k) || silent);
        }
        memcpy(back.given, rig.given, sizeof back.given);
        assert_memory_equal(&back, &rig, sizeof rig);
        tw_text_dispose(&text);
    }
    assert_true(kept > 300);
    tw_ctx_destroy(ctx);
}

static size_t field_size(const tw_rig_key_row *row) {
    switch (row->type) {
    case TW_RIG_KEY_TITLE:
        return sizeof((tw_rig *)0)->title;
    case TW_RIG_KEY_WORD:
    case TW_RIG_KEY_BITS:
        return sizeof(int);
    case TW_RIG_KEY_BOOL:
        return sizeof(bool);
    case TW_RIG_KEY_CHANNEL:
        return sizeof(size_t);
    case TW_RIG_KEY_QUANTITY:
        return sizeof(tw_value);
    case TW_RIG_KEY_PLAIN:
        return sizeof(double);
    }
    return 0;
}

static void setting_a_key_touches_that_key_only(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    tw_random r = {27182};
    char text[300];
    for (int i = 0; i < 300; i++) {
        for (size_t k = 0; k < tw_rig__count(); k++) {
            tw_rig rig;
            random_rig(ctx, &r, &rig);
            const tw_rig before = rig;
            random_text(&r, tw_rig__row(k), text, sizeof text);
            assert_ok(tw_rig_set(ctx, &rig, tw_rig_key(k), text), ctx);
            const size_t from = tw_rig__row(k)->offset;
            const size_t upto = from + field_size(tw_rig__row(k));
            assert_memory_equal(&rig, &before, from);
            assert_memory_equal((char *)&rig + upto, (const char *)&before + upto, offsetof(tw_rig, given) - upto);
            assert_true(tw_rig_is_given(&rig, tw_rig_key(k)));
        }
    }
    tw_ctx_destroy(ctx);
}

static void values_outside_the_range_are_refused(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    for (size_t k = 0; k < tw_rig__count(); k++) {
        const tw_rig_key_row *row = tw_rig__row(k);
        if (row->type != TW_RIG_KEY_QUANTITY && row->type != TW_RIG_KEY_PLAIN) {
            continue;
        }
        const double outside[] = {nextafter(row->low, -INFINITY),
                                  row->below_high ? row->high : nextafter(row->high, INFINITY), -row->high - 1.0, 1e30};
        const double inside[] = {row->low, row->below_high ? nextafter(row->high, 0.0) : row->high};
        for (size_t i = 0; i < 6; i++) {
            tw_rig rig = tw_rig_default();
            const tw_quantity q = {.value = i < 4 ? outside[i] : inside[i - 4], .unit = row->unit};
            char text[TW_QUANTITY_TEXT];
            (void)tw_quantity_format(&q, text);
            tw_ctx_clear_error(ctx);
            assert_int_equal(tw_rig_set(ctx, &rig, row->name, text), i < 4 ? TW_OUT_OF_RANGE : TW_OK);
        }
    }
    tw_ctx_destroy(ctx);
}

static void every_key_with_a_slip_is_suggested(void **state) {
    (void)state;
    tw_random r = {161803};
    for (size_t k = 1; k < tw_rig__count(); k++) {
        const char *name = tw_rig_key(k);
        const char *dot = strrchr(name, '.');
        const size_t tail = (size_t)(dot - name) + 1;
        for (int i = 0; i < 40; i++) {
            char slip[80];
            (void)snprintf(slip, sizeof slip, "%s", name);
            const size_t at = tail + tw_random_below(&r, strlen(name) - tail);
            slip[at] = (char)('a' + tw_random_below(&r, 26));
            if (tw_rig__find(slip) != SIZE_MAX || tw_rig__find_section(slip) != SIZE_MAX) {
                continue; /* no slip after all */
            }
            assert_string_equal(tw_rig__suggest(slip), name);
        }
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_written_rig_reads_back_identical),
        cmocka_unit_test(setting_a_key_touches_that_key_only),
        cmocka_unit_test(values_outside_the_range_are_refused),
        cmocka_unit_test(every_key_with_a_slip_is_suggested),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

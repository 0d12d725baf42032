/* Every refusal of a rig file: one line with file, line, column, key, found and expected. */
#include "testing.h"

#include <string.h>

#include "tankwright/rig.h"

typedef struct refusal {
    const char *yaml;
    const char *error;
} refusal;

static void check_all(const refusal *cases, size_t n) {
    tw_ctx *ctx = tw_ctx_create();
    for (size_t i = 0; i < n; i++) {
        tw_rig r;
        memset(&r, 0x5A, sizeof r);
        const tw_rig before = r;
        tw_ctx_clear_error(ctx);
        const tw_status status = tw_rig_parse(ctx, "r", cases[i].yaml, strlen(cases[i].yaml), NULL, 0, &r);
        char text[900];
        (void)tw_error_format(tw_ctx_error(ctx), text, sizeof text);
        if (status == TW_OK || strcmp(text, cases[i].error) != 0) {
            fail_msg("%s\ngave    %s\nwanted  %s", cases[i].yaml, text, cases[i].error);
        }
        assert_int_equal(tw_ctx_error(ctx)->status, status);
        assert_memory_equal(&r, &before, sizeof r);
    }
    tw_ctx_destroy(ctx);
}

static void impossible_values(void **state) {
    (void)state;
    static const refusal CASES[] = {
        {"tank: {capacitance: -3 nF}",
         "r:1:21: tank.capacitance: found '-3 nF'; expected a capacitance, 1 pF to 10 mF"},
        {"pan:\n  kind: coupled\n  coupling: 1.2\n",
         "r:3:13: pan.coupling: found '1.2'; expected a plain number, at least 0 and below 1"},
        {"pan: {kind: coupled, coupling: 1}",
         "r:1:32: pan.coupling: found '1'; expected a plain number, at least 0 and below 1"},
        {"pan: {kind: coupled, coupling: -1 %}",
         "r:1:32: pan.coupling: found '-1 %'; expected a plain number, at least 0 and below 1"},
        {"bridge: {frequency: 26k, dead_time: 20 us}",
         "r:1:37: bridge.dead_time: found 20 us; expected less than half the switching period, 19.23 us"},
        {"bridge: {frequency: 0}",
         "r:1:21: bridge.frequency: found '0', which is 0 Hz; expected a frequency, 100 Hz to 10 MHz"},
        {"coil:\n  inductance: 90\n",
         "r:2:15: coil.inductance: found '90', which is 90 H; expected an inductance, 1 nH to 1 H"},
        {"recorder: {bits: 7}", "r:1:18: recorder.bits: found '7'; expected a whole number, 8 to 16"},
        {"recorder: {bits: 8.5}", "r:1:18: recorder.bits: found '8.5'; expected a whole number, 8 to 16"},
        {"recorder: {noise: 0.1 +/- 5 %}",
         "r:1:19: recorder.noise: found '0.1 +/- 5 %'; expected a number without uncertainty"},
        {"recorder:\n  channels: {current: 1, voltage: 1}\n"
         "pickups: {current: {kind: transformer}, voltage: {kind: loop}}",
         "r:2:35: recorder.channels.voltage: found channel 1, which the current pick-up has already"},
        {"bridge: {dead_time: '1.8 V'}", /* the quotation mark counts as a column */
         "r:1:26: bridge.dead_time: found '1.8 V', a voltage; expected a time such as 1.8 us"},
        {"tank: {esr: unknown}", "r:1:13: tank.esr: found 'unknown'; expected a resistance, 0 ohm to 10 ohm (leave the "
                                 "key out for its default)"},
        {"bridge: {dead_time: 1.8 V}",
         "r:1:25: bridge.dead_time: found '1.8 V', a voltage; expected a time such as 1.8 us"},
    };
    check_all(CASES, sizeof CASES / sizeof CASES[0]);
}

static void keys_and_types(void **state) {
    (void)state;
    static const refusal CASES[] = {
        {"bridge:\n  frequncy: 26k\n", "r:2:3: unknown key 'bridge.frequncy'; did you mean bridge.frequency?"},
        {"brigde:\n  frequency: 26k\n", "r:1:1: unknown key 'brigde'; did you mean bridge?"},
        {"coil: {capacitance: 660n}", "r:1:8: unknown key 'coil.capacitance'; did you mean tank.capacitance?"},
        {"xyzzy: 1", "r:1:1: unknown key 'xyzzy'"},
        {"bridge.frequency: 3",
         "r:1:1: found 'bridge.frequency'; in a file the keys of a section stand below it, without dots"},
        {"bridge:\n  frequency: 26k\n  frequency: 27k\n",
         "r:3:14: bridge.frequency: given a second time (first at line 2)"},
        {"tank: {esr: 1m}\ntank: {split: true}", "r:2:1: tank: section given a second time"},
        {"recorder: {channels: {current: {channel: 3}, current: 4}}",
         "r:1:46: recorder.channels.current: given a second time"},
        {"tank:\n  capacitance: [1, 2]\n", "r:2:16: tank.capacitance: found a list; expected a capacitance"},
        {"tank:\n  capacitance: {a: 1}\n", "r:2:16: tank.capacitance: found keys; expected a capacitance"},
        {"tank: 3", "r:1:7: tank: found '3'; expected keys below this section"},
        {"tank: [3]", "r:1:7: tank: found a list; expected keys below this section"},
        {"tank:\n  esr:\n", "r:2:3: tank.esr: found nothing; expected a resistance such as 18 mohm"},
        {"tank: {split: yes}", "r:1:15: tank.split: found 'yes'; expected true or false"},
        {"pan: {kind: cupled}", "r:1:13: pan.kind: found 'cupled'; expected none, equivalent, coupled or field"},
        {"pan: {kind: field, coupling: 0.4}",
         "r:1:30: pan.coupling: does not go with pan.kind field, which computes it; leave it out"},
        {"pan: {kind: field, gap: -3 mm}", "r:1:25: pan.gap: found '-3 mm'; expected a length, 10 um to 500 mm"},
        {"pan:\n  layers:\n    - {thickness: 0 mm}\n",
         "r:3:19: pan.layers.1.thickness: found '0 mm'; expected a length, 1 um to 500 mm"},
        {"pan:\n  layers:\n    - {thickness: 1 mm}\n    - {permeability: 0.97}\n",
         "r:4:22: pan.layers.2.permeability: found '0.97'; expected a plain number, 1 to 1000000"},
        {"pan:\n  layers:\n    - {metal: alumnium}\n",
         "r:3:15: pan.layers.1.metal: found 'alumnium', did you mean aluminium?; expected none, copper, aluminium, "
         "steel-low-carbon, cast-iron, stainless-304, stainless-430, stainless-410 or brass"},
        {"pan:\n  layers:\n    - {metal: carbon-steel}\n",
         "r:3:15: pan.layers.1.metal: found 'carbon-steel', did you mean steel-low-carbon?; expected none, copper, "
         "aluminium, steel-low-carbon, cast-iron, stainless-304, stainless-430, stainless-410 or brass"},
        {"pan: {layers: [3]}", "r:1:16: pan.layers.1: found a value; expected keys of an entry"},
        {"pan: {layers: [{}, {}, {}, {}, {}, {}, {}, {}, {}]}",
         "r:1:48: pan.layers: found 9 entries or more; expected at most 8"},
        {"pan: {layers: [{metal: brass}], layers: [{metal: brass}]}",
         "r:1:33: pan.layers: section given a second time"},
        {"pan: {kind: field, layers: {1: {metal: brass}, 3: {thickness: 2 mm}}}",
         "r:1:63: pan.layers.3.thickness: layer 3 without a layer 2; they are counted from 1 at the coil"},
        {"pan: {layers: [{metal: brass}]}",
         "r:1:24: pan.layers.1.metal: has no effect without pan.kind: equivalent, coupled or field"},
        {"coil: {turns: 31, inner_diameter: 41 mm, outer_diameter: 203 mm, wire_diameter: 2.7 mm}",
         "r:1:81: coil.wire_diameter: found 2.7 mm; the turns overlap: 31 turns do not fit into a section of 81 mm by "
         "2.7 mm"},
        {"coil: {pitch: 2.9 mm, wire_diameter: 3.1 mm}",
         "r:1:15: coil.pitch: found 2.9 mm; the turns overlap, the wire is 3.1 mm thick"},
        {"coil: {pitch: 3 mm, outer_diameter: 210 mm}",
         "r:1:15: coil.pitch: together with coil.outer_diameter; give one of them, the other follows"},
        {"coil: {wire_diameter: 3 mm, strands: {count: 300, diameter: 0.2 mm}}",
         "r:1:46: coil.strands.count: found 300; as many strands of 0.2 mm have 1.33 times the section of a wire of 3 "
         "mm"},
        {"bridge: {arrangement: full}",
         "r:1:23: bridge.arrangement: found full; this version models the half bridge only"},
        {"pan: {coupling: 0.5}", "r:1:17: pan.coupling: has no effect without pan.kind: equivalent, coupled or field"},
        {"pickups: {current: {turns: 150}}",
         "r:1:28: pickups.current.turns: has no effect without pickups.current.kind: transformer or rogowski"},
        {"pickups: {current: {kind: transformer, core: {inner_diameter: 25 mm, outer_diameter: 25 mm}}}",
         "r:1:63: pickups.current.core.inner_diameter: found 25 mm; expected less than "
         "pickups.current.core.outer_diameter, 25 mm"},
        {"pickups: {current: {kind: transformer, core: {effective_area: 51 mm}}}",
         "r:1:66: pickups.current.core.effective_area: found '51 mm', a length; expected an area such as 51 mm2"},
        {"pickups: {current: {kind: rogowski, integrator: {corner: 5 Hz}}}",
         "r:1:50: unknown key 'pickups.current.integrator.corner'; did you mean "
         "pickups.current.integrator.low_corner?"},
        {"pan: {kind: equivalent, coupling: 0.5}",
         "r:1:35: pan.coupling: belongs to pan.kind coupled, but the kind is equivalent"},
        {"pan: {kind: coupled, inductance: 50 uH}",
         "r:1:34: pan.inductance: belongs to pan.kind equivalent, but the kind is coupled"},
        {"title: \"a\\nb\"", "r:1:9: title: found 'a?b'; expected one line of plain text"},
    };
    check_all(CASES, sizeof CASES / sizeof CASES[0]);
}

static void files_that_are_no_rig(void **state) {
    (void)state;
    static const refusal CASES[] = {
        {"", "r: empty; expected sections such as 'bridge:'"},
        {"# only a comment\n\n", "r: empty; expected sections such as 'bridge:'"},
        {"---\n", "r:1:1: found a value; expected sections such as 'bridge:'"},
        {"hello\n", "r:1:1: found a value; expected sections such as 'bridge:'"},
        {"- a\n- b\n", "r:1:1: found a list; expected sections such as 'bridge:'"},
        {"title: W\xE4rme\n", "r:1:9: found the byte 0xE4; expected UTF-8 text"},
        {"\xFF\xFEt", "r:1:1: found the byte 0xFF; expected UTF-8 text"},
        {"title: \xC3\xA9\n# \x01\n", "r:2:3: found the byte 0x01; expected UTF-8 text without control characters"},
        {"tank: &a {esr: 1 mohm}", "r:1:10: tank: found an anchor; expected the value alone"},
        {"tank: *a\n", "r:1:8: tank: found an alias; expected the value itself"},
        {"tank: {esr: !!float 3}", "r:1:21: tank.esr: found a tag; expected the value alone"},
        {"? [a, b]\n: c\n", "r:1:3: found a list; expected the name of a key"},
        {"tank: {<<: 3}", "r:1:8: unknown key 'tank.<<'"},
        {"tank: {esr: 1m}\n---\ntank: {}\n", "r:2:1: found a second document; expected one"},
        {"bridge:\n\tfrequency: 3\n", "r:2:1: not readable as YAML: tab character may not be used as indentation"},
    };
    check_all(CASES, sizeof CASES / sizeof CASES[0]);
}

static void big_deep_and_missing(void **state) {
    (void)state;
    enum { BIG = 1 << 21 };
    tw_ctx *ctx = tw_ctx_create();
    tw_rig r;
    char text[900];
    char *bytes = tw_alloc(ctx, BIG, 1);
    memset(bytes, '[', BIG);
    assert_int_equal(tw_rig_parse(ctx, "r", bytes, BIG, NULL, 0, &r), TW_TOO_LARGE);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_rig_parse(ctx, "r", bytes, BIG / 2, NULL, 0, &r), TW_BAD_DATA);
    tw_ctx_clear_error(ctx);
    for (size_t i = 0; i < BIG / 2; i++) { /* "{a: {a: ..." */
        bytes[i] = "{a: "[i % 4];
    }
    assert_int_equal(tw_rig_parse(ctx, "r", bytes, BIG / 2, NULL, 0, &r), TW_BAD_DATA);
    tw_ctx_clear_error(ctx);
    memset(bytes, 'k', BIG / 2);
    bytes[BIG / 2 - 1] = ':';
    assert_int_equal(tw_rig_parse(ctx, "r", bytes, BIG / 2, NULL, 0, &r), TW_BAD_DATA);
    assert_null(strchr(tw_ctx_error(ctx)->message, '\n'));
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_rig_load(ctx, "no/such/rig.yaml", NULL, 0, &r), TW_STORAGE);
    assert_string_equal(tw_error_format(tw_ctx_error(ctx), text, sizeof text),
                        "no/such/rig.yaml: cannot open: No such file or directory");
    tw_free(bytes);
    tw_ctx_destroy(ctx);
}

static void overrides(void **state) {
    (void)state;
    static const struct {
        const char *set, *error;
    } CASES[] = {
        {"bridge.frequency", "--set bridge.frequency: expected KEY=VALUE, such as bridge.frequency=30k"},
        {"=3", "--set =3: expected KEY=VALUE, such as bridge.frequency=30k"},
        {"bridge.freq=3k", "--set bridge.freq=3k: unknown key 'bridge.freq'; did you mean bridge.frequency?"},
        {"bridge=3", "--set bridge=3: unknown key 'bridge', which is a section; name one of its keys"},
        {"frequency=3",
         "--set frequency=3: unknown key 'frequency'; did you mean supply.frequency or bridge.frequency?"},
        {"bridge.frequency=30x",
         "--set bridge.frequency=30x: bridge.frequency: found '30x', where 'x' is no unit known "
         "here; expected a frequency such as 26 kHz"},
        {"bridge.dead_time=25 us",
         "--set bridge.dead_time=25 us: bridge.dead_time: found 25 us; expected less than half "
         "the switching period, 23.26 us"},
        {"tank.esr=", "--set tank.esr=: tank.esr: found nothing; expected a resistance such as 18 mohm"},
    };
    static const char YAML[] = "bridge: {frequency: 21.5k}\n";
    tw_ctx *ctx = tw_ctx_create();
    for (size_t i = 0; i < sizeof CASES / sizeof CASES[0]; i++) {
        tw_rig r;
        char text[900];
        tw_ctx_clear_error(ctx);
        assert_true(tw_rig_parse(ctx, "r", YAML, sizeof YAML - 1, &CASES[i].set, 1, &r) != TW_OK);
        assert_string_equal(tw_error_format(tw_ctx_error(ctx), text, sizeof text), CASES[i].error);
    }
    tw_ctx_clear_error(ctx);
    tw_rig r = tw_rig_default();
    assert_int_equal(tw_rig_set(ctx, &r, "bridge", "3"), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_rig_set(ctx, &r, "bridge.frequency", "5 m"), TW_BAD_DATA);
    assert_string_equal(tw_ctx_error(ctx)->key, "bridge.frequency");
    tw_ctx_destroy(ctx);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(impossible_values),
        cmocka_unit_test(keys_and_types),
        cmocka_unit_test(files_that_are_no_rig),
        cmocka_unit_test(big_deep_and_missing),
        cmocka_unit_test(overrides),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

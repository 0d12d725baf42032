/* Reading, overriding, completing and writing a rig. */
#include "testing.h"

#include <math.h>
#include <string.h>

#include "tankwright/rig.h"

static int make_context(void **state) {
    *state = tw_ctx_create();
    return *state == NULL;
}

static int drop_context(void **state) {
    tw_ctx_destroy(*state);
    return 0;
}

static void the_example_reads_as_written(void **state) {
    tw_ctx *ctx = *state;
    char path[600];
    tw_rig r;
    assert_ok(tw_rig_load(ctx, tw_project_file("examples/wax-melter/rig.yaml", path, sizeof path), NULL, 0, &r), ctx);
    assert_string_equal(r.title, "Wax melter on a salvaged plate");
    assert_int_equal(r.supply.kind, TW_SUPPLY_MAINS);
    assert_close(r.supply.voltage_v.value, 230.0, 0.0, 0.0);
    assert_close(r.supply.voltage_v.u, 6.9 / sqrt(3.0), 1e-15, 0.0); /* a limit: GUM 4.3.7 */
    assert_true(r.supply.source_inductance_h.value == 0.3e-3);
    assert_true(r.bridge.frequency_hz.value == 26e3);
    assert_true(r.bridge.dead_time_s.value == 1.8e-6);
    assert_true(r.bridge.snubber_capacitance_f.value == 10e-9);
    assert_true(r.bridge.transistor.slope_ohm.value == 20e-3);
    assert_true(r.bridge.diode.threshold_v.value == 0.8);
    assert_true(r.tank.capacitance_f.value == 660e-9);
    assert_close(r.tank.capacitance_f.u, 33e-9 / sqrt(3.0), 1e-15, 0.0);
    assert_true(r.tank.split);
    assert_int_equal(r.pan.kind, TW_PAN_COUPLED);
    assert_true(r.pan.coupling.value == 0.67 && r.pan.coupling.u == 0.0);
    assert_false(tw_is_known(r.pan.inductance_h));
    assert_int_equal(r.current_pickup.kind, TW_CURRENT_PICKUP_TRANSFORMER);
    assert_true(r.current_pickup.turns.value == 150.0);
    assert_true(r.current_pickup.magnetizing_inductance_h.value == 22e-3);
    assert_false(tw_is_known(r.voltage_pickup.gain));
    assert_int_equal(r.recorder.bits, 8);
    assert_int_equal(r.recorder.current.channel, 1);
    assert_int_equal(r.recorder.voltage.channel, 2);
    assert_true(r.recorder.noise == 0.004);
    assert_true(tw_rig_is_given(&r, "pickups.voltage.gain"));
    assert_false(tw_rig_is_given(&r, "recorder.skew"));
    assert_false(tw_rig_is_given(&r, "no.such.key"));
}

static void nothing_given_means_every_default(void **state) {
    const tw_rig d = tw_rig_default();
    assert_ok(tw_rig_check(*state, &d), *state);
    assert_int_equal(d.supply.kind, TW_SUPPLY_MAINS);
    assert_false(tw_is_known(d.supply.voltage_v));
    assert_false(tw_is_known(d.coil.inductance_h));
    assert_true(d.supply.frequency_hz.value == 50.0);
    assert_true(d.bridge.transistor.threshold_v.value == 0.9);
    assert_true(d.tank.split);
    assert_int_equal(d.recorder.bits, 8);
    assert_true(d.recorder.current.probe_factor.value == 1.0);
    for (size_t i = 0; tw_rig_key(i) != NULL; i++) {
        assert_false(tw_rig_is_given(&d, tw_rig_key(i)));
    }
    tw_rig r;
    static const char YAML[] = "tank:\n  # all keys commented out\n";
    assert_ok(tw_rig_parse(*state, "r", YAML, sizeof YAML - 1, NULL, 0, &r), *state);
    assert_memory_equal(&r, &d, sizeof r);
}

static void overrides_come_after_the_file(void **state) {
    static const char YAML[] = "bridge: {frequency: 26k, dead_time: 20 us}\nrecorder: {channels: {current: 3}}\n";
    static const char *const SET[] = {"bridge.frequency=21k5 Hz",
                                      "title=A = B",
                                      "recorder.channels.current=2",
                                      "recorder.channels.voltage.channel=4",
                                      "pan.kind=coupled",
                                      "pickups.current.kind=transformer",
                                      "pickups.current.reversed=true",
                                      "tank.split=false",
                                      "coil.inductance=90 uH (u=0.5 uH)"};
    tw_rig r;
    assert_ok(tw_rig_parse(*state, "r", YAML, sizeof YAML - 1, SET, sizeof SET / sizeof SET[0], &r), *state);
    assert_true(r.bridge.frequency_hz.value == 21.5e3); /* with 26 kHz the dead time would be too long */
    assert_string_equal(r.title, "A = B");
    assert_int_equal(r.recorder.current.channel, 2);
    assert_int_equal(r.recorder.voltage.channel, 4);
    assert_int_equal(r.pan.kind, TW_PAN_COUPLED);
    assert_true(r.current_pickup.reversed);
    assert_false(r.tank.split);
    assert_true(r.coil.inductance_h.u == 0.5e-6);
}

static void channels_as_number_or_mapping(void **state) {
    static const char YAML[] = "recorder:\n  channels:\n    current: {channel: 3, probe_factor: 10 +/- 2 %}\n"
                               "    voltage: 0\n";
    tw_rig r;
    assert_ok(tw_rig_parse(*state, "r", YAML, sizeof YAML - 1, NULL, 0, &r), *state);
    assert_int_equal(r.recorder.current.channel, 3);
    assert_true(r.recorder.current.probe_factor.value == 10.0);
    assert_close(r.recorder.current.probe_factor.u, 0.2 / sqrt(3.0), 1e-15, 0.0);
    assert_int_equal(r.recorder.voltage.channel, 0);
}

static void yaml_spellings(void **state) {
    static const char YAML[] = "\xEF\xBB\xBF%YAML 1.2\r\n---\r\ntitle: >-\r\n  two\r\n  lines\r\n"
                               "\"coil\": {inductance: '90 uH', \"resistance\": \"120\\u0020mohm\"}\r\n...\r\n";
    tw_rig r;
    assert_ok(tw_rig_parse(*state, "r", YAML, sizeof YAML - 1, NULL, 0, &r), *state);
    assert_string_equal(r.title, "two lines");
    assert_true(r.coil.inductance_h.value == 90e-6);
    assert_true(r.coil.resistance_ohm.value == 120e-3);
}

static void optional_detail_is_printed_where_given(void **state) {
    static const char YAML[] = "pickups:\n  current: {kind: transformer, wire: {gauge: 30},\n"
                               "    core: {effective_area: 48.9 mm2, inductance_factor: 2350 nH +/- 25 %}}\n"
                               "recorder: {channels: {voltage: {channel: 2, probe_capacitance: 15 pF}}}\n";
    tw_rig r, back;
    tw_text text;
    tw_text_init(*state, &text, 1 << 16);
    assert_ok(tw_rig_parse(*state, "r", YAML, sizeof YAML - 1, NULL, 0, &r), *state);
    assert_true(r.current_pickup.core.effective_area_m2.value == 48.9e-6);
    assert_close(r.current_pickup.core.inductance_factor_h.u, 0.25 * 2350e-9 / sqrt(3.0), 1e-15, 0.0);
    assert_true(r.current_pickup.wire.gauge.value == 30.0);
    assert_ok(tw_rig_write(*state, &r, &text), *state);
    assert_non_null(strstr(tw_text_string(&text), "inductance_factor: 2.35 uH \xC2\xB1 25 %\n"));
    assert_null(strstr(tw_text_string(&text), "permeability"));
    assert_ok(tw_rig_parse(*state, "w", text.data, text.length, NULL, 0, &back), *state);
    assert_memory_equal(&back.current_pickup, &r.current_pickup, sizeof r.current_pickup);
    assert_true(back.recorder.voltage.probe_capacitance_f.value == 15e-12);
    tw_text_dispose(&text);
}

static void writing_marks_defaults_and_keeps_statements(void **state) {
    tw_ctx *ctx = *state;
    tw_rig r = tw_rig_default();
    assert_ok(tw_rig_set(ctx, &r, "title", "say \"5 \xC2\xB5s\" \\ twice"), ctx);
    assert_ok(tw_rig_set(ctx, &r, "supply.voltage", "230 V +/- 3 %"), ctx);
    assert_ok(tw_rig_set(ctx, &r, "tank.capacitance", "660 nF (u=7 nF)"), ctx);
    tw_text text;
    tw_text_init(ctx, &text, 20000);
    assert_ok(tw_rig_write(ctx, &r, &text), ctx);
    const char *s = tw_text_string(&text);
    assert_non_null(strstr(s, "title: \"say \\\"5 \xC2\xB5s\\\" \\\\ twice\"\n"));
    assert_non_null(strstr(s, "\n  voltage: 230 V \xC2\xB1 3 %\n"));
    assert_non_null(strstr(s, "\n  capacitance: 660 nF (u=7 nF)\n"));
    assert_non_null(strstr(s, "\n    threshold: 900 mV "));
    assert_non_null(strstr(s, "# default\n"));
    assert_null(strstr(s, "coupling")); /* no pan: its keys have no meaning */
    tw_rig back;
    assert_ok(tw_rig_parse(ctx, "again", s, text.length, NULL, 0, &back), ctx);
    memcpy(back.given, r.given, sizeof back.given);
    assert_memory_equal(&back, &r, sizeof r);
    tw_text_dispose(&text);
}

static void a_purpose_names_what_it_lacks(void **state) {
    static const char *const KEYS[] = {"tank.capacitance", "tank.split", "coil.inductance"};
    tw_ctx *ctx = *state;
    tw_rig r = tw_rig_default();
    char text[300];
    assert_ok(tw_rig_set(ctx, &r, "tank.capacitance", "660n"), ctx);
    assert_int_equal(tw_rig_require(ctx, &r, "rig.yaml", "forecast", KEYS, 3), TW_BAD_DATA);
    assert_string_equal(tw_error_format(tw_ctx_error(ctx), text, sizeof text),
                        "rig.yaml: coil.inductance: forecast needs an inductance here, such as 90 uH; it is missing");
    tw_ctx_clear_error(ctx);
    assert_ok(tw_rig_set(ctx, &r, "coil.inductance", "90 uH"), ctx);
    assert_ok(tw_rig_require(ctx, &r, NULL, "forecast", KEYS, 3), ctx);
}

static void entries_tell_what_the_rig_says(void **state) {
    static const char YAML[] = "title: A & B\nsupply: {voltage: 230 V +/- 3 %}\npan: {kind: coupled, coupling: 0.61}\n"
                               "tank: {split: false}\nrecorder: {bits: 12, channels: {current: 3}, noise: 0.007}\n";
    static const struct {
        const char *key;
        tw_rig_entry e;
    } WANTED[] = {
        {"title", {.kind = TW_RIG_ENTRY_TEXT, .text = "A & B", .given = true, .has_meaning = true}},
        {"supply.kind", {.kind = TW_RIG_ENTRY_TEXT, .text = "mains", .has_meaning = true}},
        {"supply.voltage", {.kind = 2, .value = {230, 3.98}, .unit = "V", .given = true, .has_meaning = true}},
        {"tank.split", {.kind = TW_RIG_ENTRY_TRUTH, .given = true, .has_meaning = true}},
        {"pan.kind", {.kind = TW_RIG_ENTRY_TEXT, .text = "coupled", .given = true, .has_meaning = true}},
        {"pan.coupling", {.kind = 2, .value = {0.61, 0}, .unit = "", .given = true, .has_meaning = true}},
        {"pan.inductance", {.kind = 2, .value = {NAN, 0}, .unit = "H"}},
        {"recorder.bits", {.kind = 2, .value = {12, 0}, .unit = "", .given = true, .has_meaning = true}},
        {"recorder.channels.current", {.kind = 2, .value = {3, 0}, .unit = "", .given = true, .has_meaning = true}},
        {"recorder.channels.voltage", {.kind = 2, .value = {2, 0}, .unit = "", .has_meaning = true}},
        {"recorder.noise", {.kind = 2, .value = {0.007, 0}, .unit = "", .given = true, .has_meaning = true}},
    };
    tw_rig rig;
    tw_rig_entry e;
    size_t met = 0, n = 0;
    assert_ok(tw_rig_parse(*state, "r", YAML, sizeof YAML - 1, NULL, 0, &rig), *state);
    for (; tw_rig_entry_at(&rig, n, &e); n++) {
        assert_string_equal(e.key, tw_rig_key(n));
        for (size_t k = 0; k < sizeof WANTED / sizeof WANTED[0]; k++) {
            const tw_rig_entry *w = &WANTED[k].e;
            if (strcmp(WANTED[k].key, e.key) != 0) {
                continue;
            }
            met++;
            assert_int_equal(e.kind, w->kind);
            assert_int_equal(e.given, w->given);
            assert_int_equal(e.has_meaning, w->has_meaning);
            if (e.kind == TW_RIG_ENTRY_TEXT) {
                assert_string_equal(e.text, w->text);
            } else if (e.kind == TW_RIG_ENTRY_TRUTH) {
                assert_int_equal(e.truth, w->truth);
            } else {
                assert_string_equal(e.unit, w->unit);
                assert_true(e.value.value == w->value.value || (isnan(e.value.value) && isnan(w->value.value)));
                assert_close(e.value.u, w->value.u, 1e-2, 0.0);
            }
        }
    }
    assert_int_equal(met, sizeof WANTED / sizeof WANTED[0]);
    assert_null(tw_rig_key(n));
}

static void layers_are_a_list(void **state) {
    static const char TEXT[] = "coil: {turns: 22, pitch: 3.1 mm, strands: {count: 180, diameter: 0.21 mm}}\n"
                               "pan:\n  kind: field\n  gap: 7.5 mm\n  layers:\n"
                               "    - {metal: stainless-430, thickness: 0.6 mm}\n"
                               "    - thickness: 4.1 mm\n      conductivity: 21e6\n      permeability: 1\n";
    static const char *const SET[] = {"pan.layers.2.thickness=3.9mm"};
    tw_ctx *ctx = *state;
    tw_rig r, again;
    tw_text text;
    assert_ok(tw_rig_parse(ctx, "r", TEXT, sizeof TEXT - 1, SET, 1, &r), ctx);
    assert_int_equal(tw_rig_layer_count(&r), 2);
    assert_string_equal(tw_rig_metal(r.pan.layers[0].metal), "stainless-430");
    assert_null(tw_rig_metal(r.pan.layers[1].metal));
    assert_true(r.pan.layers[1].thickness_m.value == 3.9e-3 && r.pan.layers[1].conductivity_s_m.value == 21e6);
    tw_text_init(ctx, &text, 1 << 16);
    assert_ok(tw_rig_write(ctx, &r, &text), ctx);
    assert_ok(tw_rig_parse(ctx, "again", text.data, text.length, NULL, 0, &again), ctx);
    assert_memory_equal(&again.pan.layers[0], &r.pan.layers[0], sizeof r.pan.layers[0]);
    assert_true(again.pan.layers[1].thickness_m.value == 3.9e-3 && again.coil.strands.count.value == 180.0);
    tw_text_dispose(&text);
}

static void every_key_is_described(void **state) {
    char path[600], entry[100];
    char *text;
    size_t length;
    assert_ok(tw_read_file(*state, tw_project_file("docs/rig-file.md", path, sizeof path), 1 << 20, &text, &length),
              *state);
    for (size_t i = 0; tw_rig_key(i) != NULL; i++) {
        unsigned layer = 0; /* the entries of the list are alike */
        if (sscanf(tw_rig_key(i), "pan.layers.%u.", &layer) == 1 && layer > 1) {
            continue;
        }
        (void)snprintf(entry, sizeof entry, "`%s`", tw_rig_key(i));
        if (strstr(text, entry) == NULL) {
            fail_msg("docs/rig-file.md says nothing about %s", tw_rig_key(i));
        }
    }
    tw_free(text);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(the_example_reads_as_written, make_context, drop_context),
        cmocka_unit_test_setup_teardown(nothing_given_means_every_default, make_context, drop_context),
        cmocka_unit_test_setup_teardown(overrides_come_after_the_file, make_context, drop_context),
        cmocka_unit_test_setup_teardown(channels_as_number_or_mapping, make_context, drop_context),
        cmocka_unit_test_setup_teardown(yaml_spellings, make_context, drop_context),
        cmocka_unit_test_setup_teardown(optional_detail_is_printed_where_given, make_context, drop_context),
        cmocka_unit_test_setup_teardown(writing_marks_defaults_and_keeps_statements, make_context, drop_context),
        cmocka_unit_test_setup_teardown(a_purpose_names_what_it_lacks, make_context, drop_context),
        cmocka_unit_test_setup_teardown(entries_tell_what_the_rig_says, make_context, drop_context),
        cmocka_unit_test_setup_teardown(layers_are_a_list, make_context, drop_context),
        cmocka_unit_test_setup_teardown(every_key_is_described, make_context, drop_context),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

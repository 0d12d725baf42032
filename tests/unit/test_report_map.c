/* Maps and the state plane as text, JSON, delimited text and drawings; odd maps; no memory. */
#include "report_fixture.h"

#include <jansson.h>
#include <math.h>
#include <string.h>

#include "report_xml.h"

static int make_context(void **state) {
    *state = tw_ctx_create();
    return *state == NULL;
}

static int drop_context(void **state) {
    tw_ctx_destroy(*state);
    return 0;
}

static const char PLATE[] = "title: 'Plate #3 <\"tin\"> & co'\n"
                            "bridge: {frequency: 26.3 kHz, dead_time: 1.7 us, snubber_capacitance: 9.1 nF}\n"
                            "tank: {capacitance: 664 nF, split: false}\n"
                            "coil: {inductance: 91 uH, resistance: 118 mohm}\n"
                            "pan: {kind: coupled, coupling: 0.66, resistance: 5.2 ohm}\n"
                            "recorder: {rail_voltage: 317 V}\n";

static tw_map map_of(tw_ctx *ctx, const char *first, const char *second, const char *target) {
    const char *along[] = {first, second};
    const tw_map_opts opts = {.along = along, .n_along = second != NULL ? 2 : first != NULL, .target = target};
    tw_rig rig;
    tw_map map;
    assert_ok(tw_rig_parse(ctx, "plate.yaml", PLATE, strlen(PLATE), NULL, 0, &rig), ctx);
    assert_ok(tw_study_map(ctx, &rig, &opts, &map), ctx);
    return map;
}

static json_t *json_of(tw_ctx *ctx, const tw_map *map) {
    tw_text text;
    tw_text_init(ctx, &text, 1 << 20);
    assert_ok(tw_report_json_map(ctx, map, &text), ctx);
    json_t *root = json_loads(tw_text_string(&text), JSON_REJECT_DUPLICATES, NULL);
    assert_non_null(root);
    tw_text_dispose(&text);
    return root;
}

static double number_at(const json_t *array, size_t index) {
    return json_number_value(json_array_get(array, index));
}

static void json_holds_every_point(void **state) {
    tw_ctx *ctx = *state;
    tw_map map = map_of(ctx, "bridge.frequency=22k..41k:7", "pan.coupling=.1...7:3", NULL);
    json_t *root = json_of(ctx, &map);
    assert_string_equal(json_string_value(json_object_get(root, "title")), "Plate #3 <\"tin\"> & co");
    assert_int_equal(json_integer_value(json_object_get(root, "points")), 21);
    const json_t *axes = json_object_get(root, "axes"), *second = json_array_get(axes, 1);
    assert_string_equal(json_string_value(json_object_get(second, "key")), "pan.coupling");
    assert_true(number_at(json_object_get(second, "values"), 2) == 0.7);
    const json_t *power = json_object_get(json_object_get(root, "columns"), "real_power");
    assert_string_equal(json_string_value(json_object_get(power, "unit")), "W");
    assert_int_equal(json_array_size(json_object_get(power, "values")), 21);
    for (size_t k = 0; k < 21; k++) { /* all digits */
        assert_true(number_at(json_object_get(power, "values"), k) ==
                    tw_map_find_column(&map, "real_power")->values[k]);
    }
    assert_int_equal(json_array_size(json_object_get(root, "commutation")), 21);
    assert_null(json_object_get(root, "regions"));
    assert_null(json_object_get(root, "target"));
    json_decref(root);
    tw_map_dispose(&map);
}

static void json_answers_the_target(void **state) {
    tw_ctx *ctx = *state;
    tw_map map = map_of(ctx, NULL, NULL, "coil_current_peak=30 A");
    json_t *root = json_of(ctx, &map);
    const json_t *best = json_object_get(root, "recommended");
    assert_string_equal(json_string_value(json_object_get(best, "side")), "inductive");
    assert_close(json_number_value(json_object_get(json_object_get(best, "coil_current_peak"), "value")), 30.0, 1e-9,
                 0.0);
    assert_int_equal(json_array_size(json_object_get(root, "solutions")), map.n_solutions);
    assert_int_equal(json_array_size(json_object_get(root, "regions")), map.n_regions);
    assert_true(json_is_object(json_object_get(root, "resonance")));
    json_decref(root);
    tw_map_dispose(&map);
}

static size_t longest_line(const char *text) {
    size_t longest = 0;
    for (size_t n; *text != '\0'; text += n + (text[n] == '\n' ? 1 : 0)) {
        n = strcspn(text, "\n");
        longest = n > longest ? n : longest;
        assert_true(n == 0 || text[n - 1] != ' ');
    }
    return longest;
}

static void text_fits_a_terminal(void **state) {
    static const char *const cases[][3] = {
        {"bridge.frequency=20k..60k:333", NULL, NULL},
        {"bridge.dead_time=0.4us..8us:90:log", NULL, NULL},
        {"bridge.frequency=100k..400k:4", NULL, NULL},
        {NULL, NULL, "real_power=1.3k"},
        {"bridge.frequency=20k..60k:40", "bridge.snubber_capacitance=0..47n:30", NULL},
        {"tank.esr=1m..9m:2", "bridge.frequency=26k", NULL}};
    tw_ctx *ctx = *state;
    for (size_t k = 0; k < sizeof cases / sizeof cases[0]; k++) {
        tw_map map = map_of(ctx, cases[k][0], cases[k][1], cases[k][2]);
        tw_text text;
        tw_text_init(ctx, &text, 1 << 20);
        assert_ok(tw_report_text_map(ctx, &map, NULL, &text), ctx);
        assert_in_range(longest_line(tw_text_string(&text)), 40, 110);
        assert_non_null(strstr(tw_text_string(&text), "Plate #3"));
        tw_text_dispose(&text);
        tw_map_dispose(&map);
    }
}

static size_t count_of(const char *text, const char *what) {
    size_t n = 0;
    for (const char *at = text; (at = strstr(at, what)) != NULL; at += strlen(what)) {
        n++;
    }
    return n;
}

static void delimited_text_has_gaps_where_nothing_is(void **state) {
    tw_ctx *ctx = *state;
    char folder[64], path[128], *data;
    size_t n;
    fixture_folder(folder, sizeof folder);
    (void)snprintf(path, sizeof path, "%s/map.csv", folder);
    tw_map map = map_of(ctx, "bridge.frequency=100k..400k:4", NULL, NULL); /* the last two cannot be */
    assert_ok(tw_report_write_map(ctx, &map, path), ctx);
    assert_ok(tw_read_file(ctx, path, 1 << 20, &data, &n), ctx);
    assert_int_equal(strncmp(data, "bridge.frequency (Hz),switching_frequency (Hz),", 47), 0);
    assert_int_equal(count_of(data, "\n"), 5);
    assert_non_null(strstr(data, "\n400000,,,"));
    assert_int_equal(count_of(data, ",unknown\n"), 2);
    tw_free(data);
    tw_map_dispose(&map);
    fixture_remove_folder(folder);
}

static tw_status draw_plane(tw_ctx *ctx, const char *path) {
    tw_rig rig;
    tw_reading forecast;
    tw_plane plane;
    assert_ok(tw_rig_parse(ctx, "plate.yaml", PLATE, strlen(PLATE), NULL, 0, &rig), ctx);
    assert_ok(tw_study_forecast(ctx, &rig, &forecast), ctx);
    assert_ok(tw_study_plane(ctx, &forecast, &plane), ctx);
    const tw_status status = tw_report_plot_plane(ctx, &plane, path);
    tw_plane_dispose(&plane);
    tw_reading_dispose(&forecast);
    return status;
}

/* Well-formed, with something in it, and the same bytes each time. */
static void check_svg(tw_ctx *ctx, const char *path, const char *again) {
    char *data, *other, reason[200];
    size_t n, n_other;
    assert_ok(tw_read_file(ctx, path, 8 << 20, &data, &n), ctx);
    assert_ok(tw_read_file(ctx, again, 8 << 20, &other, &n_other), ctx);
    assert_int_equal(n, n_other);
    assert_memory_equal(data, other, n);
    if (!xml_well_formed(data, n, reason, sizeof reason)) {
        fail_msg("%s: %s", path, reason);
    }
    assert_true(count_of(data, "<path") > 20);
    tw_free(data);
    tw_free(other);
}

static void drawings_are_well_formed_and_repeatable(void **state) {
    static const char *const cases[][3] = {{"bridge.frequency=20k..60k:60", NULL, NULL},
                                           {"bridge.frequency=100k..400k:4", NULL, NULL},
                                           {"bridge.frequency=20k..60k:2", NULL, NULL},
                                           {NULL, NULL, "real_power=1.3k"},
                                           {"bridge.frequency=20k..60k:20:log", "pan.coupling=0..0.7:9", NULL},
                                           {"bridge.frequency=200k..400k:5", "tank.esr=1m..2m:2", NULL}};
    tw_ctx *ctx = *state;
    char folder[64], path[2][128];
    fixture_folder(folder, sizeof folder);
    for (size_t k = 0; k <= sizeof cases / sizeof cases[0]; k++) {
        for (size_t run = 0; run < 2; run++) {
            (void)snprintf(path[run], sizeof path[run], "%s/%zu-%zu.svg", folder, k, run);
            if (k == sizeof cases / sizeof cases[0]) {
                assert_ok(draw_plane(ctx, path[run]), ctx);
                continue;
            }
            tw_map map = map_of(ctx, cases[k][0], cases[k][1], cases[k][2]);
            assert_ok(tw_report_plot_map(ctx, &map, path[run]), ctx);
            tw_map_dispose(&map);
        }
        check_svg(ctx, path[0], path[1]);
    }
    fixture_remove_folder(folder);
}

static void nothing_to_draw_is_told(void **state) {
    static const char *const cases[][2] = {{"bridge.frequency=26k", NULL},
                                           {"bridge.frequency=26k..27k:3", "pan.coupling=0.5"}};
    tw_ctx *ctx = *state;
    char folder[64], path[128];
    fixture_folder(folder, sizeof folder);
    (void)snprintf(path, sizeof path, "%s/a.png", folder);
    for (size_t k = 0; k < 2; k++) {
        tw_map map = map_of(ctx, cases[k][0], cases[k][1], NULL);
        assert_int_equal(tw_report_plot_map(ctx, &map, path), TW_BAD_ARGUMENT);
        assert_non_null(strstr(tw_ctx_error(ctx)->message, k == 0 ? "bridge.frequency" : "pan.coupling"));
        tw_ctx_clear_error(ctx);
        tw_map_dispose(&map);
    }
    tw_map map = map_of(ctx, "bridge.frequency=26k..27k:3", NULL, NULL);
    for (size_t k = 0; k < map.n_points; k++) {
        for (size_t c = 0; c < map.n_columns; c++) {
            map.columns[c].values[k] = NAN;
        }
    }
    assert_int_equal(tw_report_plot_map(ctx, &map, path), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    assert_int_equal(tw_report_plot_map(ctx, &map, "map.gif"), TW_BAD_ARGUMENT);
    tw_ctx_clear_error(ctx);
    tw_map_dispose(&map);
    assert_int_equal(fixture_count_files(folder), 0);
    fixture_remove_folder(folder);
}

static void memory_may_run_out_anywhere(void **state) {
    tw_ctx *ctx = *state;
    char folder[64], path[128];
    fixture_folder(folder, sizeof folder);
    (void)snprintf(path, sizeof path, "%s/a.svg", folder);
    for (size_t plane = 0; plane < 2; plane++) {
        tw_map map = map_of(ctx, "bridge.frequency=22k..41k:5", plane ? "pan.coupling=.1...7:3" : NULL, NULL);
        for (size_t n = 1;; n++) {
            tw_ctx_fail_allocation(ctx, n);
            const tw_status status = tw_report_plot_map(ctx, &map, path);
            tw_ctx_fail_allocation(ctx, 0);
            if (status == TW_OK) {
                assert_true(n > 3);
                break;
            }
            assert_int_equal(status, TW_NO_MEMORY);
            assert_int_equal(fixture_count_files(folder), plane); /* only what the last round drew */
            tw_ctx_clear_error(ctx);
        }
        tw_map_dispose(&map);
    }
    fixture_remove_folder(folder);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(json_holds_every_point, make_context, drop_context),
        cmocka_unit_test_setup_teardown(json_answers_the_target, make_context, drop_context),
        cmocka_unit_test_setup_teardown(text_fits_a_terminal, make_context, drop_context),
        cmocka_unit_test_setup_teardown(delimited_text_has_gaps_where_nothing_is, make_context, drop_context),
        cmocka_unit_test_setup_teardown(drawings_are_well_formed_and_repeatable, make_context, drop_context),
        cmocka_unit_test_setup_teardown(nothing_to_draw_is_told, make_context, drop_context),
        cmocka_unit_test_setup_teardown(memory_may_run_out_anywhere, make_context, drop_context),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

/* The field of coil and pan in the use cases: geometry to load, saturation, pans against limits, the sense loop. */
#include "testing.h"

#include <math.h>
#include <string.h>

#include "study_internal.h"

static int make_context(void **state) {
    *state = tw_ctx_create();
    return *state == NULL;
}

static int drop_context(void **state) {
    tw_ctx_destroy(*state);
    return 0;
}

static const char HOB[] =
    "title: Hob\n"
    "bridge: {frequency: 31.7 kHz, dead_time: 1.1 us, snubber_capacitance: 7.3 nF}\n"
    "tank: {capacitance: 540 nF}\n"
    "coil: {turns: 23, inner_diameter: 47 mm, outer_diameter: 191 mm, wire_diameter: 2.6 mm,\n"
    "       strands: {count: 83, diameter: 0.21 mm}}\n"
    "pan:\n  kind: field\n  gap: 7.3 mm\n  layers:\n    - {metal: steel-low-carbon, thickness: 1.4 mm}\n"
    "recorder: {rail_voltage: 311 V}\n";

static tw_rig rig_with(tw_ctx *ctx, const char *const *overrides, size_t n) {
    tw_rig rig;
    assert_ok(tw_rig_parse(ctx, "hob.yaml", HOB, sizeof HOB - 1, overrides, n, &rig), ctx);
    return rig;
}

static tw_coil_study study_of(tw_ctx *ctx, const tw_rig *rig, const tw_coil_study_opts *opts) {
    tw_coil_study study;
    assert_ok(tw_study_coil(ctx, rig, opts, &study), ctx);
    return study;
}

static double value(const tw_coil_study *study, const char *key) {
    const tw_field *f = tw_coil_study_field(study, key);
    return f != NULL ? f->value.value : NAN;
}

static void metals_have_one_set_of_names(void **state) {
    (void)state;
    size_t n = 0;
    for (; tw_rig_metal((int)n + 1) != NULL; n++) {
        assert_non_null(tw_metal_find(tw_rig_metal((int)n + 1)));
    }
    assert_int_equal(n, tw_metal_count());
}

/* The engine's load against the field itself, at the switching frequency and over the harmonics. */
static void the_stage_sees_what_the_field_says(void **state) {
    tw_ctx *ctx = *state;
    const tw_rig rig = rig_with(ctx, NULL, 0);
    static const char *const ALONG[] = {"frequency=10k..1M:23:log"};
    const tw_coil_study_opts opts = {.along = ALONG, .n_along = 1};
    tw_coil_study study = study_of(ctx, &rig, &opts);
    tw_half_bridge stage;
    tw_study__load_notes notes;
    assert_ok(tw_study__stage(ctx, &rig, &stage, &notes), ctx);
    assert_true(notes.fit_error < 0.01);
    const tw_coil_curve *c = &study.along_frequency;
    assert_int_equal(c->axis.n, 23);
    for (size_t k = 0; k < c->axis.n; k++) {
        const double w = 2.0 * TW_PI * c->axis.values[k];
        double re, im;
        tw_load_impedance(&stage.load, w, &re, &im);
        assert_close(im, w * c->inductance_h[k], 0.01, 0.0);
        assert_close(re - notes.coil_ohm, c->pan_resistance_ohm[k], 0.01, 0.0);
    }
    for (size_t k = 0; k < stage.load.n_branches; k++) {
        assert_true(stage.load.branches[k].inductance_h > 0.0 && stage.load.branches[k].resistance_ohm > 0.0);
    }
    double re, im;
    tw_load_impedance(&stage.load, 2.0 * TW_PI * 31.7e3, &re, &im);
    assert_close(re, value(&study, "equivalent_resistance"), 0.01, 0.0);
    assert_true(study.along_gap.axis.n > 0 && !study.csv_gap);
    tw_coil_study_dispose(&study);
}

/* Along the frequency the field stays; along the gap each point makes it anew. */
static void a_map_point_is_the_forecast(void **state) {
    tw_ctx *ctx = *state;
    static const char *const SET[] = {"pan.saturation=froehlich"};
    static const char *const ALONG[] = {"bridge.frequency=31.7k..35k:2", "pan.gap=7.3mm..11.9mm:2"};
    for (size_t k = 0; k < 4; k++) {
        const tw_rig rig = rig_with(ctx, SET, k % 2);
        tw_map_opts opts = tw_map_opts_default();
        opts.along = &ALONG[k / 2];
        opts.n_along = 1;
        tw_map map;
        tw_reading forecast;
        assert_ok(tw_study_map(ctx, &rig, &opts, &map), ctx);
        assert_ok(tw_study_forecast(ctx, &rig, &forecast), ctx);
        assert_close(tw_map_find_column(&map, "real_power")->values[0],
                     tw_reading_field(&forecast, "real_power")->value.value, 1e-9, 0.0);
        /* what the winding does not take is the pan's */
        const double rms = tw_reading_field(&forecast, "coil_current_rms")->value.value;
        tw_half_bridge stage;
        tw_study__load_notes notes;
        assert_ok(tw_study__stage(ctx, &rig, &stage, &notes), ctx);
        assert_close(tw_reading_field(&forecast, "pan_power")->value.value,
                     tw_reading_field(&forecast, "real_power")->value.value - notes.coil_ohm * rms * rms, 1e-6, 0.0);
        tw_map_dispose(&map);
        tw_reading_dispose(&forecast);
    }
}

static void permeability_and_current_agree(void **state) {
    tw_ctx *ctx = *state;
    static const char *const SET[] = {"pan.saturation=froehlich", "recorder.rail_voltage=37V"};
    tw_study__load_notes full, low;
    tw_half_bridge stage;
    tw_rig rig = rig_with(ctx, SET, 1);
    tw_steady *steady = NULL;
    assert_ok(tw_study__stage(ctx, &rig, &stage, &full), ctx);
    assert_ok(tw_steady_solve(ctx, &stage, NULL, &steady), ctx);
    assert_close(full.current_peak_a, sqrt(2.0) * tw_steady_point(steady)->coil_current_rms_a, 1e-4, 0.0);
    assert_true(full.iterations > 1);
    tw_steady_destroy(steady);
    /* a given amplitude needs no stage that carries it, and gives the same permeability */
    rig.pan.current_a = tw_exactly(full.current_peak_a);
    assert_ok(tw_study__stage(ctx, &rig, &stage, &low), ctx);
    assert_int_equal(low.iterations, 1);
    assert_close(low.permeability, full.permeability, 1e-3, 0.0);
    rig = rig_with(ctx, SET, 2);
    assert_ok(tw_study__stage(ctx, &rig, &stage, &low), ctx);
    assert_true(low.current_peak_a < 0.3 * full.current_peak_a && low.permeability > 1.5 * full.permeability);
    static const char *const LIMITING[] = {"pan.saturation=limiting", "pan.current=83A"};
    rig = rig_with(ctx, LIMITING, 2);
    tw_coil_study study = study_of(ctx, &rig, NULL);
    double re, im;
    assert_ok(tw_study__stage(ctx, &rig, &stage, &low), ctx);
    tw_load_impedance(&stage.load, 2.0 * TW_PI * 31.7e3, &re, &im);
    assert_close(re, value(&study, "equivalent_resistance"), 1e-6, 0.0);
    assert_close(im, 2.0 * TW_PI * 31.7e3 * value(&study, "equivalent_inductance"), 1e-6, 0.0);
    tw_coil_study_dispose(&study);
}

/* The far end of a sweep over the gap is the rig with that gap; power of the curves is that of their current. */
static void a_gap_is_swept(void **state) {
    tw_ctx *ctx = *state;
    static const char *const SET[] = {"pan.gap=11.9mm", "pan.saturation=froehlich"}, *const ALONG =
                                                                                         "pan.gap=7.3mm..11.9mm:2";
    const tw_rig rig = rig_with(ctx, NULL, 0), far = rig_with(ctx, SET, 1), magnetic = rig_with(ctx, SET, 2);
    tw_map_opts opts = tw_map_opts_default();
    opts.along = &ALONG;
    opts.n_along = 1;
    tw_map map;
    tw_reading forecast;
    assert_ok(tw_study_map(ctx, &rig, &opts, &map), ctx);
    assert_ok(tw_study_forecast(ctx, &far, &forecast), ctx);
    const double *power = tw_map_find_column(&map, "real_power")->values;
    assert_close(power[1], tw_reading_field(&forecast, "real_power")->value.value, 1e-9, 0.0);
    assert_true(fabs(power[0] / power[1] - 1.0) > 0.1);
    tw_map_dispose(&map);
    tw_reading_dispose(&forecast);
    tw_coil_study study = study_of(ctx, &magnetic, NULL);
    const double peak = value(&study, "curve_current");
    assert_true(peak == value(&study, "saturation_current") && peak > 1.0);
    for (size_t k = 0; k < study.along_gap.axis.n; k++) {
        assert_close(study.along_gap.pan_power_w[k], peak * peak / 2.0 * study.along_gap.pan_resistance_ohm[k], 1e-12,
                     0.0);
    }
    tw_coil_study_dispose(&study);
}

/* The usual pans follow the rig's law of saturation: one like the rig's own pan has the same R and L. */
static void usual_pans_saturate_like_this_one(void **state) {
    tw_ctx *ctx = *state;
    static const char *const SET[] = {"pan.layers.1.thickness=1.5mm", "pan.saturation=froehlich"};
    static const char *const LIMIT = "resistance=0.9..";
    const tw_coil_study_opts opts = {.accept = &LIMIT, .n_accept = 1};
    double steel_ohm[2];
    for (size_t k = 0; k < 2; k++) {
        const tw_rig rig = rig_with(ctx, SET, k + 1);
        tw_coil_study study = study_of(ctx, &rig, &opts);
        const tw_coil_candidate *own = &study.candidates[1], *steel = &study.candidates[3];
        assert_string_equal(steel->name, "steel");
        assert_close(steel->resistance_ohm, own->resistance_ohm, 1e-9, 0.0);
        assert_close(steel->inductance_h, own->inductance_h, 1e-9, 0.0);
        steel_ohm[k] = steel->resistance_ohm;
        tw_coil_study_dispose(&study);
    }
    assert_true(fabs(steel_ohm[1] / steel_ohm[0] - 1.0) > 1e-3);
}

static void what_is_stated_wins_and_is_doubted(void **state) {
    tw_ctx *ctx = *state;
    static const char *const SET[] = {"coil.inductance=93uH", "coil.resistance=71m", "pan.kind=none"};
    tw_rig rig = rig_with(ctx, SET, 2);
    tw_coil_study stated = study_of(ctx, &rig, NULL);
    const tw_rig bare = rig_with(ctx, NULL, 0);
    tw_coil_study computed = study_of(ctx, &bare, NULL);
    const double scale = 93e-6 / value(&computed, "bare_inductance");
    assert_close(value(&stated, "bare_inductance"), 93e-6, 1e-12, 0.0);
    assert_close(value(&stated, "winding_resistance"), 71e-3, 1e-12, 0.0);
    assert_close(value(&stated, "pan_resistance"), scale * value(&computed, "pan_resistance"), 1e-12, 0.0);
    assert_close(value(&stated, "coupling"), value(&computed, "coupling"), 1e-12, 0.0);
    assert_int_equal(computed.warnings.count, 0);
    assert_true(scale > 1.2);
    assert_int_equal(stated.warnings.count, 1);
    assert_string_equal(stated.warnings.items[0].code, "coil_geometry_disagrees");
    rig = rig_with(ctx, SET, 3);
    tw_half_bridge stage;
    assert_ok(tw_study_stage(ctx, &rig, &stage), ctx);
    assert_true(stage.load.inductance_h == 93e-6 && stage.load.resistance_ohm == 71e-3 && stage.load.n_branches == 0);
    tw_coil_study_dispose(&stated);
    tw_coil_study_dispose(&computed);
}

/* An aluminium pan at every frequency of a plate: small R, strongly lowered L, and words for it. */
static void aluminium_is_refused_in_words(void **state) {
    tw_ctx *ctx = *state;
    static const char *const FREQUENCIES[] = {"bridge.frequency=19k", "bridge.frequency=34.3k", "bridge.frequency=71k"};
    for (size_t k = 0; k < 3; k++) {
        const char *set[] = {FREQUENCIES[k], "pan.layers.1.metal=aluminium"};
        const tw_rig steel = rig_with(ctx, set, 1), light = rig_with(ctx, set, 2);
        static const char *const LIMITS[] = {"resistance=0.9..", "inductance=..74uH"};
        const tw_coil_study_opts opts = {.accept = LIMITS, .n_accept = 2};
        tw_coil_study a = study_of(ctx, &steel, NULL), b = study_of(ctx, &light, &opts);
        assert_true(value(&b, "pan_resistance") < 0.1 * value(&a, "pan_resistance"));
        assert_true(value(&b, "equivalent_inductance") < 0.8 * value(&a, "equivalent_inductance"));
        assert_true(value(&b, "induced_efficiency") < value(&a, "induced_efficiency"));
        assert_non_null(strstr(a.says[0], "takes this pan"));
        assert_non_null(strstr(b.says[0], "refuses this pan"));
        assert_non_null(strstr(b.says[1], "surface resistance is too low"));
        assert_close(a.layers[0].share, 1.0, 1e-12, 0.0);
        assert_true(b.n_candidates > 3);
        for (size_t i = 0; i < b.n_candidates; i++) {
            const tw_coil_candidate *c = &b.candidates[i];
            assert_int_equal(c->why[0] == '\0', c->resistance_ohm >= 0.9 && c->inductance_h <= 74e-6);
        }
        assert_string_equal(b.candidates[1].name, "this pan");
        assert_string_equal(b.candidates[1].why, "R too small");
        tw_coil_study_dispose(&a);
        tw_coil_study_dispose(&b);
    }
}

/* Aluminium cannot saturate, a foil is no pan, and what conducts nothing takes no loss. */
static void odd_pans_have_answers(void **state) {
    tw_ctx *ctx = *state;
    static const char *const SETS[][3] = {
        {"pan.saturation=froehlich", "pan.layers.1.metal=aluminium", "pan.diameter=190mm"},
        {"pan.layers.1.thickness=2um", "pan.diameter=190mm", "pan.temperature=80degC"},
        {"pan.layers.1.conductivity=0", "pan.diameter=190mm", "pan.temperature=80degC"}};
    static const char *const WORDS[] = {"refuses this pan", "goes through this pan", "leads the flux"};
    for (size_t k = 0; k < 3; k++) {
        const tw_rig rig = rig_with(ctx, SETS[k], 3);
        tw_coil_study study = study_of(ctx, &rig, NULL);
        assert_non_null(strstr(study.says[0], WORDS[k]));
        assert_true(isnan(value(&study, "saturation_rounds")));
        assert_true(isfinite(study.layers[0].share));
        tw_coil_study_dispose(&study);
    }
}

/* Every allocation of the use case fails once: an error, nothing half made. */
static void every_allocation_may_fail(void **state) {
    tw_ctx *ctx = *state;
    static const char *const SET[] = {"pan.saturation=froehlich", "pan.current=41A"}, *const LIMITS[] = {
                                                                                          "resistance=1.."};
    const tw_rig rig = rig_with(ctx, SET, 2);
    static const char *const ALONG[] = {"gap=5mm..9mm:2", "frequency=20k..30k:2"};
    const tw_coil_study_opts opts = {.along = ALONG,
                                     .n_along = 2,
                                     .target = "inductance=77u",
                                     .accept = LIMITS,
                                     .n_accept = 1,
                                     .with_section = true};
    tw_status status = TW_NO_MEMORY;
    size_t n = 1;
    for (; status != TW_OK; n++) {
        tw_coil_study study;
        assert_true(n < 2000);
        tw_ctx_fail_allocation(ctx, n);
        status = tw_study_coil(ctx, &rig, &opts, &study);
        tw_ctx_fail_allocation(ctx, 0);
        if (status == TW_OK) {
            tw_coil_study_dispose(&study);
        } else {
            assert_int_equal(status, TW_NO_MEMORY);
            tw_ctx_clear_error(ctx);
        }
    }
    assert_true(n > 20);
}

static void turns_come_back_from_inductance(void **state) {
    tw_ctx *ctx = *state;
    static const char *const SET[] = {"coil.ferrite.kind=plane", "coil.ferrite.thickness=5mm",
                                      "coil.ferrite.distance=2mm"};
    const tw_rig rig = rig_with(ctx, SET, 3);
    tw_coil_study study = study_of(ctx, &rig, NULL);
    char target[60];
    (void)snprintf(target, sizeof target, "inductance=%.12g", value(&study, "bare_inductance"));
    const tw_coil_study_opts opts = {.target = target};
    tw_coil_study back = study_of(ctx, &rig, &opts);
    assert_true(value(&study, "bare_inductance") > 1.3 * value(&study, "air_inductance"));
    assert_close(value(&back, "turns_wanted"), 23.0, 1e-6, 0.0);
    assert_close(value(&back, "pitch_wanted"), 72e-3 / 23.0, 1e-6, 0.0);
    tw_coil_study_dispose(&study);
    tw_coil_study_dispose(&back);
}

/* Bars: more than no ferrite, less than a plane; thin ones do more than wide ones. */
static void bars_lie_between(void **state) {
    tw_ctx *ctx = *state;
    static const char *const SET[] = {"coil.ferrite.kind=bars", "coil.ferrite.thickness=5mm",
                                      "coil.ferrite.coverage=37%", "coil.ferrite.kind=plane"};
    const tw_rig bars = rig_with(ctx, SET, 3), plane = rig_with(ctx, SET, 4);
    tw_coil_study a = study_of(ctx, &bars, NULL), b = study_of(ctx, &plane, NULL);
    assert_true(value(&a, "air_inductance") < value(&a, "bare_inductance"));
    assert_true(value(&a, "bare_inductance") < value(&a, "bare_inductance_fine_bars"));
    assert_true(value(&a, "bare_inductance_fine_bars") < value(&b, "bare_inductance"));
    tw_coil_study_dispose(&a);
    tw_coil_study_dispose(&b);
}

/* In air the loop's gain is mutual over self-inductance. */
static void a_loop_sees_its_share(void **state) {
    tw_ctx *ctx = *state;
    static const char *const SET[] = {"pan.kind=none"};
    const tw_rig bare = rig_with(ctx, SET, 1), loaded = rig_with(ctx, NULL, 0);
    tw_coil_study study = study_of(ctx, &bare, NULL);
    double gain, mutual, nearer, with_pan;
    assert_ok(tw_study_loop_gain(ctx, &bare, 31.7e3, 61e-3, -9e-3, &gain, &mutual), ctx);
    assert_close(gain, mutual / value(&study, "air_inductance"), 1e-6, 0.0);
    assert_ok(tw_study_loop_gain(ctx, &bare, 31.7e3, 61e-3, -4e-3, &nearer, NULL), ctx);
    assert_true(nearer > gain && gain > 0.01 && nearer < 0.2);
    assert_ok(tw_study_loop_gain(ctx, &loaded, 31.7e3, 61e-3, -9e-3, &with_pan, NULL), ctx);
    double edge, edge_with_pan;
    assert_ok(tw_study_loop_gain(ctx, &bare, 31.7e3, 93e-3, -9e-3, &edge, NULL), ctx);
    assert_ok(tw_study_loop_gain(ctx, &loaded, 31.7e3, 93e-3, -9e-3, &edge_with_pan, NULL), ctx);
    assert_close(with_pan, gain, 0.05, 0.0); /* over the middle of the winding the pan takes of both alike */
    assert_true(edge_with_pan < 0.9 * edge); /* at its rim it does not */
    tw_coil_study_dispose(&study);
}

static void bad_input_is_named(void **state) {
    tw_ctx *ctx = *state;
    static const struct {
        const char *set[3], *along, *accept, *target, *place, *text;
    } CASES[] = {
        {{"pan.gap=unknown"}, NULL, NULL, NULL, "pan.gap", "needs a length"},
        {{"coil.turns=unknown"}, NULL, NULL, NULL, "coil.turns", "not known"},
        {{"pan.layers.1.thickness=unknown"}, NULL, NULL, NULL, "pan.layers.1.thickness", "not known"},
        {{"coil.ferrite.kind=plane"}, NULL, NULL, NULL, "coil.ferrite.thickness", "not known"},
        {{"pan.layers.1.metal=none", "pan.layers.1.conductivity=4.7e6", "pan.saturation=froehlich"},
         NULL,
         NULL,
         NULL,
         "pan.saturation",
         "magnetic metal"},
        {{NULL}, "gap=2mm..1mm", NULL, NULL, "--along gap=2mm..1mm", "runs backwards"},
        {{NULL}, "turns=2..5", NULL, NULL, "--along turns=2..5", "expected pan.gap"},
        {{NULL}, "gap=-2mm..5mm", NULL, NULL, "--along gap=-2mm..5mm", "10 um to 500 mm"},
        {{NULL}, NULL, "resistance=5", NULL, "--accept resistance=5", "expected resistance=FROM..TO"},
        {{NULL}, NULL, "inductance=80u..40u", NULL, "--accept inductance=80u..40u", "runs backwards"},
        {{NULL}, NULL, NULL, "inductance=-3u", "--for inductance=-3u", "above zero"},
        {{NULL}, NULL, NULL, "turns=3", "--for turns=3", "expected inductance=VALUE"},
    };
    for (size_t k = 0; k < sizeof CASES / sizeof CASES[0]; k++) {
        size_t n = 0;
        while (n < 3 && CASES[k].set[n] != NULL) {
            n++;
        }
        const tw_rig rig = rig_with(ctx, CASES[k].set, n);
        const tw_coil_study_opts opts = {.along = &CASES[k].along,
                                         .n_along = CASES[k].along != NULL,
                                         .accept = &CASES[k].accept,
                                         .n_accept = CASES[k].accept != NULL,
                                         .target = CASES[k].target};
        tw_coil_study study;
        assert_true(tw_study_coil(ctx, &rig, &opts, &study) != TW_OK);
        const tw_error *e = tw_ctx_error(ctx);
        if (strstr(e->message, CASES[k].text) == NULL ||
            (strcmp(e->key, CASES[k].place) != 0 && strcmp(e->file, CASES[k].place) != 0)) {
            fail_msg("case %zu: %s: %s: %s", k, e->file, e->key, e->message);
        }
        tw_ctx_clear_error(ctx);
    }
}

static void the_example_comes_near_its_measured_twin(void **state) {
    tw_ctx *ctx = *state;
    char path[600];
    tw_rig rig, twin;
    tw_half_bridge by_field, stated;
    double re[2], im[2];
    assert_ok(tw_rig_load(ctx, tw_project_file("examples/wax-melter/coil.yaml", path, sizeof path), NULL, 0, &rig),
              ctx);
    assert_ok(tw_rig_load(ctx, tw_project_file("examples/wax-melter/rig.yaml", path, sizeof path), NULL, 0, &twin),
              ctx);
    assert_ok(tw_study_stage(ctx, &rig, &by_field), ctx);
    assert_ok(tw_study_stage(ctx, &twin, &stated), ctx);
    tw_load_impedance(&by_field.load, 2.0 * TW_PI * 26e3, &re[0], &im[0]);
    tw_load_impedance(&stated.load, 2.0 * TW_PI * 26e3, &re[1], &im[1]);
    assert_close(im[0], im[1], 0.1, 0.0);
    assert_close(re[0], re[1], 0.2, 0.0);
}

int main(void) {
#define CASE(f) cmocka_unit_test_setup_teardown(f, make_context, drop_context)
    const struct CMUnitTest tests[] = {CASE(metals_have_one_set_of_names),
                                       CASE(the_stage_sees_what_the_field_says),
                                       CASE(a_map_point_is_the_forecast),
                                       CASE(a_gap_is_swept),
                                       CASE(usual_pans_saturate_like_this_one),
                                       CASE(permeability_and_current_agree),
                                       CASE(what_is_stated_wins_and_is_doubted),
                                       CASE(aluminium_is_refused_in_words),
                                       CASE(odd_pans_have_answers),
                                       CASE(every_allocation_may_fail),
                                       CASE(turns_come_back_from_inductance),
                                       CASE(bars_lie_between),
                                       CASE(a_loop_sees_its_share),
                                       CASE(bad_input_is_named),
                                       CASE(the_example_comes_near_its_measured_twin)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}

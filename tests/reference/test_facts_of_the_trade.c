/* Facts of the trade that the engine must show of itself (all: common practice, no source). The rest of them stand in
 * test_pickup_reference (transformer, clamp) and test_circuit_property (triangle, lag, rebound). */
#include "testing.h"

#include <math.h>
#include <string.h>

#include "tankwright/circuit.h"
#include "tankwright/study.h"

static int make_context(void **state) {
    *state = tw_ctx_create();
    return *state == NULL;
}

static int drop_context(void **state) {
    tw_ctx_destroy(*state);
    return 0;
}

static tw_steady *solve(tw_ctx *ctx, const tw_half_bridge *stage) {
    tw_steady *steady = NULL;
    assert_ok(tw_steady_solve(ctx, stage, NULL, &steady), ctx);
    return steady;
}

static double at(const tw_steady *steady, tw_signal signal, double time_s) {
    double y;
    tw_steady_sample(steady, signal, &time_s, 1, &y);
    return y;
}

/* A loaded tank, 21.9 kHz and Q 5.5. */
static tw_half_bridge loaded(double frequency_hz) {
    return (tw_half_bridge){.rail_v = 318.0,
                            .frequency_hz = frequency_hz,
                            .dead_time_s = 0.9e-6,
                            .snubber_capacitance_f = 3e-9,
                            .capacitance_f = 0.66e-6,
                            .load = {.resistance_ohm = 2.0, .inductance_h = 80e-6}};
}

/* 230 V mains peaks near 325 V. */
static void mains_peak(void **state) {
    static const char TEXT[] = "supply: {kind: mains, voltage: 230 V}\n"
                               "bridge: {frequency: 26 kHz, dead_time: 1.8 us, snubber_capacitance: 10 nF}\n"
                               "tank: {capacitance: 660 nF}\n"
                               "coil: {inductance: 90 uH, resistance: 120 mohm}\n"
                               "pan: {kind: coupled, coupling: 0.67, resistance: 5 ohm}\n";
    tw_rig rig;
    tw_reading reading;
    assert_ok(tw_rig_parse(*state, "plate.yaml", TEXT, strlen(TEXT), NULL, 0, &rig), *state);
    assert_ok(tw_study_forecast(*state, &rig, &reading), *state);
    assert_close(tw_reading_field(&reading, "rail_voltage")->value.value, 325.0, 0.0, 0.5);
    tw_reading_dispose(&reading);
}

/* Above resonance the current looks like a sine with roughly the last quarter to third of each half cycle cut out, with
 * a corner where the bridge switches. So at 7 to 11 % above, where a plate works; further up more is cut. */
static void above_resonance_a_sine_with_its_end_cut_out(void **state) {
    for (double ratio = 1.075; ratio < 1.115; ratio += 0.01) {
        const double natural = sqrt(1.0 / (80e-6 * 0.66e-6) - pow(2.0 / (2.0 * 80e-6), 2.0)),
                     decay = 2.0 / (2.0 * 80e-6);
        const tw_half_bridge s = loaded(ratio * natural / (2.0 * TW_PI));
        tw_steady *steady = solve(*state, &s);
        const tw_edge *off = &tw_steady_point(steady)->falling;
        const double half_s = 0.5 / s.frequency_hz;
        /* the half cycle begins with the current's rise through zero, half a period before its fall */
        const double begin_s = off->zero_crossing_s - half_s, end_s = off->turn_off_s;
        assert_true(begin_s > 0.0 && begin_s < 0.5 * half_s); /* it lags the midpoint */
        const double t1 = begin_s + 0.31 * (end_s - begin_s);
        const double scale =
            at(steady, TW_SIGNAL_COIL_CURRENT, t1) / (exp(-decay * (t1 - begin_s)) * sin(natural * (t1 - begin_s)));
        for (int k = 1; k <= 20; k++) {
            const double t = begin_s + (end_s - begin_s) * k / 20.5;
            assert_close(at(steady, TW_SIGNAL_COIL_CURRENT, t),
                         scale * exp(-decay * (t - begin_s)) * sin(natural * (t - begin_s)), 0.0, 1e-6 * scale);
        }
        const double cut = 1.0 - (end_s - begin_s) / (TW_PI / natural);
        assert_true(cut > 0.24 && cut < 0.35);
        /* the corner: the slope turns by rail over inductance within the swing */
        const double d = 20e-9, after_s = off->swing_end_s + d;
        const double before =
            (at(steady, TW_SIGNAL_COIL_CURRENT, end_s) - at(steady, TW_SIGNAL_COIL_CURRENT, end_s - d)) / d;
        const double after =
            (at(steady, TW_SIGNAL_COIL_CURRENT, after_s + d) - at(steady, TW_SIGNAL_COIL_CURRENT, after_s)) / d;
        assert_close(before - after, s.rail_v / 80e-6, 0.05, 0.0);
        tw_steady_destroy(steady);
    }
}

/* Far above resonance the loaded tank's current is a triangle as well, and the capacitor voltage nearly vanishes. */
static void far_above_resonance_a_triangle_under_load(void **state) {
    tw_half_bridge s = loaded(160e3);
    s.dead_time_s = 0.3e-6;
    s.snubber_capacitance_f = 0.3e-9;
    tw_steady *steady = solve(*state, &s);
    const tw_operating_point *p = tw_steady_point(steady);
    assert_close(p->coil_current_rms_a / p->coil_current_peak_a, 1.0 / sqrt(3.0), 0.02, 0.0); /* sine: 1/sqrt 2 */
    assert_close(p->coil_voltage_rms_v, 159.0, 0.05, 0.0);
    assert_true(p->capacitor_voltage_peak_v < 0.03 * s.rail_v);
    tw_steady_destroy(steady);
}

/* Below resonance turn-off costs nothing: the switch carries no forward current when its gate opens, its diode does;
 * but the other switch closes at the full voltage and against that diode's current. */
static void below_resonance_turn_on_is_against_the_diode(void **state) {
    const tw_half_bridge s = loaded(20e3);
    tw_steady *steady = solve(*state, &s);
    const tw_edge *edge = &tw_steady_point(steady)->falling;
    assert_int_equal(edge->verdict, TW_COMMUTATION_HARD);
    assert_true(at(steady, TW_SIGNAL_HIGH_DEVICE_CURRENT, edge->turn_off_s) < -1.0);
    assert_true(at(steady, TW_SIGNAL_HIGH_DEVICE_CURRENT, edge->turn_on_s - 1e-9) < -1.0);
    assert_close(edge->forced_voltage_v, s.rail_v, 1e-9, 0.0);
    assert_close(edge->forced_energy_j, 0.5 * 6e-9 * s.rail_v * s.rail_v, 1e-6, 0.0);
    assert_true(at(steady, TW_SIGNAL_LOW_DEVICE_CURRENT, edge->turn_on_s + 1e-9) > 1.0);
    tw_steady_destroy(steady);
}

/* Lower frequency towards resonance raises the power; lifting the pan raises the lag and lowers it. */
static void power_and_pan(void **state) {
    double power = 0.0, lag = 90.0;
    for (double f = 32e3; f > 24.4e3; f -= 0.4e3) {
        tw_half_bridge s = loaded(f);
        s.load = tw_load_coupled(90e-6, 0.12, 0.67, 5.0);
        tw_steady *steady = solve(*state, &s);
        assert_true(tw_steady_point(steady)->real_power_w > power);
        power = tw_steady_point(steady)->real_power_w;
        tw_steady_destroy(steady);
    }
    for (double coupling = 0.2; coupling < 0.7; coupling += 0.05) {
        tw_half_bridge s = loaded(28e3);
        s.load = tw_load_coupled(90e-6, 0.12, coupling, 5.0);
        tw_steady *steady = solve(*state, &s);
        assert_true(tw_steady_point(steady)->bridge_phase_lag_rad * 180.0 / TW_PI < lag);
        lag = tw_steady_point(steady)->bridge_phase_lag_rad * 180.0 / TW_PI;
        tw_steady_destroy(steady);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(mains_peak, make_context, drop_context),
        cmocka_unit_test_setup_teardown(above_resonance_a_sine_with_its_end_cut_out, make_context, drop_context),
        cmocka_unit_test_setup_teardown(far_above_resonance_a_triangle_under_load, make_context, drop_context),
        cmocka_unit_test_setup_teardown(below_resonance_turn_on_is_against_the_diode, make_context, drop_context),
        cmocka_unit_test_setup_teardown(power_and_pan, make_context, drop_context),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

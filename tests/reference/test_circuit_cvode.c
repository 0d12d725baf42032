/* The engine against CVODE on random stages that cover all four verdicts: every waveform, the verdict, the event times,
 * the energy balance. */
#include "testing.h"

#include <math.h>
#include <string.h>

#include "circuit_steady.h"
#include "stage_by_integration.h"

enum { SAMPLES = 240, RIGS_PER_VERDICT = 50 };

static int make_context(void **state) {
    *state = tw_ctx_create();
    return *state == NULL;
}

static int drop_context(void **state) {
    tw_ctx_destroy(*state);
    return 0;
}

/* One draw per statement: the order of draws inside an initializer would be the compiler's choice. */
static tw_load random_load(tw_random *r) {
    const double l = tw_random_log_uniform(r, 30e-6, 150e-6);
    const size_t kind = tw_random_below(r, 3);
    if (kind == 0) {
        return (tw_load){.resistance_ohm = tw_random_uniform(r, 0.8, 4.0), .inductance_h = l};
    }
    const double resistance = tw_random_uniform(r, 0.02, 0.3), coupling = tw_random_uniform(r, 0.3, 0.8);
    const double pan = tw_random_log_uniform(r, 1.0, 20.0);
    tw_load load = tw_load_coupled(l, resistance, coupling, pan);
    if (kind == 2) {
        load.n_branches = 2;
        load.branches[1].inductance_h = tw_random_uniform(r, 0.05, 0.2) * l;
        load.branches[1].resistance_ohm = tw_random_log_uniform(r, 0.5, 30.0);
    }
    return load;
}

static tw_half_bridge random_stage(tw_ctx *ctx, tw_random *r) {
    tw_half_bridge s = {.rail_v = tw_random_uniform(r, 40.0, 400.0)};
    double resonance = 0.0;
    s.load = random_load(r);
    s.capacitance_f = tw_random_log_uniform(r, 0.1e-6, 1.5e-6);
    assert_ok(tw_load_resonance(ctx, &s.load, s.capacitance_f, &resonance), ctx);
    s.frequency_hz = resonance * tw_random_uniform(r, 0.75, 1.7);
    s.dead_time_s = tw_random_uniform(r, 0.01, 0.15) / s.frequency_hz;
    s.snubber_capacitance_f = tw_random_log_uniform(r, 0.2e-9, 60e-9);
    s.split = tw_random_below(r, 2) == 1;
    s.esr_ohm = tw_random_uniform(r, 0.0, 0.02);
    if (tw_random_below(r, 4) != 0) {
        s.transistor.threshold_v = tw_random_uniform(r, 0.2, 2.0);
        s.transistor.slope_ohm = tw_random_uniform(r, 0.0, 0.05);
        s.diode.threshold_v = tw_random_uniform(r, 0.3, 1.5);
        s.diode.slope_ohm = tw_random_uniform(r, 0.0, 0.04);
    }
    return s;
}

/* The engine's state at t = 0 in the integrator's variables. */
static stage_state start_of(const tw_steady *steady) {
    const tw_piece *p = &steady->run.pieces[0];
    const size_t nb = steady->model.stage.load.n_branches;
    stage_state s = {.coil_a = p->x[0], .capacitor_v = p->x[nb + 1], .midpoint_v = p->x[nb + 2]};
    for (size_t k = 0; k < nb; k++) {
        s.pan_a[k] = p->x[0] - p->x[k + 1];
    }
    s.who = (conduction)p->mode;
    return s;
}

static tw_commutation verdict_of(const stage_log *log, const tw_half_bridge *s, double turn_off_a, double *end_s) {
    const double half = 0.5 / s->frequency_hz, off = half - s->dead_time_s;
    bool reversed = false, done = false, sprang = false;
    *end_s = half;
    for (size_t k = 0; k < log->n_events; k++) {
        const stage_event *e = &log->events[k];
        if (e->time_s < off || e->time_s >= half) {
            continue;
        }
        if (e->before == e->after) {
            reversed = reversed || e->falling;
        } else if (e->after == LOW_RECTIFIER && !done && !reversed) {
            done = true;
            *end_s = e->time_s;
        } else if (e->before == LOW_RECTIFIER && done) {
            sprang = true;
        }
    }
    if (turn_off_a <= 0.0) {
        *end_s = half;
        return TW_COMMUTATION_HARD;
    }
    return !done ? TW_COMMUTATION_PARTIAL_ZVS : sprang ? TW_COMMUTATION_REBOUND : TW_COMMUTATION_FULL_ZVS;
}

/* First fall of the coil current after turn-off, in the integrator's log of more than a period. */
static double fall_after(const stage_log *log, double off) {
    for (size_t k = 0; k < log->n_events; k++) {
        const stage_event *e = &log->events[k];
        if (e->before == e->after && e->falling && e->time_s > off) {
            return e->time_s;
        }
    }
    return NAN;
}

/* Last rise of the coil current in the half period before the rising edge's turn-off. */
static double rise_before(const stage_log *log, double off, double half) {
    double last = NAN;
    for (size_t k = 0; k < log->n_events; k++) {
        const stage_event *e = &log->events[k];
        if (e->before == e->after && !e->falling && e->time_s < off && e->time_s >= off - half) {
            last = e->time_s;
        }
    }
    return last;
}

static void compare_waveforms(const tw_steady *steady, const double *time_s, size_t n, const double *integrated) {
    static double ours[SAMPLES];
    double breaks[400];
    const size_t n_breaks = tw_steady_breaks(steady, breaks, 400);
    assert_true(n_breaks <= 400);
    const double period = tw_steady_point(steady)->period_s;
    for (int signal = 0; signal < TW_SIGNAL_COUNT; signal++) {
        const double *theirs = integrated + (size_t)signal * n;
        double peak = 0.0;
        tw_steady_sample(steady, (tw_signal)signal, time_s, n, ours);
        for (size_t k = 0; k < n; k++) {
            peak = fmax(peak, fabs(theirs[k]));
        }
        for (size_t k = 0; k < n; k++) {
            bool at_break = false; /* a device's current jumps there: the two may stand on either side */
            for (size_t b = 0; b < n_breaks; b++) {
                at_break = at_break || fabs(time_s[k] - breaks[b]) < 1e-9 * period;
            }
            if (!at_break && !(fabs(ours[k] - theirs[k]) <= 1e-7 * peak)) {
                print_error("%s at %.9g of the period: %.12g, integrated %.12g, peak %.6g\n",
                            tw_signal_key((tw_signal)signal), time_s[k] / period, ours[k], theirs[k], peak);
                fail();
            }
        }
    }
}

static void compare(const tw_half_bridge *s, const tw_steady *steady) {
    static double time_s[SAMPLES], integrated[SAMPLES * TW_SIGNAL_COUNT];
    static stage_log log;
    const tw_operating_point *p = tw_steady_point(steady);
    for (size_t k = 0; k < SAMPLES; k++) {
        time_s[k] = p->period_s * ((double)k + 0.37) / SAMPLES;
    }
    stage_state state = start_of(steady);
    assert_true(stage_integrate(s, 1e-12, &state, p->period_s, SAMPLES, time_s, integrated, &log) >= 0);
    compare_waveforms(steady, time_s, SAMPLES, integrated);
    /* It closes on itself. */
    const stage_state start = start_of(steady);
    assert_close(state.coil_a, start.coil_a, 0.0, 1e-8 * p->coil_current_peak_a);
    assert_close(state.capacitor_v, start.capacitor_v, 0.0, 1e-8 * (p->capacitor_voltage_peak_v + s->rail_v));
    double end_s;
    const tw_edge *e = &p->falling;
    const tw_commutation verdict = verdict_of(&log, s, e->turn_off_current_a, &end_s);
    assert_string_equal(tw_commutation_word(e->verdict), tw_commutation_word(verdict));
    assert_close(e->swing_end_s, end_s, 0.0, 1e-9 * p->period_s);
    const double forced = log.forced_v;
    assert_close(e->forced_voltage_v, forced, 0.0, 1e-7 * s->rail_v);
    assert_close(e->forced_energy_j, log.forced_j, 0.0, 1e-7 * s->snubber_capacitance_f * s->rail_v * s->rail_v);
    if (verdict != TW_COMMUTATION_HARD) {
        const double fall = fall_after(&log, e->turn_off_s);
        if (!isnan(fall)) {
            assert_close(e->zero_crossing_s, fall, 0.0, 1e-8 * p->period_s);
        }
    } else {
        const double rise = rise_before(&log, p->rising.turn_off_s, 0.5 * p->period_s);
        assert_close(p->rising.zero_crossing_s, rise, 0.0, 1e-8 * p->period_s);
    }
    assert_close(p->energy.residual, 0.0, 0.0, 1e-10 * p->energy.throughput);
    assert_close(p->energy.stored, 0.0, 0.0, 1e-10 * p->energy.throughput);
}

static void random_stages_agree(void **context) {
    tw_ctx *ctx = *context;
    tw_random r = {2031};
    size_t seen[5] = {0}, total = 0;
    for (int k = 0; k < 20000 && total < 4 * RIGS_PER_VERDICT; k++) {
        const tw_half_bridge s = random_stage(ctx, &r);
        tw_steady *steady = NULL;
        assert_ok(tw_steady_solve(ctx, &s, NULL, &steady), ctx);
        const tw_commutation verdict = tw_steady_point(steady)->commutation;
        if (seen[verdict] < RIGS_PER_VERDICT) {
            seen[verdict]++;
            total++;
            compare(&s, steady);
        }
        tw_steady_destroy(steady);
    }
    for (int verdict = TW_COMMUTATION_FULL_ZVS; verdict <= TW_COMMUTATION_HARD; verdict++) {
        assert_true(seen[verdict] >= 20);
    }
    assert_int_equal(total, 4 * RIGS_PER_VERDICT);
}

/* From rest, by integration alone, until it repeats: no knowledge of the engine's state. */
static void integration_from_rest_reaches_the_same_point(void **context) {
    tw_ctx *ctx = *context;
    const double frequency_hz[] = {23.3e3, 26.7e3, 31.9e3, 24.6e3};
    const double dead_s[] = {1.7e-6, 1.1e-6, 0.3e-6, 2.9e-6};
    static double time_s[SAMPLES], integrated[SAMPLES * TW_SIGNAL_COUNT];
    for (size_t rig = 0; rig < 4; rig++) {
        const tw_half_bridge s = {.rail_v = 311.0,
                                  .frequency_hz = frequency_hz[rig],
                                  .dead_time_s = dead_s[rig],
                                  .snubber_capacitance_f = 7e-9,
                                  .transistor = {0.9, 0.02},
                                  .diode = {0.8, 0.015},
                                  .capacitance_f = 0.66e-6,
                                  .esr_ohm = 3e-3,
                                  .split = rig % 2 == 0,
                                  .load = tw_load_coupled(90e-6, 0.12, 0.67, 5.0)};
        stage_state state = {.capacitor_v = 20.0, .midpoint_v = 311.0 - 0.9, .who = HIGH_SWITCH};
        const double period = 1.0 / s.frequency_hz;
        for (size_t k = 0; k < SAMPLES; k++) {
            time_s[k] = 60.0 * period + period * ((double)k + 0.37) / SAMPLES;
        }
        tw_steady *steady = NULL;
        assert_true(stage_integrate(&s, 1e-11, &state, 61.0 * period, SAMPLES, time_s, integrated, NULL) >= 0);
        assert_ok(tw_steady_solve(ctx, &s, NULL, &steady), ctx);
        for (size_t k = 0; k < SAMPLES; k++) {
            time_s[k] -= 60.0 * period;
        }
        compare_waveforms(steady, time_s, SAMPLES, integrated);
        tw_steady_destroy(steady);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(random_stages_agree, make_context, drop_context),
        cmocka_unit_test_setup_teardown(integration_from_rest_reaches_the_same_point, make_context, drop_context),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

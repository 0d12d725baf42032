/* What to expect at the rig's operating point: the engine's periodic solution as a reading.
 *
 * The time axis covers two periods from the high gate's closing: a uniform grid, merged with the instants where the
 * engine's pieces begin (a corner is a corner, a jump is a jump) and with a finer grid over each swing. */
#include "study_internal.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define GRID_POINTS 1000 /* per period; a plot 1000 pixels wide shows no more */
#define SWING_POINTS 24  /* per swing */
#define MOST_BREAKS 256
#define PERIODS 2

/* A jump is drawn as two points this share of a period apart. */
#define JUMP_WIDTH 1e-9

static int ascending(const void *a, const void *b) {
    const double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

typedef struct axis {
    double *time_s;
    size_t n, capacity;
} axis;

static void axis_add(axis *a, double time_s, double period_s) {
    if (isfinite(time_s) && a->n < a->capacity) {
        const double wrapped = time_s - period_s * floor(time_s / period_s);
        a->time_s[a->n++] = wrapped < period_s ? wrapped : 0.0;
    }
}

static void axis_add_swing(axis *a, const tw_edge *edge, double period_s) {
    for (int k = 0; k <= SWING_POINTS; k++) {
        axis_add(a, edge->turn_off_s + edge->swing_time_s * k / SWING_POINTS, period_s);
    }
}

static size_t without_repeats(double *sorted, size_t n) {
    size_t kept = 0;
    for (size_t k = 0; k < n; k++) {
        if (kept == 0 || sorted[k] > sorted[kept - 1]) {
            sorted[kept++] = sorted[k];
        }
    }
    return kept;
}

/* The instants of one period, then of two. *time_s goes to the caller. */
static tw_status make_axis(tw_ctx *ctx, const tw_steady *steady, double **time_s, size_t *n_points) {
    const tw_operating_point *point = tw_steady_point(steady);
    const double period_s = point->period_s;
    double breaks[MOST_BREAKS];
    const size_t count = tw_steady_breaks(steady, breaks, MOST_BREAKS);
    const size_t n_breaks = count < MOST_BREAKS ? count : MOST_BREAKS;
    axis a = {.capacity = GRID_POINTS + 2 * MOST_BREAKS + 2 * (SWING_POINTS + 1)};
    if ((a.time_s = tw_alloc(ctx, PERIODS * a.capacity + 1, sizeof(double))) == NULL) {
        return TW_NO_MEMORY;
    }
    for (int k = 0; k < GRID_POINTS; k++) {
        axis_add(&a, period_s * k / GRID_POINTS, period_s);
    }
    for (size_t k = 0; k < n_breaks; k++) {
        axis_add(&a, breaks[k], period_s);
        axis_add(&a, breaks[k] - JUMP_WIDTH * period_s, period_s);
    }
    axis_add_swing(&a, &point->falling, period_s);
    axis_add_swing(&a, &point->rising, period_s);
    qsort(a.time_s, a.n, sizeof(double), ascending);
    a.n = without_repeats(a.time_s, a.n);
    for (size_t k = 0; k < a.n; k++) {
        a.time_s[a.n + k] = a.time_s[k] + period_s;
    }
    a.time_s[2 * a.n] = PERIODS * period_s;
    *time_s = a.time_s;
    *n_points = PERIODS * a.n + 1;
    return TW_OK;
}

static tw_status add_waves(tw_ctx *ctx, const tw_steady *steady, bool with_pan, tw_reading *reading) {
    for (int signal = 0; signal < TW_SIGNAL_COUNT; signal++) {
        if (signal == TW_SIGNAL_PAN_CURRENT && !with_pan) {
            continue;
        }
        double *values = NULL;
        TW_TRY(
            tw_study__add_wave(ctx, reading->waves, &reading->n_waves, reading->n_points, (tw_signal)signal, &values));
        tw_steady_sample(steady, (tw_signal)signal, reading->time_s, reading->n_points, values);
    }
    return TW_OK;
}

static void add_edge(tw_reading *reading, size_t index, const tw_edge *edge, double period_s) {
    tw_reading_edge *out = &reading->edges[index];
    out->name = edge->rising ? "rising" : "falling";
    out->verdict = edge->verdict;
    const struct {
        tw_study__id id;
        double value;
    } fields[] = {{TW_STUDY_EDGE_TURN_OFF_CURRENT, edge->turn_off_current_a},
                  {TW_STUDY_EDGE_SWING_TIME, edge->swing_time_s},
                  {TW_STUDY_EDGE_MARGIN, edge->zero_crossing_margin_s},
                  {TW_STUDY_EDGE_MARGIN_FRACTION, edge->zero_crossing_margin_s / period_s},
                  {TW_STUDY_EDGE_DEAD_TIME_SHORTEST, edge->window_shortest_s},
                  {TW_STUDY_EDGE_DEAD_TIME_LONGEST, edge->window_longest_s},
                  {TW_STUDY_EDGE_FORCED_VOLTAGE, edge->forced_voltage_v},
                  {TW_STUDY_EDGE_FORCED_ENERGY, edge->forced_energy_j},
                  {TW_STUDY_EDGE_TURN_OFF_TIME, edge->turn_off_s},
                  {TW_STUDY_EDGE_SWING_END_TIME, edge->swing_end_s},
                  {TW_STUDY_EDGE_ZERO_CROSSING_TIME, edge->zero_crossing_s},
                  {TW_STUDY_EDGE_CLOSING_TIME, edge->turn_on_s}};
    for (size_t k = 0; k < sizeof fields / sizeof fields[0]; k++) {
        tw_study__add_edge(out, fields[k].id, tw_exactly(fields[k].value));
    }
    const double span_s = PERIODS * period_s;
    tw_study__add_mark(reading, TW_MARK_SWING, edge->turn_off_s, edge->swing_end_s, period_s, span_s);
    tw_study__add_mark(reading, TW_MARK_ZERO_CROSSING, edge->zero_crossing_s, edge->zero_crossing_s, period_s, span_s);
    tw_study__add_mark(reading, TW_MARK_MARGIN, edge->swing_end_s, edge->zero_crossing_s, period_s, span_s);
}

static void add_gates(tw_reading *reading, const tw_half_bridge *stage) {
    const double period_s = 1.0 / stage->frequency_hz, on_s = 0.5 * period_s - stage->dead_time_s;
    const double span_s = PERIODS * period_s;
    tw_study__add_mark(reading, TW_MARK_HIGH_GATE, 0.0, on_s, period_s, span_s);
    tw_study__add_mark(reading, TW_MARK_LOW_GATE, 0.5 * period_s, 0.5 * period_s + on_s, period_s, span_s);
}

typedef struct entry {
    tw_study__id id;
    double value;
} entry;

static void add_entries(tw_reading *reading, const entry *entries, size_t n) {
    for (size_t k = 0; k < n; k++) {
        tw_study__add(reading, entries[k].id, tw_exactly(entries[k].value));
    }
}

static void add_main_fields(tw_reading *reading, const tw_rig *rig, const tw_half_bridge *stage,
                            const tw_operating_point *p) {
    const double deg = 180.0 / TW_PI;
    const entry entries[] = {{TW_STUDY_SWITCHING_FREQUENCY, stage->frequency_hz},
                             {TW_STUDY_RESONANT_FREQUENCY, p->resonant_frequency_hz},
                             {TW_STUDY_RAIL_VOLTAGE, stage->rail_v},
                             {TW_STUDY_LOOP_GAIN, rig->voltage_pickup.gain.value},
                             {TW_STUDY_CHANNEL_SKEW, rig->recorder.skew_s.value},
                             {TW_STUDY_REAL_POWER, p->real_power_w},
                             {TW_STUDY_REACTIVE_POWER, p->reactive_power_var},
                             {TW_STUDY_APPARENT_POWER, p->apparent_power_va},
                             {TW_STUDY_POWER_FACTOR, p->real_power_w / p->apparent_power_va},
                             {TW_STUDY_SUPPLY_POWER, p->supply_power_w},
                             {TW_STUDY_COIL_CURRENT_PEAK, p->coil_current_peak_a},
                             {TW_STUDY_COIL_CURRENT_RMS, p->coil_current_rms_a},
                             {TW_STUDY_COIL_VOLTAGE_RMS, p->coil_voltage_rms_v},
                             {TW_STUDY_CAPACITOR_VOLTAGE_PEAK, p->capacitor_voltage_peak_v},
                             {TW_STUDY_BRIDGE_PHASE_LAG, p->bridge_phase_lag_rad * deg},
                             {TW_STUDY_COIL_PHASE_LAG, p->coil_phase_lag_rad * deg},
                             {TW_STUDY_EQUIVALENT_RESISTANCE, p->equivalent_resistance_ohm},
                             {TW_STUDY_EQUIVALENT_INDUCTANCE, p->equivalent_inductance_h},
                             {TW_STUDY_TANK_CAPACITANCE, stage->capacitance_f},
                             {TW_STUDY_MIDPOINT_CAPACITANCE, p->midpoint_capacitance_f},
                             {TW_STUDY_DEAD_TIME, stage->dead_time_s},
                             {TW_STUDY_FORCED_COMMUTATION_ENERGY, p->forced_commutation_energy_j}};
    add_entries(reading, entries, sizeof entries / sizeof entries[0]);
    if (stage->load.n_branches > 0) {
        const entry pan[] = {{TW_STUDY_PAN_POWER, p->energy.pan / p->period_s},
                             {TW_STUDY_EFFICIENCY, p->energy.pan / p->energy.supplied}};
        add_entries(reading, pan, 2);
    }
}

static void add_stress_fields(tw_reading *reading, const tw_operating_point *p) {
    const entry entries[] = {{TW_STUDY_HIGH_TRANSISTOR_AVERAGE, p->high.transistor_average_a},
                             {TW_STUDY_HIGH_TRANSISTOR_RMS, p->high.transistor_rms_a},
                             {TW_STUDY_HIGH_TRANSISTOR_PEAK, p->high.transistor_peak_a},
                             {TW_STUDY_HIGH_DIODE_AVERAGE, p->high.diode_average_a},
                             {TW_STUDY_HIGH_DIODE_RMS, p->high.diode_rms_a},
                             {TW_STUDY_HIGH_DIODE_PEAK, p->high.diode_peak_a},
                             {TW_STUDY_LOW_TRANSISTOR_AVERAGE, p->low.transistor_average_a},
                             {TW_STUDY_LOW_TRANSISTOR_RMS, p->low.transistor_rms_a},
                             {TW_STUDY_LOW_TRANSISTOR_PEAK, p->low.transistor_peak_a},
                             {TW_STUDY_LOW_DIODE_AVERAGE, p->low.diode_average_a},
                             {TW_STUDY_LOW_DIODE_RMS, p->low.diode_rms_a},
                             {TW_STUDY_LOW_DIODE_PEAK, p->low.diode_peak_a},
                             {TW_STUDY_ENERGY_SUPPLIED, p->energy.supplied},
                             {TW_STUDY_ENERGY_COIL, p->energy.coil},
                             {TW_STUDY_ENERGY_PAN, p->energy.pan},
                             {TW_STUDY_ENERGY_CAPACITOR, p->energy.esr},
                             {TW_STUDY_ENERGY_TRANSISTOR, p->energy.transistor},
                             {TW_STUDY_ENERGY_DIODE, p->energy.diode},
                             {TW_STUDY_ENERGY_RESIDUAL, p->energy.residual}};
    add_entries(reading, entries, sizeof entries / sizeof entries[0]);
}

/* What the person should know about the prediction itself. */
static tw_status add_warnings(tw_ctx *ctx, const tw_rig *rig, const tw_half_bridge *stage, const tw_operating_point *p,
                              tw_warnings *list) {
    if (rig->supply.kind == TW_SUPPLY_MAINS && !tw_is_known(rig->recorder.rail_voltage_v)) {
        TW_TRY(
            tw_warn(ctx, list, "rail_at_crest",
                    "the rail is taken constant at the crest of the mains, %.0f V: between crests and under load it is "
                    "lower; recorder.rail_voltage sets another",
                    stage->rail_v));
    }
    if (stage->frequency_hz < p->resonant_frequency_hz) {
        TW_TRY(
            tw_warn(ctx, list, "below_resonance",
                    "the bridge runs below the tank's resonance of %.2f kHz: each switch closes on the full rail and "
                    "against the other's diode",
                    p->resonant_frequency_hz / 1e3));
    }
    return TW_OK;
}

static tw_status fill(tw_ctx *ctx, const tw_rig *rig, const tw_half_bridge *stage, const tw_steady *steady,
                      tw_reading *out) {
    const tw_operating_point *point = tw_steady_point(steady);
    out->kind = TW_READING_FORECAST;
    memcpy(out->title, rig->title, sizeof out->title);
    out->commutation = point->commutation;
    add_main_fields(out, rig, stage, point);
    add_gates(out, stage);
    add_edge(out, 0, &point->falling, point->period_s);
    add_edge(out, 1, &point->rising, point->period_s);
    tw_study__add_worst_edge(out);
    add_stress_fields(out, point);
    tw_study__sort_fields(out);
    TW_TRY(make_axis(ctx, steady, &out->time_s, &out->n_points));
    TW_TRY(add_waves(ctx, steady, stage->load.n_branches > 0, out));
    return add_warnings(ctx, rig, stage, point, &out->warnings);
}

tw_status tw_study_forecast(tw_ctx *ctx, const tw_rig *rig, tw_reading *out) {
    tw_half_bridge stage;
    tw_steady *steady = NULL;
    TW_TRY(tw_study_stage(ctx, rig, &stage));
    TW_TRY(tw_steady_solve(ctx, &stage, NULL, &steady));
    tw_reading reading = {0};
    const tw_status status = fill(ctx, rig, &stage, steady, &reading);
    tw_steady_destroy(steady);
    if (status != TW_OK) {
        tw_reading_dispose(&reading);
        return status;
    }
    *out = reading;
    return TW_OK;
}

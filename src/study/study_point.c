/* The engine's operating point as fields, edges and marks of a reading. */
#include "study_internal.h"

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
    const double span_s = TW_STUDY_PERIODS * period_s;
    tw_study__add_mark(reading, TW_MARK_SWING, edge->turn_off_s, edge->swing_end_s, period_s, span_s);
    tw_study__add_mark(reading, TW_MARK_ZERO_CROSSING, edge->zero_crossing_s, edge->zero_crossing_s, period_s, span_s);
    tw_study__add_mark(reading, TW_MARK_MARGIN, edge->swing_end_s, edge->zero_crossing_s, period_s, span_s);
}

static void add_gates(tw_reading *reading, const tw_half_bridge *stage) {
    const double period_s = 1.0 / stage->frequency_hz, on_s = 0.5 * period_s - stage->dead_time_s;
    const double span_s = TW_STUDY_PERIODS * period_s;
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

static void add_main_fields(tw_reading *reading, const tw_half_bridge *stage, const tw_operating_point *p) {
    const double deg = 180.0 / TW_PI;
    const entry entries[] = {{TW_STUDY_SWITCHING_FREQUENCY, stage->frequency_hz},
                             {TW_STUDY_RESONANT_FREQUENCY, p->resonant_frequency_hz},
                             {TW_STUDY_RAIL_VOLTAGE, stage->rail_v},
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

void tw_study__read_point(const tw_rig *rig, const tw_half_bridge *stage, const tw_operating_point *point,
                          tw_reading *out) {
    out->commutation = point->commutation;
    add_main_fields(out, stage, point);
    tw_study__add(out, TW_STUDY_LOOP_GAIN, rig->voltage_pickup.gain);
    tw_study__add(out, TW_STUDY_CHANNEL_SKEW, rig->recorder.skew_s);
    add_gates(out, stage);
    add_edge(out, 0, &point->falling, point->period_s);
    add_edge(out, 1, &point->rising, point->period_s);
    tw_study__add_worst_edge(out);
    add_stress_fields(out, point);
    tw_study__sort_fields(out);
}

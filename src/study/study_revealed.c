/* A revealed record as a reading: the folded period drawn twice, the whole record for the export. */
#include "study_internal.h"

#include <math.h>
#include <string.h>

static void add_fields(tw_reading *out, const tw_revealed *r) {
    const double deg = 180.0 / TW_PI;
    const struct {
        tw_study__id id;
        tw_value value;
    } fields[] = {{TW_STUDY_SWITCHING_FREQUENCY, r->switching_frequency_hz},
                  {TW_STUDY_RESONANT_FREQUENCY, r->resonant_frequency_hz},
                  {TW_STUDY_RAIL_VOLTAGE, r->rail_v},
                  {TW_STUDY_LOOP_GAIN, r->loop_gain},
                  {TW_STUDY_CHANNEL_SKEW, r->channel_skew_s},
                  {TW_STUDY_DUTY, r->duty},
                  {TW_STUDY_WHOLE_CYCLES, tw_exactly((double)r->whole_cycles)},
                  {TW_STUDY_REAL_POWER, r->real_power_w},
                  {TW_STUDY_REACTIVE_POWER, r->reactive_power_var},
                  {TW_STUDY_APPARENT_POWER, r->apparent_power_va},
                  {TW_STUDY_POWER_FACTOR, r->power_factor},
                  {TW_STUDY_COIL_CURRENT_PEAK, r->coil_current_peak_a},
                  {TW_STUDY_COIL_CURRENT_RMS, r->coil_current_rms_a},
                  {TW_STUDY_COIL_VOLTAGE_RMS, r->coil_voltage_rms_v},
                  {TW_STUDY_CAPACITOR_VOLTAGE_PEAK, r->capacitor_voltage_peak_v},
                  {TW_STUDY_BRIDGE_PHASE_LAG, tw_study__times(r->bridge_phase_lag_rad, deg)},
                  {TW_STUDY_COIL_PHASE_LAG, tw_study__times(r->coil_phase_lag_rad, deg)},
                  {TW_STUDY_EQUIVALENT_RESISTANCE, r->equivalent_resistance_ohm},
                  {TW_STUDY_EQUIVALENT_INDUCTANCE, r->equivalent_inductance_h},
                  {TW_STUDY_TANK_CAPACITANCE, r->tank_capacitance_f},
                  {TW_STUDY_MIDPOINT_CAPACITANCE, r->midpoint_capacitance_f},
                  {TW_STUDY_FORCED_COMMUTATION_ENERGY, r->forced_commutation_energy_j},
                  {TW_STUDY_SAMPLES_PER_SWING, tw_exactly(r->samples_per_swing)},
                  {TW_STUDY_CONDUCTION_RESIDUAL, tw_exactly(r->conduction_residual_v)}};
    for (size_t k = 0; k < sizeof fields / sizeof fields[0]; k++) {
        tw_study__add(out, fields[k].id, fields[k].value);
    }
}

static void add_edge(tw_reading *out, size_t index, const tw_revealed_edge *edge, double period_s) {
    tw_reading_edge *to = &out->edges[index];
    to->name = edge->rising ? "rising" : "falling";
    to->verdict = edge->verdict;
    const struct {
        tw_study__id id;
        tw_value value;
    } fields[] = {{TW_STUDY_EDGE_TURN_OFF_CURRENT, edge->turn_off_current_a},
                  {TW_STUDY_EDGE_SWING_TIME, edge->swing_time_s},
                  {TW_STUDY_EDGE_MARGIN, edge->zero_crossing_margin_s},
                  {TW_STUDY_EDGE_MARGIN_FRACTION, tw_study__times(edge->zero_crossing_margin_s, 1.0 / period_s)},
                  {TW_STUDY_EDGE_DEAD_TIME_SHORTEST, edge->window_shortest_s},
                  {TW_STUDY_EDGE_DEAD_TIME_LONGEST, edge->window_longest_s},
                  {TW_STUDY_EDGE_FORCED_VOLTAGE, edge->forced_voltage_v},
                  {TW_STUDY_EDGE_FORCED_ENERGY, edge->forced_energy_j},
                  {TW_STUDY_EDGE_TURN_OFF_TIME, edge->turn_off_s},
                  {TW_STUDY_EDGE_SWING_END_TIME, edge->swing_end_s},
                  {TW_STUDY_EDGE_ZERO_CROSSING_TIME, edge->zero_crossing_s},
                  {TW_STUDY_EDGE_CLOSING_TIME, edge->closing_s}};
    for (size_t k = 0; k < sizeof fields / sizeof fields[0]; k++) {
        tw_study__add_edge(to, fields[k].id, fields[k].value);
    }
    const double span_s = 2.0 * period_s, zero_s = edge->zero_crossing_s.value;
    tw_study__add_mark(out, TW_MARK_SWING, edge->turn_off_s.value, edge->swing_end_s.value, period_s, span_s);
    tw_study__add_mark(out, TW_MARK_ZERO_CROSSING, zero_s, zero_s, period_s, span_s);
    tw_study__add_mark(out, TW_MARK_MARGIN, edge->swing_end_s.value, zero_s, period_s, span_s);
}

/* A gate is on from the closing seen in the record to its opening. A soft closing leaves no trace: no mark then. */
static void add_gate(tw_reading *out, tw_mark_kind kind, const tw_revealed_edge *on, const tw_revealed_edge *off,
                     double period_s) {
    double off_s = off->turn_off_s.value;
    const double on_s = on->closing_s.value;
    if (!isfinite(on_s) || !isfinite(off_s)) {
        return;
    }
    off_s -= period_s * floor((off_s - on_s) / period_s); /* the first opening after the closing */
    tw_study__add_mark(out, kind, on_s, off_s, period_s, 2.0 * period_s);
}

/* The dead time shows where the record shows the closing; the larger of the two edges'. */
static void add_dead_time(tw_reading *out, const tw_revealed *r) {
    const tw_revealed_edge *edges[] = {&r->falling, &r->rising};
    tw_value dead_time = tw_unknown();
    for (int k = 0; k < 2; k++) {
        const double seen = edges[k]->closing_s.value - edges[k]->turn_off_s.value;
        if (isfinite(seen) && !(seen <= dead_time.value)) {
            dead_time = (tw_value){seen, hypot(edges[k]->closing_s.u, edges[k]->turn_off_s.u)};
        }
    }
    tw_study__add(out, TW_STUDY_DEAD_TIME, dead_time);
}

/* A device's current over the folded period: what is positive flows in the transistor, the rest in the diode. The
 * current channel's scale is by far the largest uncertainty and common to all. */
static void add_device(tw_reading *out, const tw_revealed *r, const double *current_a, const tw_study__id ids[6]) {
    double average[2] = {0.0, 0.0}, square[2] = {0.0, 0.0}, peak[2] = {0.0, 0.0}, n = 0.0;
    for (size_t k = 0; current_a != NULL && k < r->n_fold; k++) {
        if (isfinite(current_a[k])) {
            const size_t part = current_a[k] < 0.0; /* 1: diode */
            const double size = fabs(current_a[k]);
            average[part] += size;
            square[part] += size * size;
            peak[part] = fmax(peak[part], size);
            n += 1.0;
        }
    }
    const double relative = r->coil_current_rms_a.u / r->coil_current_rms_a.value;
    for (size_t part = 0; n > 0.0 && part < 2; part++) {
        const double values[3] = {average[part] / n, sqrt(square[part] / n), peak[part]};
        for (size_t k = 0; k < 3; k++) {
            tw_study__add(out, ids[3 * part + k], (tw_value){values[k], values[k] * relative});
        }
    }
}

static void add_devices(tw_reading *out, const tw_revealed *r) {
    static const tw_study__id high[6] = {TW_STUDY_HIGH_TRANSISTOR_AVERAGE, TW_STUDY_HIGH_TRANSISTOR_RMS,
                                         TW_STUDY_HIGH_TRANSISTOR_PEAK,    TW_STUDY_HIGH_DIODE_AVERAGE,
                                         TW_STUDY_HIGH_DIODE_RMS,          TW_STUDY_HIGH_DIODE_PEAK};
    static const tw_study__id low[6] = {TW_STUDY_LOW_TRANSISTOR_AVERAGE, TW_STUDY_LOW_TRANSISTOR_RMS,
                                        TW_STUDY_LOW_TRANSISTOR_PEAK,    TW_STUDY_LOW_DIODE_AVERAGE,
                                        TW_STUDY_LOW_DIODE_RMS,          TW_STUDY_LOW_DIODE_PEAK};
    add_device(out, r, r->fold_high_a, high);
    add_device(out, r, r->fold_low_a, low);
}

/* The folded period, twice. */
static tw_status add_fold(tw_ctx *ctx, const tw_revealed *r, double period_s, tw_reading *out) {
    const struct {
        tw_signal signal;
        const double *values;
    } waves[] = {{TW_SIGNAL_MIDPOINT_VOLTAGE, r->fold_midpoint_v}, {TW_SIGNAL_COIL_VOLTAGE, r->fold_coil_v},
                 {TW_SIGNAL_COIL_CURRENT, r->fold_current_a},      {TW_SIGNAL_CAPACITOR_VOLTAGE, r->fold_capacitor_v},
                 {TW_SIGNAL_HIGH_DEVICE_CURRENT, r->fold_high_a},  {TW_SIGNAL_LOW_DEVICE_CURRENT, r->fold_low_a}};
    const size_t n = r->n_fold;
    if ((out->time_s = tw_alloc(ctx, 2 * n, sizeof(double))) == NULL) {
        return TW_NO_MEMORY;
    }
    out->n_points = 2 * n;
    for (size_t k = 0; k < n; k++) {
        out->time_s[k] = r->fold_time_s[k];
        out->time_s[n + k] = r->fold_time_s[k] + period_s;
    }
    for (size_t w = 0; w < sizeof waves / sizeof waves[0]; w++) {
        double *values = NULL;
        if (waves[w].values == NULL) {
            continue;
        }
        TW_TRY(tw_study__add_wave(ctx, out->waves, &out->n_waves, 2 * n, waves[w].signal, &values));
        memcpy(values, waves[w].values, n * sizeof(double));
        memcpy(values + n, waves[w].values, n * sizeof(double));
    }
    return TW_OK;
}

/* The record's waveforms change hands: nothing as long as the record is copied. */
static void take_record(tw_revealed *r, tw_reading *out) {
    const struct {
        tw_signal signal;
        double **values;
    } waves[] = {{TW_SIGNAL_COIL_CURRENT, &r->coil_current_a},       {TW_SIGNAL_COIL_VOLTAGE, &r->coil_voltage_v},
                 {TW_SIGNAL_MIDPOINT_VOLTAGE, &r->midpoint_v},       {TW_SIGNAL_CAPACITOR_VOLTAGE, &r->capacitor_v},
                 {TW_SIGNAL_HIGH_DEVICE_CURRENT, &r->high_device_a}, {TW_SIGNAL_LOW_DEVICE_CURRENT, &r->low_device_a}};
    out->n_record = r->samples;
    out->record_start_s = r->start_s;
    out->record_interval_s = r->interval_s;
    for (size_t w = 0; w < sizeof waves / sizeof waves[0]; w++) {
        if (*waves[w].values != NULL) {
            tw_wave wave = tw_study__wave(waves[w].signal);
            wave.values = *waves[w].values;
            *waves[w].values = NULL;
            out->record_waves[out->n_record_waves++] = wave;
        }
    }
}

tw_status tw_study__read_revealed(tw_ctx *ctx, const tw_rig *rig, tw_revealed *revealed, tw_reading *out) {
    const double period_s = 1.0 / revealed->switching_frequency_hz.value;
    out->kind = TW_READING_ANALYSIS;
    memcpy(out->title, rig->title, sizeof out->title);
    out->commutation = revealed->commutation;
    add_fields(out, revealed);
    add_gate(out, TW_MARK_HIGH_GATE, &revealed->rising, &revealed->falling, period_s);
    add_gate(out, TW_MARK_LOW_GATE, &revealed->falling, &revealed->rising, period_s);
    add_edge(out, 0, &revealed->falling, period_s);
    add_edge(out, 1, &revealed->rising, period_s);
    tw_study__add_worst_edge(out);
    add_dead_time(out, revealed);
    add_devices(out, revealed);
    tw_study__sort_fields(out);
    TW_TRY(add_fold(ctx, revealed, period_s, out));
    TW_TRY(tw_warnings_append(ctx, &out->warnings, &revealed->warnings));
    take_record(revealed, out);
    return TW_OK;
}

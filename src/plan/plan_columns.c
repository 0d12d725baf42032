/* The columns of a map: which number of an operating point each one is. */
#include <math.h>
#include <string.h>

#include "plan_private.h"

static const char *const keys[] = {
#define KEY(id, key) [TW_PLAN_##id] = key,
    TW_PLAN_COLUMNS(KEY)
#undef KEY
};

_Static_assert(TW_PLAN_COLUMN_COUNT < 64, "a choice of columns is one 64-bit word");

const char *tw_plan_column_key(tw_plan_column column) {
    return (unsigned)column < TW_PLAN_COLUMN_COUNT ? keys[column] : NULL;
}

tw_plan_column tw_plan_find_column(const char *key) {
    unsigned k = 0;
    while (k < TW_PLAN_COLUMN_COUNT && strcmp(keys[k], key) != 0) {
        k++;
    }
    return (tw_plan_column)k;
}

uint64_t tw_plan_bit(tw_plan_column column) {
    return (unsigned)column < TW_PLAN_COLUMN_COUNT ? UINT64_C(1) << (unsigned)column : 0;
}

/* The edge with the smaller margin; where one has none, the one with the worse verdict. */
static const tw_edge *worse_edge(const tw_operating_point *p) {
    const tw_edge *first = &p->falling, *other = &p->rising;
    if (!isnan(first->zero_crossing_margin_s) && !isnan(other->zero_crossing_margin_s)) {
        return other->zero_crossing_margin_s < first->zero_crossing_margin_s ? other : first;
    }
    const bool other_is_worse =
        first->verdict != other->verdict && tw_commutation_worse(first->verdict, other->verdict) == other->verdict;
    return other_is_worse ? other : first;
}

static double commutation_value(const tw_half_bridge *stage, const tw_operating_point *p, tw_plan_column column) {
    const tw_edge *edge = worse_edge(p);
    switch (column) {
    case TW_PLAN_TURN_OFF_CURRENT:
        return edge->turn_off_current_a;
    case TW_PLAN_SWING_TIME:
        return edge->swing_time_s;
    case TW_PLAN_ZERO_CROSSING_MARGIN:
        return edge->zero_crossing_margin_s;
    case TW_PLAN_ZERO_CROSSING_MARGIN_FRACTION:
        return edge->zero_crossing_margin_s / p->period_s;
    case TW_PLAN_DEAD_TIME:
        return stage->dead_time_s;
    case TW_PLAN_DEAD_TIME_SHORTEST:
        return edge->window_shortest_s;
    case TW_PLAN_DEAD_TIME_LONGEST:
        return edge->window_longest_s;
    case TW_PLAN_FORCED_COMMUTATION_ENERGY:
        return p->forced_commutation_energy_j;
    default:
        return NAN;
    }
}

static double device_value(const tw_operating_point *p, tw_plan_column column) {
    const tw_device_stress *d = column < TW_PLAN_LOW_TRANSISTOR_AVERAGE ? &p->high : &p->low;
    switch (column) {
    case TW_PLAN_HIGH_TRANSISTOR_AVERAGE:
    case TW_PLAN_LOW_TRANSISTOR_AVERAGE:
        return d->transistor_average_a;
    case TW_PLAN_HIGH_TRANSISTOR_RMS:
    case TW_PLAN_LOW_TRANSISTOR_RMS:
        return d->transistor_rms_a;
    case TW_PLAN_HIGH_TRANSISTOR_PEAK:
    case TW_PLAN_LOW_TRANSISTOR_PEAK:
        return d->transistor_peak_a;
    case TW_PLAN_HIGH_DIODE_AVERAGE:
    case TW_PLAN_LOW_DIODE_AVERAGE:
        return d->diode_average_a;
    case TW_PLAN_HIGH_DIODE_RMS:
    case TW_PLAN_LOW_DIODE_RMS:
        return d->diode_rms_a;
    case TW_PLAN_HIGH_DIODE_PEAK:
    case TW_PLAN_LOW_DIODE_PEAK:
        return d->diode_peak_a;
    default:
        return NAN;
    }
}

static double energy_value(const tw_operating_point *p, tw_plan_column column) {
    switch (column) {
    case TW_PLAN_ENERGY_SUPPLIED:
        return p->energy.supplied;
    case TW_PLAN_ENERGY_COIL:
        return p->energy.coil;
    case TW_PLAN_ENERGY_PAN:
        return p->energy.pan;
    case TW_PLAN_ENERGY_CAPACITOR:
        return p->energy.esr;
    case TW_PLAN_ENERGY_TRANSISTOR:
        return p->energy.transistor;
    case TW_PLAN_ENERGY_DIODE:
        return p->energy.diode;
    case TW_PLAN_ENERGY_RESIDUAL:
        return p->energy.residual;
    default:
        return NAN;
    }
}

double tw_plan_value(const tw_half_bridge *stage, const tw_operating_point *p, tw_plan_column column) {
    const bool pan = stage->load.n_branches > 0;
    const double deg = 180.0 / TW_PI;
    if (column >= TW_PLAN_ENERGY_SUPPLIED) {
        return energy_value(p, column);
    }
    if (column >= TW_PLAN_HIGH_TRANSISTOR_AVERAGE) {
        return device_value(p, column);
    }
    switch (column) {
    case TW_PLAN_SWITCHING_FREQUENCY:
        return stage->frequency_hz;
    case TW_PLAN_RESONANT_FREQUENCY:
        return p->resonant_frequency_hz;
    case TW_PLAN_RAIL_VOLTAGE:
        return stage->rail_v;
    case TW_PLAN_REAL_POWER:
        return p->real_power_w;
    case TW_PLAN_REACTIVE_POWER:
        return p->reactive_power_var;
    case TW_PLAN_APPARENT_POWER:
        return p->apparent_power_va;
    case TW_PLAN_POWER_FACTOR:
        return p->real_power_w / p->apparent_power_va;
    case TW_PLAN_SUPPLY_POWER:
        return p->supply_power_w;
    case TW_PLAN_PAN_POWER:
        return pan ? p->energy.pan / p->period_s : (double)NAN;
    case TW_PLAN_EFFICIENCY:
        return pan ? p->energy.pan / p->energy.supplied : (double)NAN;
    case TW_PLAN_COIL_CURRENT_PEAK:
        return p->coil_current_peak_a;
    case TW_PLAN_COIL_CURRENT_RMS:
        return p->coil_current_rms_a;
    case TW_PLAN_COIL_VOLTAGE_RMS:
        return p->coil_voltage_rms_v;
    case TW_PLAN_CAPACITOR_VOLTAGE_PEAK:
        return p->capacitor_voltage_peak_v;
    case TW_PLAN_BRIDGE_PHASE_LAG:
        return p->bridge_phase_lag_rad * deg;
    case TW_PLAN_COIL_PHASE_LAG:
        return p->coil_phase_lag_rad * deg;
    case TW_PLAN_EQUIVALENT_RESISTANCE:
        return p->equivalent_resistance_ohm;
    case TW_PLAN_EQUIVALENT_INDUCTANCE:
        return p->equivalent_inductance_h;
    default:
        return commutation_value(stage, p, column);
    }
}

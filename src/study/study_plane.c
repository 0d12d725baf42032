/* The state plane of a forecast: capacitor voltage against coil current times the tank's characteristic impedance, both
 * over half the rail (R. Oruganti and F. C. Lee, "Resonant power processors, part I: state plane analysis", IEEE Trans.
 * Ind. Appl. IA-21 (1985) 1453, for the axes; the normalising is by half the rail, the half bridge's square wave). */
#include "study_internal.h"

#include <math.h>
#include <string.h>

const char *tw_conduction_label(tw_conduction who) {
    switch (who) {
    case TW_CONDUCTS_NONE:
        return "midpoint swings";
    case TW_CONDUCTS_HIGH_TRANSISTOR:
        return "high transistor";
    case TW_CONDUCTS_HIGH_DIODE:
        return "high diode";
    case TW_CONDUCTS_LOW_TRANSISTOR:
        return "low transistor";
    case TW_CONDUCTS_LOW_DIODE:
        return "low diode";
    case TW_CONDUCTS_COUNT:
        break;
    }
    return "";
}

static const double *wave_of(const tw_reading *reading, tw_signal signal) {
    for (size_t k = 0; k < reading->n_waves; k++) {
        if (strcmp(reading->waves[k].key, tw_signal_key(signal)) == 0) {
            return reading->waves[k].values;
        }
    }
    return NULL;
}

static double value_of(const tw_reading *reading, const char *key) {
    const tw_field *field = tw_reading_field(reading, key);
    return field != NULL ? field->value.value : (double)NAN;
}

/* Device currents are positive in the transistor, negative in the diode, exactly zero where nothing conducts. */
static tw_conduction who_conducts(double high_a, double low_a) {
    if (high_a != 0.0) {
        return high_a > 0.0 ? TW_CONDUCTS_HIGH_TRANSISTOR : TW_CONDUCTS_HIGH_DIODE;
    }
    if (low_a != 0.0) {
        return low_a > 0.0 ? TW_CONDUCTS_LOW_TRANSISTOR : TW_CONDUCTS_LOW_DIODE;
    }
    return TW_CONDUCTS_NONE;
}

static double mean_of(const double *t, const double *v, size_t n) {
    double sum = 0.0;
    for (size_t k = 1; k < n; k++) {
        sum += 0.5 * (v[k] + v[k - 1]) * (t[k] - t[k - 1]);
    }
    return sum / (t[n - 1] - t[0]);
}

/* The gates' edges lie on the curve's own points, to rounding. */
static void add_instant(tw_plane *plane, const double *t, const char *label, double at_s) {
    size_t nearest = 0;
    for (size_t k = 0; k < plane->n_points; k++) {
        nearest = fabs(t[k] - at_s) < fabs(t[nearest] - at_s) ? k : nearest;
    }
    if (plane->n_instants < sizeof plane->instants / sizeof plane->instants[0]) {
        plane->instants[plane->n_instants++] = (tw_plane_instant){label, plane->x[nearest], plane->y[nearest]};
    }
}

static void add_instants(const tw_reading *reading, double period_s, tw_plane *plane) {
    for (size_t k = 0; k < reading->n_marks; k++) {
        const tw_mark *m = &reading->marks[k];
        if (m->begin_s >= period_s * (1.0 - 1e-9)) {
            continue;
        }
        if (m->kind == TW_MARK_HIGH_GATE) {
            add_instant(plane, reading->time_s, "high gate on", m->begin_s);
            add_instant(plane, reading->time_s, "high gate off", m->end_s);
        } else if (m->kind == TW_MARK_LOW_GATE) {
            add_instant(plane, reading->time_s, "low gate on", m->begin_s);
            add_instant(plane, reading->time_s, "low gate off", m->end_s);
        }
    }
}

tw_status tw_study_plane(tw_ctx *ctx, const tw_reading *forecast, tw_plane *out) {
    const double *v = wave_of(forecast, TW_SIGNAL_CAPACITOR_VOLTAGE), *i = wave_of(forecast, TW_SIGNAL_COIL_CURRENT);
    const double *high = wave_of(forecast, TW_SIGNAL_HIGH_DEVICE_CURRENT);
    const double *low = wave_of(forecast, TW_SIGNAL_LOW_DEVICE_CURRENT);
    const double f0 = value_of(forecast, "resonant_frequency"), c = value_of(forecast, "tank_capacitance");
    tw_plane plane = {.half_rail_v = 0.5 * value_of(forecast, "rail_voltage"), .z0_ohm = 1.0 / (2.0 * TW_PI * f0 * c)};
    if (v == NULL || i == NULL || high == NULL || low == NULL || forecast->n_points < 3) {
        return tw_fail(ctx, TW_BAD_DATA, "study", "there are no curves for the state plane");
    }
    if (!isfinite(plane.z0_ohm) || !(plane.half_rail_v > 0.0)) {
        return tw_fail(ctx, TW_BAD_DATA, "study", "the state plane needs a resonance and a rail to scale with");
    }
    const double *t = forecast->time_s;
    const double period_s = (t[forecast->n_points - 1] - t[0]) / TW_STUDY_PERIODS;
    while (plane.n_points < forecast->n_points && t[plane.n_points] - t[0] <= period_s * (1.0 + 1e-12)) {
        plane.n_points++;
    }
    memcpy(plane.title, forecast->title, sizeof plane.title);
    plane.x = tw_alloc(ctx, plane.n_points, sizeof(double));
    plane.y = tw_alloc(ctx, plane.n_points, sizeof(double));
    plane.conducts = tw_alloc(ctx, plane.n_points, 1);
    if (plane.x == NULL || plane.y == NULL || plane.conducts == NULL) {
        tw_plane_dispose(&plane);
        return TW_NO_MEMORY;
    }
    const double mean = mean_of(t, v, plane.n_points);
    for (size_t k = 0; k < plane.n_points; k++) {
        plane.x[k] = (v[k] - mean) / plane.half_rail_v;
        plane.y[k] = plane.z0_ohm * i[k] / plane.half_rail_v;
        plane.conducts[k] = (unsigned char)who_conducts(high[k], low[k]);
    }
    add_instants(forecast, period_s, &plane);
    *out = plane;
    return TW_OK;
}

void tw_plane_dispose(tw_plane *plane) {
    tw_free(plane->x);
    tw_free(plane->y);
    tw_free(plane->conducts);
    memset(plane, 0, sizeof *plane);
}

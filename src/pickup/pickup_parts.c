/* Cores (IEC 60205), wire (ASTM B258, IEC 60028), preferred values (IEC 60063). */
#include "pickup_private.h"

#include <math.h>
#include <stdlib.h>

#define MU0 (4e-7 * TW_PI)             /* H/m */
#define COPPER_OHM_M (1.0 / 58 * 1e-6) /* IEC 60028, annealed copper at 20 degC */

tw_core tw_core_ring(double outer_diameter_m, double inner_diameter_m, double height_m) {
    if (!(inner_diameter_m > 0 && inner_diameter_m < outer_diameter_m && height_m > 0)) {
        return (tw_core){(double)NAN, (double)NAN};
    }
    /* log1p keeps its digits for a thin ring, where D/d is near 1 */
    const double log_ratio = log1p((outer_diameter_m - inner_diameter_m) / inner_diameter_m);
    const double gap = 2 * (outer_diameter_m - inner_diameter_m) / (inner_diameter_m * outer_diameter_m);
    /* l_e = C1^2/C2 and A_e = C1/C2 with the common factors cancelled: gap = 1/r1 - 1/r2 */
    return (tw_core){.length_m = 2 * TW_PI * log_ratio / gap, .area_m2 = height_m * log_ratio * log_ratio / gap};
}

double tw_core_inductance_factor(const tw_core *core, double permeability) {
    return MU0 * permeability * core->area_m2 / core->length_m;
}

double tw_core_permeability(const tw_core *core, double inductance_factor_h) {
    return inductance_factor_h * core->length_m / (MU0 * core->area_m2);
}

double tw_core_ring_turn(double outer_diameter_m, double inner_diameter_m, double height_m, double wire_diameter_m) {
    /* the wire's centre runs at half its thickness from the core: the four corners add up to one circle */
    return 2 * height_m + (outer_diameter_m - inner_diameter_m) + TW_PI * wire_diameter_m;
}

double tw_wire_gauge_diameter(double gauge) {
    return 0.127e-3 * pow(92, (36 - gauge) / 39);
}

double tw_wire_resistance(double diameter_m, double length_m) {
    return COPPER_OHM_M * length_m / (TW_PI / 4 * diameter_m * diameter_m);
}

/* IEC 60063. E24 is no rounded geometric series (eight members differ); E96 is one without exception. */
static double member(tw_series series, int k) {
    static const double E24[] = {1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0,
                                 3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2, 9.1};
    return series == TW_SERIES_E24 ? E24[k] : round(100 * pow(10, k / 96.0)) / 100;
}

double tw_preferred_value(tw_series series, double wanted) {
    if (!(wanted > 0) || !isfinite(wanted)) {
        return (double)NAN;
    }
    const int n = series == TW_SERIES_E24 ? 24 : 96;
    const int decade = (int)floor(log10(wanted));
    double best = (double)NAN, best_off = INFINITY;
    for (int k = 0; k < 3 * n; k++) { /* the neighbours' decades too: log10 may round across, 9.6 is nearest to 10 */
        const int power = decade - 1 + k / n;
        const double unit = pow(10, abs(power)); /* exact, so that the division gives the decimal number */
        const double value = power < 0 ? member(series, k % n) / unit : member(series, k % n) * unit;
        const double off = fabs(log(value / wanted));
        if (off < best_off) {
            best = value;
            best_off = off;
        }
    }
    return best;
}

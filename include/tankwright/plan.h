/* plan: maps of the operating point over one or two axes, the borders between their verdicts, and the inverse: where
 * along an axis a result takes a wanted value.
 *
 * Every point is the exact engine's (tankwright/circuit.h); nothing is interpolated. The caller gives the axes as
 * values and a function that puts one point's values into a stage; what the values mean is the caller's business.
 *
 * A map is computed by several threads (OpenMP; by one where it is missing). Each has its own context and its own
 * solution, which is used again from point to point; results go straight into the output arrays, so the memory of a
 * map is its output. Work is dealt out in blocks of a fixed number of points, and only the first point of a block is
 * solved from scratch: the result is the same, bit for bit, whatever the number of threads.
 * Method and numbers: docs/internals/plan.md.
 */
#ifndef TANKWRIGHT_PLAN_H
#define TANKWRIGHT_PLAN_H

#include "tankwright/base.h"
#include "tankwright/circuit.h"

/* ---- columns --------------------------------------------------------------------------------------- */

/* identifier, key. Keys, units and meaning are those of the results contract; turn_off_current, swing_time, margins and
 * dead-time window are the worse edge's. */
#define TW_PLAN_COLUMNS(X)                                            \
    X(SWITCHING_FREQUENCY, "switching_frequency")                     \
    X(RESONANT_FREQUENCY, "resonant_frequency")                       \
    X(RAIL_VOLTAGE, "rail_voltage")                                   \
    X(REAL_POWER, "real_power")                                       \
    X(REACTIVE_POWER, "reactive_power")                               \
    X(APPARENT_POWER, "apparent_power")                               \
    X(POWER_FACTOR, "power_factor")                                   \
    X(SUPPLY_POWER, "supply_power")                                   \
    X(PAN_POWER, "pan_power")                                         \
    X(EFFICIENCY, "efficiency")                                       \
    X(COIL_CURRENT_PEAK, "coil_current_peak")                         \
    X(COIL_CURRENT_RMS, "coil_current_rms")                           \
    X(COIL_VOLTAGE_RMS, "coil_voltage_rms")                           \
    X(CAPACITOR_VOLTAGE_PEAK, "capacitor_voltage_peak")               \
    X(BRIDGE_PHASE_LAG, "bridge_phase_lag")                           \
    X(COIL_PHASE_LAG, "coil_phase_lag")                               \
    X(EQUIVALENT_RESISTANCE, "equivalent_resistance")                 \
    X(EQUIVALENT_INDUCTANCE, "equivalent_inductance")                 \
    X(TURN_OFF_CURRENT, "turn_off_current")                           \
    X(SWING_TIME, "swing_time")                                       \
    X(ZERO_CROSSING_MARGIN, "zero_crossing_margin")                   \
    X(ZERO_CROSSING_MARGIN_FRACTION, "zero_crossing_margin_fraction") \
    X(DEAD_TIME, "dead_time")                                         \
    X(DEAD_TIME_SHORTEST, "dead_time_shortest")                       \
    X(DEAD_TIME_LONGEST, "dead_time_longest")                         \
    X(FORCED_COMMUTATION_ENERGY, "forced_commutation_energy")         \
    X(HIGH_TRANSISTOR_AVERAGE, "high_transistor_current_average")     \
    X(HIGH_TRANSISTOR_RMS, "high_transistor_current_rms")             \
    X(HIGH_TRANSISTOR_PEAK, "high_transistor_current_peak")           \
    X(HIGH_DIODE_AVERAGE, "high_diode_current_average")               \
    X(HIGH_DIODE_RMS, "high_diode_current_rms")                       \
    X(HIGH_DIODE_PEAK, "high_diode_current_peak")                     \
    X(LOW_TRANSISTOR_AVERAGE, "low_transistor_current_average")       \
    X(LOW_TRANSISTOR_RMS, "low_transistor_current_rms")               \
    X(LOW_TRANSISTOR_PEAK, "low_transistor_current_peak")             \
    X(LOW_DIODE_AVERAGE, "low_diode_current_average")                 \
    X(LOW_DIODE_RMS, "low_diode_current_rms")                         \
    X(LOW_DIODE_PEAK, "low_diode_current_peak")                       \
    X(ENERGY_SUPPLIED, "energy_supplied")                             \
    X(ENERGY_COIL, "energy_coil")                                     \
    X(ENERGY_PAN, "energy_pan")                                       \
    X(ENERGY_CAPACITOR, "energy_capacitor")                           \
    X(ENERGY_TRANSISTOR, "energy_transistor")                         \
    X(ENERGY_DIODE, "energy_diode")                                   \
    X(ENERGY_RESIDUAL, "energy_residual")

typedef enum tw_plan_column {
#define TW_PLAN_ENUM(id, key) TW_PLAN_##id,
    TW_PLAN_COLUMNS(TW_PLAN_ENUM)
#undef TW_PLAN_ENUM
        TW_PLAN_COLUMN_COUNT
} tw_plan_column;

/* "real_power"; NULL outside the list. */
const char *tw_plan_column_key(tw_plan_column column);
/* TW_PLAN_COLUMN_COUNT where no column has that key. */
tw_plan_column tw_plan_find_column(const char *key);

/* The column's bit in a choice of columns. */
uint64_t tw_plan_bit(tw_plan_column column);
#define TW_PLAN_ALL_COLUMNS ((UINT64_C(1) << TW_PLAN_COLUMN_COUNT) - 1)

/* The column's value at a solved point; NaN where the quantity does not exist there. */
double tw_plan_value(const tw_half_bridge *stage, const tw_operating_point *point, tw_plan_column column);

/* ---- the map --------------------------------------------------------------------------------------- */

#define TW_PLAN_AXES 2

/* Most points of a map; the columns' memory has no limit of its own. */
#define TW_PLAN_MOST_POINTS 100000000

typedef struct tw_plan_axis {
    const double *values; /* [n], finite; borrowed */
    size_t n;             /* >= 1 */
} tw_plan_axis;

/* Puts one value of each axis into a stage. Called from several threads at once: `user` is read only. A failure makes
 * the point a failed one; its record goes to `ctx`, which is the calling thread's own. */
typedef tw_status tw_plan_stage_fn(tw_ctx *ctx, const double *values, const void *user, tw_half_bridge *stage);

typedef struct tw_plan_request {
    size_t n_axes; /* 1 or 2 */
    tw_plan_axis axes[TW_PLAN_AXES];
    uint64_t columns; /* choice of columns; 0: only the verdict */
    tw_plan_stage_fn *stage;
    const void *user;
    unsigned threads; /* 0: as many as the machine has */
} tw_plan_request;

typedef struct tw_plan_map {
    size_t n_points;                       /* product of the axes' lengths; axis 0 varies fastest */
    double *columns[TW_PLAN_COLUMN_COUNT]; /* [n_points], NULL where not asked for; NaN at failed points */
    unsigned char *commutation;            /* [n_points] of tw_commutation; unknown at failed points */
    size_t n_failed;                       /* points without a solution */
    size_t first_failed;                   /* the one with the lowest number */
    tw_error first_error;                  /* why; status TW_OK where none failed */
} tw_plan_map;

/* Solves every point. Progress and cancelling go through `ctx`, from the calling thread only, several times a second;
 * after a cancel nothing is left. Errors: TW_BAD_ARGUMENT (no axis, an empty one, a value that is not finite),
 * TW_TOO_LARGE, TW_NO_MEMORY, TW_CANCELLED. Points that fail are counted, not an error. */
tw_status tw_plan_map_solve(tw_ctx *ctx, const tw_plan_request *request, tw_plan_map *out) TW_MUST_USE;
void tw_plan_map_dispose(tw_plan_map *map);

/* ---- along one axis -------------------------------------------------------------------------------- */

/* A stretch of the axis with one verdict. Neighbours share their border. */
typedef struct tw_plan_region {
    double from, to;
    tw_commutation verdict; /* unknown: the points failed */
} tw_plan_region;

/* The stretches along the only axis of a solved map, ascending or descending as the axis is. Borders are bisected with
 * the engine to 1e-9 of the axis's span; a stretch between two neighbouring points of equal verdict is not looked for.
 * *regions goes to the caller (tw_free). */
tw_status tw_plan_find_regions(tw_ctx *ctx, const tw_plan_request *request, const tw_plan_map *map,
                               tw_plan_region **regions, size_t *n_regions) TW_MUST_USE;

/* Where along the axis a result takes a value. */
typedef struct tw_plan_solution {
    double at;
    bool inductive; /* switching above the resonance; false also where there is no resonance */
    tw_half_bridge stage;
    tw_operating_point point;
} tw_plan_solution;

#define TW_PLAN_MOST_SOLUTIONS 32

typedef struct tw_plan_inverse {
    double least, least_at, most, most_at; /* of the column over the axis, extremes refined; NaN: no point has it */
    size_t n_solutions;                    /* ascending in `at` */
    tw_plan_solution solutions[TW_PLAN_MOST_SOLUTIONS];
    size_t recommended; /* number of the solution to take; n_solutions where none is inductive */
} tw_plan_inverse;

/* All places where `column` equals `target` along the only axis of the map (ascending values, solved with that column):
 * every pair of neighbouring points with a change of sign between them is closed in on by Brent's method on the engine,
 * and so are the two sides of every extreme between points that may reach the target; the result is not taken to be
 * monotonic. A jump across the target is no solution. Closer together than the points of the axis, two solutions are
 * seen only about an extreme.
 * Recommended: of the inductive solutions the one with the mildest verdict, among equals the largest zero-crossing
 * margin. Errors: TW_TOO_LARGE for more than TW_PLAN_MOST_SOLUTIONS. No solution is no error. */
tw_status tw_plan_solve_for(tw_ctx *ctx, const tw_plan_request *request, const tw_plan_map *map, tw_plan_column column,
                            double target, tw_plan_inverse *out) TW_MUST_USE;

#endif

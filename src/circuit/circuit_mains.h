/* Half bridge with its rail capacitor fed from rectified mains: network table. */
#ifndef TANKWRIGHT_CIRCUIT_MAINS_H
#define TANKWRIGHT_CIRCUIT_MAINS_H

#include "circuit_half_bridge.h"

/* Valves beyond the leg's four: the diode pairs that carry positive and negative source current. */
enum { TW_RECTIFIER_POSITIVE = 4, TW_RECTIFIER_NEGATIVE, TW_MAINS_VALVES };

/* Modes: leg state (0 floating, valve k alone in k + 1) x rectifier state (0 blocked, 1 positive, 2 negative). */
enum { TW_MAINS_LEG_STATES = 5, TW_MAINS_MODES = 15 };

typedef struct tw_mains_model {
    tw_half_bridge stage;
    tw_mains_supply supply;
    double midpoint_capacitance_f;
    double peak_v;                              /* of the mains */
    size_t v_c, v_m, v_r, source, sine, cosine; /* state numbers; source: current; sine, cosine: V */
    tw_network net;
    tw_mode modes[TW_MAINS_MODES];
    tw_valve valves[TW_MAINS_VALVES];
    tw_decomposition decompositions[TW_MAINS_MODES];
} tw_mains_model;

/* Stage and supply must have passed their checks. */
tw_status tw_mains_build(tw_ctx *ctx, const tw_half_bridge *stage, const tw_mains_supply *supply,
                         tw_mains_model *model) TW_MUST_USE;

/* Leg valve that conducts in a mode, TW_NO_VALVE where it floats. */
size_t tw_mains_leg_valve(size_t mode);

/* +1, -1 or 0: sign of the source current in a mode. */
int tw_mains_rectifier_sign(size_t mode);

/* Energy in all inductances and capacitances. */
double tw_mains_stored(const tw_mains_model *model, const double *x);

#endif

/* Half bridge on a constant rail: builds the network and the functionals of its signals. */
#ifndef TANKWRIGHT_CIRCUIT_HALF_BRIDGE_H
#define TANKWRIGHT_CIRCUIT_HALF_BRIDGE_H

#include "circuit_shoot.h"

enum { TW_HIGH_TRANSISTOR, TW_HIGH_DIODE, TW_LOW_TRANSISTOR, TW_LOW_DIODE };

/* "high transistor", ... */
const char *tw_half_bridge_valve_name(size_t valve);

/* Modes: floating, then valve k alone in mode k + 1. */
enum { TW_FLOATING };

typedef struct tw_half_bridge_model {
    tw_half_bridge stage;
    double midpoint_capacitance_f; /* both snubbers, with the floor */
    size_t v_c, v_m;               /* state numbers; the coil current is state 0, branch k is state k */
    tw_network net;
    tw_half_wave drive;
    tw_mode modes[5];
    tw_valve valves[4];
    tw_decomposition decompositions[5];
} tw_half_bridge_model;

/* Stage must have passed tw_half_bridge_check. */
tw_status tw_half_bridge_build(tw_ctx *ctx, const tw_half_bridge *stage, tw_half_bridge_model *model) TW_MUST_USE;

/* Signal as a functional of the state in a mode. */
void tw_half_bridge_signal(const tw_half_bridge_model *model, size_t mode, tw_signal signal, tw_functional *out);

/* Charge that a jump adds to the signal's integral (devices' and supply currents), coulomb. */
double tw_half_bridge_jump_charge(const tw_half_bridge_model *model, const tw_jump *jump, tw_signal signal);

/* Energy stored in coil, pan branches, capacitors and snubbers. */
double tw_half_bridge_stored(const tw_half_bridge_model *model, const double *x);

/* Start for the shooting: the first harmonics of the midpoint's trapezoid on the tank. */
void tw_half_bridge_guess(const tw_half_bridge_model *model, double *x, size_t *mode);

/* As tw_load_resonance; NaN where there is none. */
double tw_load__resonance_hz(const tw_load *load, double capacitance_f);

#endif

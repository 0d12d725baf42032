/* Half bridge with any duty, full bridge, single switch on a constant rail: one builder for all of them. */
#ifndef TANKWRIGHT_CIRCUIT_STAGE_H
#define TANKWRIGHT_CIRCUIT_STAGE_H

#include "circuit_half_bridge.h"

enum { TW_STAGE_MODES = 25, TW_STAGE_VALVES = 8 };

/* A midpoint with its valves. `outward` +1: a positive coil current leaves it. */
typedef struct tw_leg {
    size_t node;
    double outward;
    double capacitance_f;
    size_t first_valve, n_valves; /* kinds TW_HIGH_TRANSISTOR .. TW_LOW_DIODE, or the low two only */
    size_t n_states, stride;      /* leg state s (0 floating, k + 1 valve k) is mode / stride % n_states */
} tw_leg;

typedef struct tw_stage_model {
    tw_stage stage;
    size_t v_c; /* state number; TW_NO_NODE in the single-switch stage */
    size_t n_legs;
    tw_leg legs[2];
    tw_network net;
    tw_half_wave drive; /* a whole period; the network's mirror is the identity */
    tw_mode modes[TW_STAGE_MODES];
    tw_valve valves[TW_STAGE_VALVES];
    tw_decomposition decompositions[TW_STAGE_MODES];
} tw_stage_model;

tw_status tw_stage_build(tw_ctx *ctx, const tw_stage *stage, tw_stage_model *model) TW_MUST_USE;

/* Valve of a leg that conducts in a mode, TW_NO_VALVE where it floats. */
size_t tw_stage_valve(const tw_stage_model *model, size_t mode, size_t leg);

/* TW_HIGH_TRANSISTOR .. TW_LOW_DIODE. */
size_t tw_stage_kind(const tw_stage_model *model, size_t valve);

/* Start for the shooting. */
void tw_stage_guess(const tw_stage_model *model, double *x, size_t *mode);

/* As tw_cycle_sample's signals; false where the stage has none of it. */
bool tw_stage_signal(const tw_stage_model *model, size_t mode, tw_signal signal, tw_functional *out);

double tw_stage_stored(const tw_stage_model *model, const double *x);

/* Sums over pieces. */
typedef struct tw_stage_sums {
    double i2, v2, vi, v_c, pan, supply, forced, throughput;
    double loss[2];
    double charge[TW_STAGE_VALVES], square[TW_STAGE_VALVES], peak[TW_STAGE_VALVES];
    double i_peak, v_peak, v_c_most, v_c_least;
    double i_re, i_im, v_re, v_im, drive_re, drive_im; /* fundamental, without the factor 2/T */
} tw_stage_sums;

void tw_stage_start_sums(const tw_stage_model *model, const double *x, tw_stage_sums *sums);
void tw_stage_add_piece(const tw_stage_model *model, const tw_piece *piece, tw_counts *counts, tw_stage_sums *sums);
/* Energies of the sums between two states. */
void tw_stage_energy(const tw_stage_model *model, const tw_stage_sums *sums, const double *from, const double *to,
                     tw_energy *out);

#endif

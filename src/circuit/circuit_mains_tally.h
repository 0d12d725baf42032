/* What is added up along a mains run, piece by piece. */
#ifndef TANKWRIGHT_CIRCUIT_MAINS_TALLY_H
#define TANKWRIGHT_CIRCUIT_MAINS_TALLY_H

#include "circuit_mains.h"

/* A commutation on the way, from its turn-off to the next one's. Times count from the run's start. */
typedef struct tw_mains_edge {
    bool open;                                /* one is on the way */
    tw_mains_cycle *row;                      /* where it is written; NULL: not recorded */
    size_t which;                             /* 0 falling, 1 rising */
    double turn_off_s, turn_off_a, turn_on_s; /* turn_on NaN until the other gate closes */
    double done_s;                            /* the other side's diode took over within the dead time; NaN */
    double zero_s;                            /* first zero crossing after turn-off; NaN */
    bool sprang_back;
} tw_mains_edge;

typedef struct tw_mains_tally {
    const tw_mains_model *model;
    tw_mains_result *result; /* energies, extremes, events of recorded pieces */
    tw_mains_cycle *row;     /* the present cycle's; NULL: not recorded */
    bool recording;
    double cycle_start_s; /* on the run's clock */
    double record_start_s;
    size_t last_mode;
    tw_mains_edge edge;
    double last_fall_s[2];               /* of the coil current, and of its negative */
    double half_coil_j, half_supplied_j; /* of the present half cycle */
    double source2, coil_j;              /* integral of the source current's square, energy into the coil, recorded */
    double i2;                           /* integral of i^2 over the present cycle */
    double cycle_coil_j;
    unsigned harmonics;
    double fourier[TW_MAINS_HARMONICS + 1][2];
} tw_mains_tally;

/* Adds a piece's integrals and extremes: an observer of the run, `user` the tally. */
tw_run_observer tw_mains_tally_piece;

/* Reads events and commutations off the run's pieces. */
void tw_mains_tally_pieces(tw_mains_tally *tally, const tw_run *run);

/* The gate of the conducting side opens: ends the edge before and begins one. */
void tw_mains_tally_open(tw_mains_tally *tally, const tw_run *run, size_t which, tw_mains_cycle *row);
/* The other gate closes. */
void tw_mains_tally_close(tw_mains_tally *tally, const tw_run *run);

#endif

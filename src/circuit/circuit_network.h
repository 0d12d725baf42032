/* A switched network: a table of conduction states (modes), each a linear network x' = A x + b, and the valves
 * (switches, diodes) whose conduction says which mode holds. Nothing here knows what a half bridge is: a builder
 * fills this record, the propagation, event and steady-state code only reads it.
 *
 * A state may be slaved in a mode: while a valve holds a node on its drop, that node's voltage is a linear function
 * of the other states. Slaved states have no row in A (their columns are substituted), so a mode never carries the
 * neutral direction that a redundant equation would bring.
 *
 * Valve laws (docs/theory.md, "Conduction states"):
 *   on    its current functional must stay >= 0; it leaves where that falls through 0
 *   off   its excess must stay <= 0; it takes over where that rises through 0 (a switch only with its gate on)
 *   excess_bare = forward voltage - threshold, excess = excess_bare - slope * forward leg current. A valve takes
 *   charge only while both are positive: against an adverse current its drop is the bare threshold.
 */
#ifndef TANKWRIGHT_CIRCUIT_NETWORK_H
#define TANKWRIGHT_CIRCUIT_NETWORK_H

#include "tankwright/circuit.h"

#define TW_N 20          /* most states: 12 branches and the stage's own */
#define TW_MAX_VALVES 8  /* two legs */
#define TW_MAX_MODES 25  /* likewise */
#define TW_MAX_SLAVED 2  /* slaved states of one mode */
#define TW_MAX_JUMPING 4 /* states that jump together */
#define TW_NO_VALVE 0xffu
#define TW_NO_NODE 0xffu

/* c . x + d */
typedef struct tw_functional {
    double c[TW_N];
    double d;
} tw_functional;

/* A functional in a mode's modal coordinates: constant, drift, row. */
typedef struct tw_modal_row {
    double k0, k1, row[TW_N];
} tw_modal_row;

typedef struct tw_slave {
    size_t state;
    tw_functional law; /* over the other states */
} tw_slave;

typedef struct tw_mode {
    unsigned on;                   /* bit k: valve k conducts */
    double a[TW_N][TW_N], b[TW_N]; /* rows and columns of slaved states stay zero */
    size_t n_slaved;
    tw_slave slave[TW_MAX_SLAVED];
    tw_functional current[TW_MAX_VALVES]; /* forward current of each valve that is on */
    /* filled by tw_network_prepare */
    size_t decomposition;
    double equilibrium[TW_N]; /* modal coordinates; 0 along zero eigenvalues */
    double drift[TW_N];       /* modal rate along zero eigenvalues */
    double fixed[TW_N];       /* full state that belongs to `equilibrium` */
    double moving[TW_N];      /* full-state rate that belongs to `drift` */
    bool drifts;
    tw_modal_row watch[TW_MAX_VALVES]; /* of each valve: its current where on, else its excess */
} tw_mode;

typedef struct tw_valve {
    const char *name;          /* for messages */
    bool gated;                /* a switch: takes over only while its gate is on */
    unsigned replaces;         /* valves that cannot conduct beside this one */
    unsigned mates;            /* valves across the same two nodes: while one conducts, closing this one does nothing */
    size_t node;               /* state that jumps when this valve closes on voltage; TW_NO_NODE: none can */
    double node_capacitance_f; /* charge through the valve per volt of that jump */
    size_t n_jumping;          /* states that jump with it, */
    size_t jumping[TW_MAX_JUMPING];
    double per_volt[TW_MAX_JUMPING]; /* by so much per volt; the node itself is not among them */
    tw_functional voltage;           /* forward voltage */
    tw_functional excess_bare;       /* forward voltage - threshold */
    tw_functional excess;            /* forward voltage - threshold - slope * forward leg current */
} tw_valve;

/* Natural motion of the states of a mode: x = V y, y' = D y, in the layout of tw_eigen_decompose. Shared by modes that
 * differ in b only. */
typedef struct tw_decomposition {
    size_t n;           /* dynamic states */
    size_t index[TW_N]; /* which of the network's states they are */
    bool modal;         /* false: (nearly) defective, use the matrix exponential */
    double re[TW_N], im[TW_N];
    double size[TW_N];          /* |eigenvalue| */
    size_t n_terms, term[TW_N]; /* modes that move: a pair counts once, eigenvalue 0 not at all */
    double v[TW_N][TW_N];       /* full states x modes, slaved rows included */
    double w[TW_N][TW_N];       /* modes x dynamic states */
    double fastest;             /* largest |eigenvalue| */
    double growth;              /* largest rate at which the scaled state's norm can grow, >= 0 (matrix route) */
} tw_decomposition;

/* Half-wave symmetry: x -> sign * x + offset maps the network on itself with the valves exchanged in pairs. */
typedef struct tw_mirror {
    double sign[TW_N], offset[TW_N];
    size_t valve[TW_MAX_VALVES];
    size_t mode[TW_MAX_MODES];
} tw_mirror;

typedef struct tw_network {
    size_t n, n_modes, n_valves;
    double scale[TW_N]; /* weights that make |scale * x|^2 / 2 the stored energy: well-conditioned modes */
    tw_mode *modes;     /* [n_modes], the builder's */
    tw_valve *valves;   /* [n_valves] */
    tw_mirror mirror;
    double voltage_scale_v; /* typical node voltage, for telling rounding from voltage */
    size_t n_decompositions;
    tw_decomposition *decompositions; /* [n_modes] */
} tw_network;

/* fmax and fmin for numbers: inlined, unlike the library's. */
static inline double tw_larger(double a, double b) {
    return a > b ? a : b;
}

static inline double tw_smaller(double a, double b) {
    return a < b ? a : b;
}

/* f in the coordinates of a modal mode. */
void tw_functional_to_modal(const tw_network *net, const tw_mode *mode, const tw_functional *f, tw_modal_row *out);

/* Empties the table for n states; the rest of the record need not be set before. */
void tw_network_clear(tw_network *net, size_t n, size_t n_modes, size_t n_valves);

/* Eigenvectors of a matrix that couples nothing but state 0 with the others (n x n, row-major; a coil with whatever
 * hangs on it), in the layout of tw_eigen_decompose with `condition` likewise. False where this is not such a matrix
 * or one outside the closed form: then nothing is set. */
bool tw_star_decompose(size_t n, const double *a, double *re, double *im, double *v, double *w, double *condition);

/* Decomposes every mode. */
tw_status tw_network_prepare(tw_ctx *ctx, tw_network *net) TW_MUST_USE;

/* Mode in which exactly these valves conduct; n_modes where the table has none. */
size_t tw_network_find_mode(const tw_network *net, unsigned on);

double tw_functional_value(const tw_network *net, const tw_functional *f, const double *x);

/* Full-state rate of change in a mode. */
void tw_mode_rate(const tw_network *net, const tw_mode *mode, const double *x, double *rate);

/* Puts the slaved states on their laws. */
void tw_mode_enslave(const tw_mode *mode, size_t n, double *x);

/* out = derivative of f along the mode's motion, again a functional of the full state. */
void tw_functional_rate(const tw_network *net, const tw_mode *mode, const tw_functional *f, tw_functional *out);

/* out = f after the mirror: out(x) = f(mirror(x)). */
void tw_functional_mirror(const tw_network *net, const tw_functional *f, tw_functional *out);

void tw_network_mirror_state(const tw_network *net, const double *x, double *out);

#endif

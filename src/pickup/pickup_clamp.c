/* The clamp: two strings of junction diodes in antiparallel across the burden. Our model, not a data-sheet law.
 *
 * A string of m junctions carries I0 exp(v/(m n V_T)); both strings together I0 2 sinh(...), written here as
 *     i_c(v) = I0 sinh(v/V_s).
 * One number is known of a clamp, the onset V_c where it begins to conduct. We take
 *     V_s = V_c/10            (0.5 V and n V_T = 50 mV a junction: a silicon rectifier at milliamperes)
 *     i_c(V_c) = 1e-4 V_c/R_b  (what "begins to conduct" means)
 * so that, with x = v/V_s and z = R_b i_s/V_s, the law i_s = v/R_b + i_c(v) is x + K sinh x = z with a pure number K.
 * i_c/(v/R_b) grows with v, so below the onset the clamp takes less than 1e-4 of the burden's current.
 * Derivation: docs/theory.md "Pick-ups". */
#include "pickup_private.h"

#include <math.h>

/* The clamp's share of the burden's current at the onset. */
#define ONSET_SHARE 1e-4

/* sinh(10): the onset in units of the scale is 10. */
#define SINH_ONSET 11013.232874703393

/* I0 R_b/V_s: ONSET_SHARE * 10 / sinh(10). */
#define K (ONSET_SHARE / TW_PICKUP_CLAMP_SCALE / SINH_ONSET)

/* Newton from the right of the root, where x + K sinh x - z is positive, growing and convex: it descends to the root
 * without overshoot. A dozen steps suffice for any double; the cap only keeps a non-number from looping. */
#define MOST_STEPS 60

double tw_pickup__clamp_bend(double z, double *slope, double *excess) {
    const double size = fabs(z);
    double x = fmin(size, asinh(size / K));
    double bent = 0, rise = 0;
    for (int k = 0; k < MOST_STEPS; k++) {
        const double up = exp(x), down = 1 / up;
        bent = K * 0.5 * (up - down);
        rise = K * 0.5 * (up + down);
        const double step = (x + bent - size) / (1 + rise);
        x -= step;
        if (!(step > 1e-9 * x)) {
            /* One more step would change x by the square of this one: only the derived values are brought along. */
            bent -= rise * step;
            rise -= bent * step;
            break;
        }
    }
    *slope = 1 / (1 + rise);
    *excess = copysign(bent, z);
    return copysign(x, z);
}

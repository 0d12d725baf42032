/* What the rig's stated uncertainties make of the forecast.
 *
 * Law of propagation for independent inputs, with the numerical sensitivities of JCGM 100:2008, 5.1.3 note 2: each
 * stated value is moved by its standard uncertainty up and down, the operating point is solved again, and half the
 * difference is that input's share; the shares add in quadrature. Steps of u, not smaller ones, because commutation
 * bends within an uncertainty. Where one of the two points cannot be solved or lacks the quantity, the share is the
 * one-sided difference.
 *
 * A verdict that changes within one standard uncertainty of an input is told as a warning. */
#include "study_internal.h"

#include <math.h>
#include <string.h>

/* Differences below this share of a value are rounding. */
#define ROUNDING 1e-10

/* The rig's operating point with one value moved; `solved` false where that point does not exist. */
static tw_status solve_moved(tw_ctx *ctx, const tw_rig *rig, size_t offset, double step, tw_reading *out,
                             bool *solved) {
    tw_rig moved = *rig;
    tw_value value;
    memcpy(&value, (const char *)rig + offset, sizeof value);
    value.value += step;
    memcpy((char *)&moved + offset, &value, sizeof value);
    tw_half_bridge stage;
    tw_steady *steady = NULL;
    tw_status status = tw_study_stage(ctx, &moved, &stage);
    if (status == TW_OK) {
        status = tw_steady_solve(ctx, &stage, NULL, &steady);
    }
    *solved = status == TW_OK;
    if (status == TW_NO_MEMORY || status == TW_CANCELLED) {
        return status;
    }
    if (!*solved) {
        tw_ctx_clear_error(ctx); /* an illegal neighbour is no failure of the forecast */
        return TW_OK;
    }
    memset(out, 0, sizeof *out);
    tw_study__read_point(&moved, &stage, tw_steady_point(steady), out);
    tw_steady_destroy(steady);
    return TW_OK;
}

/* The share of one input in one quantity, into the quantity's uncertainty. */
static void add_share(tw_value *to, const tw_value *down, const tw_value *up) {
    const bool below = down != NULL && isfinite(down->value), above = up != NULL && isfinite(up->value);
    if (!isfinite(to->value) || !(below || above)) {
        return;
    }
    const double share = 0.5 * ((above ? up->value : 2.0 * to->value - down->value) -
                                (below ? down->value : 2.0 * to->value - up->value));
    if (fabs(share) > ROUNDING * fabs(to->value)) {
        to->u = hypot(to->u, share);
    }
}

/* All readings come from the same tables: field k of one is field k of the others. */
static void add_shares(tw_reading *to, const tw_reading *down, const tw_reading *up) {
    for (size_t k = 0; k < to->n_fields; k++) {
        if (strcmp(to->fields[k].key, "energy_residual") != 0) { /* rounding only */
            add_share(&to->fields[k].value, down != NULL ? &down->fields[k].value : NULL,
                      up != NULL ? &up->fields[k].value : NULL);
        }
    }
    for (size_t e = 0; e < 2; e++) {
        for (size_t k = 0; k < to->edges[e].n_fields; k++) {
            add_share(&to->edges[e].fields[k].value, down != NULL ? &down->edges[e].fields[k].value : NULL,
                      up != NULL ? &up->edges[e].fields[k].value : NULL);
        }
    }
}

static tw_status warn_of_verdict(tw_ctx *ctx, tw_reading *reading, const char *key, const tw_reading *side,
                                 bool higher) {
    if (side == NULL || side->commutation == reading->commutation) {
        return TW_OK;
    }
    return tw_warn(ctx, &reading->warnings, "verdict_within_uncertainty",
                   "the commutation hangs on values that are not known well enough: with %s one standard uncertainty "
                   "%s it is %s",
                   key, higher ? "higher" : "lower", tw_commutation_word(side->commutation));
}

static tw_status spread_one(tw_ctx *ctx, const tw_rig *rig, const tw_study__knob *knob, double u, tw_reading *scratch,
                            tw_reading *out) {
    bool below = false, above = false;
    TW_TRY(solve_moved(ctx, rig, knob->offset, -u, &scratch[0], &below));
    TW_TRY(solve_moved(ctx, rig, knob->offset, u, &scratch[1], &above));
    const tw_reading *down = below ? &scratch[0] : NULL, *up = above ? &scratch[1] : NULL;
    add_shares(out, down, up);
    TW_TRY(warn_of_verdict(ctx, out, knob->key, down, false));
    return warn_of_verdict(ctx, out, knob->key, up, true);
}

tw_status tw_study__spread(tw_ctx *ctx, const tw_rig *rig, tw_reading *out) {
    tw_reading *scratch = tw_alloc(ctx, 2, sizeof *scratch);
    tw_status status = scratch != NULL ? TW_OK : TW_NO_MEMORY;
    const tw_study__knob *knob = NULL;
    for (size_t k = 0; status == TW_OK && (knob = tw_study__knob_at(k)) != NULL; k++) {
        tw_value value;
        memcpy(&value, (const char *)rig + knob->offset, sizeof value);
        if (tw_is_known(value) && value.u > 0.0) {
            status = spread_one(ctx, rig, knob, value.u, scratch, out);
        }
    }
    tw_free(scratch);
    return status;
}

/* Do the beliefs agree with the record and with each other? Any two of rail, capacitance and loop gain over-determine
 * the calibration:
 *     S/alpha = V_r C/kappa  speaks of the current channel alone,
 *     S = g V_r              of the voltage channel alone,
 *     alpha = g kappa/C      of both.
 * A ratio that is off by far more than its uncertainty names the channel; a factor of ten is a probe's switch.
 */
#include "reveal_internal.h"

#include <math.h>

/* Disagreements below 1 % are nobody's probe; ours. */
#define ALLOWANCE_U2 1e-4
/* Standard deviations that a wrong scale must stand out. */
#define SURE 4.0
/* chi-square per degree of freedom that is no accident any more (five standard deviations for one). */
#define SURE_CHI_SQUARE 25.0

static double relative_u2(tw_value v) {
    return v.value != 0 ? pow(v.u / v.value, 2) : 0.0;
}

static bool off(double ratio, double u2) {
    return fabs(log(ratio)) > SURE * sqrt(u2 + ALLOWANCE_U2);
}

static bool by_ten(double ratio) {
    return fabs(fabs(log10(ratio)) - 1.0) < 0.1;
}

tw_status tw_reveal__consistency(tw_ctx *ctx, const tw_reveal__work *w, const tw_reveal__calibration *cal,
                                 const tw_reveal__solution *s, tw_warnings *warnings) {
    const tw_prior *const p = &w->prior;
    const bool rail = tw_is_known(p->rail_v), gain = tw_is_known(p->loop_gain);
    const bool capacitance = tw_is_known(p->capacitance_f) && !cal->lost;
    const double step_u2 = relative_u2((tw_value){cal->step, sqrt(cal->covariance[5])});
    const double kappa_u2 = relative_u2(p->burden_ohm) + relative_u2(p->turns) +
                            relative_u2((tw_value){cal->alpha, sqrt(cal->covariance[0])});
    const size_t before = warnings->count;
    if (rail && capacitance) {
        const double ratio = cal->step / cal->alpha / (p->rail_v.value * p->capacitance_f.value);
        if (off(ratio, relative_u2(p->rail_v) + relative_u2(p->capacitance_f) + kappa_u2)) {
            TW_TRY(tw_warn(
                ctx, warnings, "inconsistent_current_scale",
                "the record says %.3g times the current that rail voltage and capacitance allow: check the current "
                "channel's probe factor%s, the transformer's turns and burden, or the stated capacitance",
                ratio, by_ten(ratio) ? " (it looks wrong by 10)" : ""));
        }
    }
    if (rail && gain) {
        const double ratio = cal->step / (p->rail_v.value * p->loop_gain.value);
        if (off(ratio, relative_u2(p->rail_v) + relative_u2(p->loop_gain) + step_u2)) {
            TW_TRY(tw_warn(ctx, warnings, "inconsistent_voltage_scale",
                           "the voltage channel shows %.3g times what rail voltage and loop gain allow: check the "
                           "voltage channel's probe factor%s or the stated gain",
                           ratio, by_ten(ratio) ? " (it looks wrong by 10)" : ""));
        }
    }
    if (capacitance && gain && !rail) {
        const double ratio = p->loop_gain.value / (cal->alpha * p->capacitance_f.value);
        if (off(ratio, relative_u2(p->capacitance_f) + relative_u2(p->loop_gain) + kappa_u2)) {
            TW_TRY(tw_warn(ctx, warnings, "inconsistent_priors",
                           "loop gain, capacitance and the current channel's scale contradict each other by a factor "
                           "of %.3g: check the probe factors%s",
                           ratio, by_ten(ratio) ? " (one looks wrong by 10)" : ""));
        }
    }
    const bool named = warnings->count > before;
    if (!named && s->degrees_of_freedom > 0 && s->chi_square > SURE_CHI_SQUARE * (double)s->degrees_of_freedom) {
        TW_TRY(tw_warn(ctx, warnings, "inconsistent_priors",
                       "the stated values fit the record badly (chi-square %.3g for %zu degrees of freedom)",
                       s->chi_square, s->degrees_of_freedom));
    }
    return cal->lost ? tw_warn(ctx, warnings, "capacitor_voltage_lost",
                               "the capacitor's voltage is lost in the noise%s: record nearer to resonance or with "
                               "more bits",
                               tw_is_known(p->capacitance_f) ? "; the stated capacitance is taken as it is"
                                                             : ", so capacitance and resonance cannot be told")
                     : TW_OK;
}

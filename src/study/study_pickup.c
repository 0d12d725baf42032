/* The pick-ups of a rig: what flows at its operating point, burdens for a wanted scale, and the plan put together. The
 * operating point is the forecast's best estimate. */
#include "study_pickup_internal.h"

#include <math.h>
#include <string.h>

#define WAVE_SAMPLES 2048
/* From this probe factor on a dividing probe is meant. */
#define DIVIDING_FROM 5.0

tw_pickup_opts tw_pickup_opts_default(void) {
    return (tw_pickup_opts){.scale_v_per_a = NAN, .lowest_hz = NAN, .direct_a = 0};
}

void tw_study__add_pickup(tw_pickup_plan *plan, const char *key, const char *label, const char *unit,
                          tw_pickup_group group, tw_value value) {
    if (tw_is_known(value) && plan->n_fields < TW_PICKUP_FIELDS) {
        plan->fields[plan->n_fields++] = (tw_field){key, label, unit, value, (int)group};
    }
}

const tw_field *tw_pickup_plan_field(const tw_pickup_plan *plan, const char *key) {
    for (size_t k = 0; k < plan->n_fields; k++) {
        if (strcmp(plan->fields[k].key, key) == 0) {
            return &plan->fields[k];
        }
    }
    return NULL;
}

tw_value tw_study__probe(tw_value given, const tw_rig_channel *channel, double plain, double dividing) {
    const double factor = tw_is_known(channel->probe_factor) ? channel->probe_factor.value : 1;
    return tw_is_known(given) ? given : tw_exactly(factor >= DIVIDING_FROM ? dividing : plain);
}

/* ---- what flows ---- */

static tw_status sample_flow(tw_study__pickup_work *w, const tw_steady *steady) {
    tw_study__flow *f = &w->flow;
    const tw_operating_point *p = tw_steady_point(steady);
    double *time_s = tw_alloc(w->ctx, 3 * WAVE_SAMPLES, sizeof *time_s);
    if (time_s == NULL) {
        return TW_NO_MEMORY;
    }
    double *const current = time_s + WAVE_SAMPLES, *const voltage = current + WAVE_SAMPLES;
    const double step_s = p->period_s / WAVE_SAMPLES;
    for (size_t k = 0; k < WAVE_SAMPLES; k++) {
        time_s[k] = step_s * (double)k;
    }
    tw_steady_sample(steady, TW_SIGNAL_COIL_CURRENT, time_s, WAVE_SAMPLES, current);
    tw_steady_sample(steady, TW_SIGNAL_COIL_VOLTAGE, time_s, WAVE_SAMPLES, voltage);
    /* the flux follows the integral of the current (the secondary's branch is resistive where it counts) */
    double flux = 0, low = 0, high = 0;
    f->steepest_a_per_s = f->coil_peak_v = 0;
    for (size_t k = 0; k < WAVE_SAMPLES; k++) {
        const double next = current[(k + 1) % WAVE_SAMPLES];
        flux += step_s * (current[k] + next) / 2;
        low = fmin(low, flux);
        high = fmax(high, flux);
        f->steepest_a_per_s = fmax(f->steepest_a_per_s, fabs(next - current[k]) / step_s);
        f->coil_peak_v = fmax(f->coil_peak_v, fabs(voltage[k]));
    }
    tw_free(time_s);
    f->peak_a = p->coil_current_peak_a;
    f->rms_a = p->coil_current_rms_a;
    f->coil_rms_v = p->coil_voltage_rms_v;
    f->lag_rad = p->coil_phase_lag_rad;
    f->crest_of_flux = (high - low) / 2 * 2 * TW_PI * f->frequency_hz / f->peak_a;
    f->known = true;
    return TW_OK;
}

/* Where the rig does not suffice for a forecast the pick-ups can still be told, only not what flows through them. */
static tw_status find_flow(tw_study__pickup_work *w, const tw_pickup_opts *opts) {
    const tw_value frequency = w->rig->bridge.frequency_hz;
    if (!tw_is_known(frequency)) {
        return TW_STUDY_FAIL_KEY(w->ctx, TW_NEEDS_OPTION, "bridge.frequency",
                                 "not known, but the pick-ups' errors depend on it: give it in the rig or with --set");
    }
    w->flow = (tw_study__flow){.frequency_hz = frequency.value,
                               .lowest_hz = isnan(opts->lowest_hz) ? frequency.value : opts->lowest_hz,
                               .direct_a = opts->direct_a,
                               .peak_a = NAN,
                               .rms_a = NAN,
                               .coil_rms_v = NAN,
                               .coil_peak_v = NAN,
                               .lag_rad = NAN,
                               .steepest_a_per_s = NAN,
                               .crest_of_flux = NAN};
    tw_steady *steady = NULL;
    tw_status status = tw_study_stage(w->ctx, w->rig, &w->stage);
    if (status == TW_OK) {
        status = tw_steady_solve(w->ctx, &w->stage, NULL, &steady);
    }
    if (status == TW_OK) {
        status = sample_flow(w, steady);
        tw_steady_destroy(steady);
        return status;
    }
    if (status == TW_NO_MEMORY || status == TW_CANCELLED || status == TW_INTERNAL) {
        return status;
    }
    const tw_error error = *tw_ctx_error(w->ctx);
    tw_ctx_clear_error(w->ctx);
    return tw_warn(w->ctx, &w->plan->warnings, "flow_unknown",
                   "what will flow cannot be forecast (%s%s%.200s): the numbers that depend on it are left out",
                   error.key, error.key[0] != '\0' ? ": " : "", error.message);
}

/* Burdens for the wanted scale, the probe across them counted in; the first stands in for one that is unknown. */
static tw_status choose_burdens(tw_study__pickup_work *w, const tw_pickup_opts *opts) {
    tw_pickup_plan *plan = w->plan;
    const bool wound = w->rig->current_pickup.kind == TW_CURRENT_PICKUP_TRANSFORMER;
    if (isnan(opts->scale_v_per_a)) {
        return TW_OK;
    }
    if (!wound || !tw_is_known(w->pickup.turns)) {
        const char *key = wound ? "pickups.current.turns" : "pickups.current.kind";
        return TW_STUDY_FAIL_KEY(w->ctx, TW_NEEDS_OPTION, key,
                                 wound ? "not known, but a burden cannot be chosen without it"
                                       : "a burden for a wanted scale needs a current transformer");
    }
    const tw_rig_channel *channel = &w->rig->recorder.current;
    const double probe =
        tw_study__probe(channel->probe_resistance_ohm, channel, TW_STUDY_PLAIN_OHM, TW_STUDY_DIVIDING_OHM).value;
    const double turns = w->pickup.turns.value, both = opts->scale_v_per_a * turns;
    if (!(both < probe)) {
        return TW_STUDY_FAIL_KEY(w->ctx, TW_OUT_OF_RANGE, "scale",
                                 "%.4g V/A would need a burden of %.4g ohm, more than the probe across it has",
                                 opts->scale_v_per_a, both);
    }
    const double wanted = both / (1 - both / probe);
    for (int k = 0; k < 2; k++) {
        const double ohm = tw_preferred_value(k == 0 ? TW_SERIES_E24 : TW_SERIES_E96, wanted);
        const double scale = ohm / (1 + ohm / probe) / turns;
        plan->burdens[plan->n_burdens++] =
            (tw_burden_choice){k == 0 ? "E24" : "E96", ohm, scale, scale / opts->scale_v_per_a - 1};
    }
    if (!tw_is_known(w->pickup.burden_ohm)) {
        w->pickup.burden_ohm = tw_exactly(plan->burdens[0].resistance_ohm);
        TW_TRY(tw_warn(w->ctx, &plan->warnings, "burden_chosen",
                       "the rig leaves the burden open: all numbers are for the E24 value, %.4g ohm",
                       plan->burdens[0].resistance_ohm));
    }
    return TW_OK;
}

/* ---- all of it ---- */

static tw_status fill(tw_study__pickup_work *w, const tw_pickup_opts *opts) {
    memcpy(w->plan->title, w->rig->title, sizeof w->plan->title);
    w->plan->current_kind = w->rig->current_pickup.kind;
    w->plan->voltage_kind = w->rig->voltage_pickup.kind;
    w->plan->marked_hz = w->rig->bridge.frequency_hz.value;
    w->pickup = tw_study__resolve_pickup(w->rig);
    TW_TRY(find_flow(w, opts));
    TW_TRY(choose_burdens(w, opts));
    if (w->plan->current_kind != TW_CURRENT_PICKUP_NONE) {
        tw_transformer usable;
        tw_rig complete = *w->rig; /* with the burden that was chosen */
        complete.current_pickup.burden_ohm = w->pickup.burden_ohm;
        TW_TRY(tw_study__transformer(w->ctx, &complete, &usable));
        TW_TRY(tw_study__plan_current(w));
    }
    return w->plan->voltage_kind != TW_VOLTAGE_PICKUP_NONE ? tw_study__plan_loop(w) : TW_OK;
}

static tw_status check_opts(tw_ctx *ctx, const tw_pickup_opts *opts) {
    if (!isnan(opts->scale_v_per_a) && !(opts->scale_v_per_a > 0 && isfinite(opts->scale_v_per_a))) {
        return TW_STUDY_FAIL_KEY(ctx, TW_OUT_OF_RANGE, "scale", "must be above 0 V/A, found %g", opts->scale_v_per_a);
    }
    if (!isnan(opts->lowest_hz) && !(opts->lowest_hz > 0 && isfinite(opts->lowest_hz))) {
        return TW_STUDY_FAIL_KEY(ctx, TW_OUT_OF_RANGE, "lowest", "must be above 0 Hz, found %g", opts->lowest_hz);
    }
    if (!isfinite(opts->direct_a)) {
        return TW_STUDY_FAIL_KEY(ctx, TW_OUT_OF_RANGE, "direct", "must be a current, found %g", opts->direct_a);
    }
    return TW_OK;
}

tw_status tw_study_pickup(tw_ctx *ctx, const tw_rig *rig, const tw_pickup_opts *opts, tw_pickup_plan *out) {
    const tw_pickup_opts used = opts != NULL ? *opts : tw_pickup_opts_default();
    TW_TRY(check_opts(ctx, &used));
    TW_TRY(tw_rig_check(ctx, rig));
    if (rig->current_pickup.kind == TW_CURRENT_PICKUP_NONE && rig->voltage_pickup.kind == TW_VOLTAGE_PICKUP_NONE) {
        return TW_STUDY_FAIL_KEY(ctx, TW_NEEDS_OPTION, "pickups.current.kind", "the rig has no pick-ups to look at");
    }
    tw_pickup_plan plan = {0};
    tw_study__pickup_work w = {.ctx = ctx, .rig = rig, .plan = &plan};
    const tw_status status = fill(&w, &used);
    if (status != TW_OK) {
        tw_pickup_plan_dispose(&plan);
        return status;
    }
    *out = plan;
    return TW_OK;
}

void tw_pickup_plan_dispose(tw_pickup_plan *plan) {
    tw_free(plan->frequency_hz);
    tw_free(plan->ratio_error);
    tw_free(plan->phase_error_deg);
    tw_warnings_dispose(&plan->warnings);
    memset(plan, 0, sizeof *plan);
}

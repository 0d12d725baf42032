/* The numbers of a current pick-up with their uncertainties.
 *
 * All are functions of a dozen inputs; each input is moved by its standard uncertainty up and down, half the difference
 * is its share, shares add in quadrature (JCGM 100:2008, 5.1.2, and 5.1.3 note 2). */
#include "study_pickup_internal.h"

#include <complex.h>
#include <math.h>
#include <string.h>

#define CURVE_POINTS 241
/* A resistor at half its rating stays cool enough to keep its value (common practice, no source). */
#define DERATING 2.0
/* A corner nearer than this many times the frequency rounds the current's corners visibly. */
#define NEAR_CORNER 25.0
/* Of the real power: an error worth a sentence. */
#define NOTABLE_POWER 0.005

/* Every number of the current pick-up that is worked out: identifier, key, label, unit, group, in the order shown. */
#define OUTPUTS(X)                                                                            \
    X(SCALE, "current_scale", "scale", "V/A", SCALE)                                          \
    X(OUTPUT_PEAK, "output_peak", "output to expect, peak", "V", SCALE)                       \
    X(CURRENT_PEAK, "coil_current_peak", "coil current to expect, peak", "A", SCALE)          \
    X(CURRENT_RMS, "coil_current_rms", "coil current to expect, rms", "A", SCALE)             \
    X(CLAMP_LIMIT, "clamp_limit", "linear up to the clamp, peak", "A", RANGE)                 \
    X(SATURATION_LIMIT, "saturation_limit", "linear up to saturation, peak", "A", RANGE)      \
    X(LINEAR_RANGE, "linear_range", "linear range, peak", "A", RANGE)                         \
    X(LOWEST, "lowest_frequency", "saturation told for", "Hz", RANGE)                         \
    X(DIRECT, "direct_current", "saturation with direct current of", "A", RANGE)              \
    X(FLUX_DENSITY, "flux_density_peak", "flux density to expect, peak", "T", RANGE)          \
    X(OPEN_VOLTAGE, "open_burden_voltage", "open without clamp, up to", "V", RANGE)           \
    X(LOW_CORNER, "low_corner", "low corner", "Hz", BAND)                                     \
    X(HIGH_CORNER, "high_corner", "high corner", "Hz", BAND)                                  \
    X(DROOP, "droop", "droop over half a period", "", BAND)                                   \
    X(RATIO_ERROR, "ratio_error", "ratio error", "", BAND)                                    \
    X(PHASE_ERROR, "phase_error", "phase error (leads)", "deg", BAND)                         \
    X(CLASS, "accuracy_class", "within the limits of class", "", BAND)                        \
    X(DISSIPATION, "burden_dissipation", "burden dissipates", "W", BURDEN)                    \
    X(RATING, "burden_rating_wanted", "rating to take, at least", "W", BURDEN)                \
    X(INSERTION_OHM, "insertion_resistance", "in the coil's lead, resistance", "ohm", BURDEN) \
    X(INSERTION_H, "insertion_inductance", "in the coil's lead, inductance", "H", BURDEN)     \
    X(INSERTION_V, "insertion_voltage", "in the coil's lead, rms volts", "V", BURDEN)         \
    X(POWER_ERROR, "real_power_error", "real power off by, if not undone", "", EFFECT)        \
    X(POWER_LEFT, "real_power_error_left", "left of it after analyse, skew aside", "", EFFECT)

typedef enum output_id {
#define OUTPUT_ID(id, key, label, unit, group) OUT_##id,
    OUTPUTS(OUTPUT_ID)
#undef OUTPUT_ID
        N_OUTPUTS
} output_id;

static const tw_field OUTPUT_FIELDS[N_OUTPUTS] = {
#define OUTPUT_FIELD(id, key, label, unit, group) [OUT_##id] = {key, label, unit, {0, 0}, TW_PICKUP_##group},
    OUTPUTS(OUTPUT_FIELD)
#undef OUTPUT_FIELD
};

static tw_value or_nothing(tw_value v, double nothing) {
    return tw_is_known(v) ? v : tw_exactly(nothing);
}

static void gather_inputs(tw_study__pickup_work *w) {
    const tw_rig_current_pickup *p = &w->rig->current_pickup;
    const tw_rig_channel *channel = &w->rig->recorder.current;
    const bool wound = p->kind == TW_CURRENT_PICKUP_TRANSFORMER;
    const tw_value inputs[N_INPUTS] = {
        [IN_TURNS] = w->pickup.turns,
        [IN_BURDEN] = w->pickup.burden_ohm,
        [IN_MAGNETIZING] = or_nothing(w->pickup.magnetizing_inductance_h, INFINITY),
        [IN_WINDING] = or_nothing(w->pickup.winding_resistance_ohm, 0),
        [IN_LEAKAGE] = wound ? or_nothing(p->leakage_inductance_h, 0) : tw_exactly(0),
        [IN_CAPACITANCE] = wound ? or_nothing(p->winding_capacitance_f, 0) : tw_exactly(0),
        [IN_PROBE_OHM] =
            tw_study__probe(channel->probe_resistance_ohm, channel, TW_STUDY_PLAIN_OHM, TW_STUDY_DIVIDING_OHM),
        [IN_PROBE_F] = tw_study__probe(channel->probe_capacitance_f, channel, TW_STUDY_PLAIN_F, TW_STUDY_DIVIDING_F),
        [IN_CLAMP] = w->pickup.clamp_onset_v,
        [IN_AREA] = wound ? w->pickup.area_m2 : tw_unknown(),
        [IN_SATURATION] = wound ? p->core.saturation_t : tw_unknown(),
        [IN_HIGH_CORNER] = wound ? tw_exactly(INFINITY) : or_nothing(p->integrator.high_corner_hz, INFINITY)};
    memcpy(w->in, inputs, sizeof inputs);
}

static tw_sensor sensor_of(const tw_study__pickup_work *w, const double *x) {
    const tw_transformer base = {.turns = x[IN_TURNS],
                                 .burden_ohm = x[IN_BURDEN],
                                 .magnetizing_inductance_h = x[IN_MAGNETIZING],
                                 .winding_resistance_ohm = x[IN_WINDING],
                                 .clamp_onset_v = NAN};
    tw_sensor s = tw_sensor_of(&base);
    s.leakage_inductance_h = x[IN_LEAKAGE];
    s.winding_capacitance_f = x[IN_CAPACITANCE];
    s.probe_resistance_ohm = x[IN_PROBE_OHM];
    s.probe_capacitance_f = x[IN_PROBE_F];
    s.high_corner_hz = x[IN_HIGH_CORNER];
    if (w->rig->current_pickup.kind == TW_CURRENT_PICKUP_ROGOWSKI) {
        s.source_ohm = 0; /* an integrator's output does not care */
    }
    return s;
}

static void compute_range(const tw_study__flow *f, const tw_sensor *s, const double *x, double *y) {
    y[OUT_CLAMP_LIMIT] = x[IN_CLAMP] * x[IN_TURNS] / x[IN_BURDEN];
    y[OUT_SATURATION_LIMIT] =
        tw_sensor_saturation_limit(s, x[IN_AREA], x[IN_SATURATION], f->lowest_hz, f->direct_a); /* NaN if unknown */
    if (isnan(x[IN_AREA]) || isnan(x[IN_SATURATION])) {
        y[OUT_SATURATION_LIMIT] = NAN;
    }
    if (isfinite(y[OUT_SATURATION_LIMIT])) {
        y[OUT_LOWEST] = f->lowest_hz;
        y[OUT_DIRECT] = f->direct_a != 0 ? f->direct_a : (double)NAN;
    }
    y[OUT_LINEAR_RANGE] = fmin(y[OUT_CLAMP_LIMIT], y[OUT_SATURATION_LIMIT]); /* the known one */
    y[OUT_FLUX_DENSITY] =
        tw_sensor_flux_density(s, x[IN_AREA], f->frequency_hz, f->peak_a * f->crest_of_flux, f->direct_a);
    /* an open secondary makes all of the primary current magnetize: the iron's limit, else that of L_m */
    const double w = 2 * TW_PI * f->frequency_hz, by_inductance = w * x[IN_MAGNETIZING] * f->peak_a / x[IN_TURNS];
    y[OUT_OPEN_VOLTAGE] = fmin(by_inductance, w * x[IN_SATURATION] * x[IN_TURNS] * x[IN_AREA]);
    y[OUT_OPEN_VOLTAGE] = isinf(y[OUT_OPEN_VOLTAGE]) ? (double)NAN : y[OUT_OPEN_VOLTAGE];
}

/* The phase that stays when analyse has undone what the transformer's own four numbers do: of leakage, winding and
 * probe capacitance, high corner. */
static double phase_left(const tw_sensor *s, double frequency_hz, double *ratio_left) {
    const tw_sensor undone = tw_sensor_of(&s->base);
    double ratio, ratio_undone, phase, phase_undone;
    tw_sensor_errors(s, frequency_hz, &ratio, &phase);
    tw_sensor_errors(&undone, frequency_hz, &ratio_undone, &phase_undone);
    *ratio_left = (1 + ratio) / (1 + ratio_undone) - 1;
    return phase - phase_undone;
}

static double power_left(const tw_sensor *s, const tw_study__flow *f) {
    double ratio;
    const double phase = phase_left(s, f->frequency_hz, &ratio);
    return tw_power_error(ratio, phase, f->lag_rad);
}

static void compute(const tw_study__pickup_work *w, const double *x, double *y) {
    const tw_study__flow *f = &w->flow;
    const tw_sensor s = sensor_of(w, x);
    const bool wound = w->rig->current_pickup.kind == TW_CURRENT_PICKUP_TRANSFORMER;
    for (size_t k = 0; k < N_OUTPUTS; k++) {
        y[k] = NAN;
    }
    double re, im;
    tw_sensor_errors(&s, f->frequency_hz, &y[OUT_RATIO_ERROR], &y[OUT_PHASE_ERROR]);
    y[OUT_SCALE] = tw_transformer_scale(&s.base);
    y[OUT_CURRENT_PEAK] = f->peak_a;
    y[OUT_CURRENT_RMS] = f->rms_a;
    y[OUT_OUTPUT_PEAK] = f->peak_a * y[OUT_SCALE];
    y[OUT_LOW_CORNER] = tw_sensor_low_corner(&s);
    if (x[IN_LEAKAGE] > 0 || x[IN_CAPACITANCE] > 0 || isfinite(x[IN_HIGH_CORNER])) { /* else nobody knows it */
        y[OUT_HIGH_CORNER] = tw_sensor_high_corner(&s);
    }
    y[OUT_DROOP] = tw_sensor_droop(&s, 0.5 / f->frequency_hz);
    y[OUT_CLASS] = tw_accuracy_class(y[OUT_RATIO_ERROR], y[OUT_PHASE_ERROR]);
    y[OUT_POWER_LEFT] = power_left(&s, f);
    y[OUT_POWER_ERROR] = tw_power_error(y[OUT_RATIO_ERROR], y[OUT_PHASE_ERROR], f->lag_rad);
    y[OUT_PHASE_ERROR] *= 180 / TW_PI;
    if (wound) {
        compute_range(f, &s, x, y);
        const double complex volts_per_a = y[OUT_SCALE] * (1 + y[OUT_RATIO_ERROR]);
        y[OUT_DISSIPATION] = pow(cabs(volts_per_a) * f->rms_a, 2) / x[IN_BURDEN];
        y[OUT_RATING] = DERATING * y[OUT_DISSIPATION];
        tw_sensor_insertion(&s, f->frequency_hz, &re, &im);
        y[OUT_INSERTION_OHM] = re;
        y[OUT_INSERTION_H] = im / (2 * TW_PI * f->frequency_hz);
        y[OUT_INSERTION_V] = hypot(re, im) * f->rms_a;
    }
}

/* The outputs with their standard uncertainties. */
static void propagate(const tw_study__pickup_work *w, tw_value *out) {
    double x[N_INPUTS], middle[N_OUTPUTS], up[N_OUTPUTS], down[N_OUTPUTS], square[N_OUTPUTS] = {0};
    for (size_t k = 0; k < N_INPUTS; k++) {
        x[k] = w->in[k].value;
    }
    compute(w, x, middle);
    for (size_t k = 0; k < N_INPUTS; k++) {
        if (!(w->in[k].u > 0) || !isfinite(x[k])) {
            continue;
        }
        const double step = fmin(w->in[k].u, 0.5 * fabs(x[k])); /* what is positive stays so */
        const double kept = x[k];
        x[k] = kept + step;
        compute(w, x, up);
        x[k] = kept - step;
        compute(w, x, down);
        x[k] = kept;
        for (size_t m = 0; m < N_OUTPUTS; m++) {
            const double share = (up[m] - down[m]) / 2 * (w->in[k].u / step);
            square[m] += isfinite(share) ? share * share : 0;
        }
    }
    for (size_t m = 0; m < N_OUTPUTS; m++) {
        const bool plain = m == OUT_CLASS || m == OUT_HIGH_CORNER || m == OUT_RATING || m == OUT_OPEN_VOLTAGE;
        out[m] = (tw_value){middle[m], plain ? 0 : sqrt(square[m])};
    }
    /* what is undone with uncertain numbers leaves their uncertainty */
    out[OUT_POWER_LEFT].u = hypot(out[OUT_POWER_LEFT].u, out[OUT_POWER_ERROR].u);
}

static tw_status warn_range(const tw_study__pickup_work *w, const tw_value *y, tw_warnings *list) {
    const double peak = w->flow.peak_a;
    if (peak > y[OUT_CLAMP_LIMIT].value) {
        TW_TRY(tw_warn(w->ctx, list, "clamp_conducts",
                       "the current will peak at %.3g A, but the clamp conducts from %.3g A: its peaks will be cut; "
                       "take a burden of at most %.3g ohm, or more turns",
                       peak, y[OUT_CLAMP_LIMIT].value, 0.8 * w->in[IN_CLAMP].value * w->in[IN_TURNS].value / peak));
    }
    if (peak > y[OUT_SATURATION_LIMIT].value) {
        TW_TRY(tw_warn(w->ctx, list, "core_saturates",
                       "the current will peak at %.3g A, but at %.4g Hz the core saturates from %.3g A: take a smaller "
                       "burden, more turns or a larger core",
                       peak, w->flow.lowest_hz, y[OUT_SATURATION_LIMIT].value));
    } else if (2 * peak > y[OUT_SATURATION_LIMIT].value) {
        TW_TRY(tw_warn(w->ctx, list, "start_saturates",
                       "the core will do in steady operation, but the first half cycle from rest swings the flux up to "
                       "twice as far: it may saturate at the start of each burst"));
    }
    if (y[OUT_DISSIPATION].value > w->rig->current_pickup.burden_rating_w.value) {
        TW_TRY(tw_warn(w->ctx, list, "burden_overloaded", "the burden dissipates %.3g W and is rated %.3g W",
                       y[OUT_DISSIPATION].value, w->rig->current_pickup.burden_rating_w.value));
    }
    if (isnan(y[OUT_SATURATION_LIMIT].value)) {
        TW_TRY(tw_warn(w->ctx, list, "saturation_unknown",
                       "whether the core saturates cannot be told: state its effective area, or a ring's three "
                       "dimensions, and its saturation flux density under pickups.current.core"));
    }
    if (isnan(w->in[IN_CLAMP].value)) {
        TW_TRY(tw_warn(w->ctx, list, "no_clamp",
                       "no clamp is stated: a burden that comes off leaves the open winding at a voltage that is "
                       "dangerous; solder two diode strings in antiparallel to the winding itself"));
    }
    return TW_OK;
}

static tw_status warn_band(const tw_study__pickup_work *w, const tw_sensor *s, const tw_value *y, tw_warnings *list) {
    double ratio;
    const double late_s = -phase_left(s, w->flow.frequency_hz, &ratio) / (2 * TW_PI * w->flow.frequency_hz);
    if (fabs(y[OUT_POWER_LEFT].value) > NOTABLE_POWER) {
        TW_TRY(tw_warn(w->ctx, list, "late_current",
                       "leakage, probe and high corner make the current late by %.3g ns, worth %.2g %% of the real "
                       "power; analyse takes nearly all of that for channel skew: leave recorder.skew unknown",
                       late_s * 1e9, 100 * fabs(y[OUT_POWER_LEFT].value)));
    }
    if (y[OUT_HIGH_CORNER].value < NEAR_CORNER * w->flow.frequency_hz) {
        TW_TRY(tw_warn(w->ctx, list, "high_corner_near",
                       "the high corner of %.3g kHz is only %.3g times the switching frequency: the corners of the "
                       "current are rounded and late",
                       y[OUT_HIGH_CORNER].value / 1e3, y[OUT_HIGH_CORNER].value / w->flow.frequency_hz));
    }
    if (y[OUT_LOW_CORNER].value > w->flow.frequency_hz / 3) {
        TW_TRY(tw_warn(w->ctx, list, "low_corner_near",
                       "the low corner of %.3g Hz is too near: the output is closer to the current's slope than to the "
                       "current; take more turns or a core of higher A_L",
                       y[OUT_LOW_CORNER].value));
    }
    return TW_OK;
}

static void add_core(tw_study__pickup_work *w) {
    tw_pickup_plan *plan = w->plan;
    const tw_study__pickup *p = &w->pickup;
    tw_study__add_pickup(plan, "turns", "turns", "", TW_PICKUP_CORE, p->turns);
    tw_study__add_pickup(plan, "effective_length", "effective length", "m", TW_PICKUP_CORE, p->length_m);
    tw_study__add_pickup(plan, "effective_area", "effective area", "m2", TW_PICKUP_CORE, p->area_m2);
    tw_study__add_pickup(plan, "inductance_factor", "inductance per turn squared, A_L", "H", TW_PICKUP_CORE,
                         p->inductance_factor_h);
    tw_study__add_pickup(plan, "magnetizing_inductance", "magnetizing inductance", "H", TW_PICKUP_CORE,
                         p->magnetizing_inductance_h);
    tw_study__add_pickup(plan, "wire_diameter", "wire, copper's diameter", "m", TW_PICKUP_CORE, p->wire_diameter_m);
    tw_study__add_pickup(plan, "wire_length", "wire, length", "m", TW_PICKUP_CORE, p->wire_length_m);
    tw_study__add_pickup(plan, "winding_resistance", "winding resistance", "ohm", TW_PICKUP_CORE,
                         p->winding_resistance_ohm);
    tw_study__add_pickup(plan, "burden", "burden", "ohm", TW_PICKUP_CORE, p->burden_ohm);
}

static void add_integrator(tw_study__pickup_work *w) {
    const tw_rig_current_pickup *p = &w->rig->current_pickup;
    tw_value emf = tw_study__times(p->mutual_inductance_h, w->flow.steepest_a_per_s);
    tw_study__add_pickup(w->plan, "mutual_inductance", "mutual inductance with the lead", "H", TW_PICKUP_CORE,
                         p->mutual_inductance_h);
    tw_study__add_pickup(w->plan, "time_constant", "integrator's time constant", "s", TW_PICKUP_CORE,
                         p->integrator.time_constant_s);
    tw_study__add_pickup(w->plan, "coil_emf_peak", "coil's own voltage to expect, peak", "V", TW_PICKUP_CORE, emf);
}

static tw_status add_curves(tw_study__pickup_work *w) {
    tw_pickup_plan *plan = w->plan;
    double x[N_INPUTS];
    for (size_t k = 0; k < N_INPUTS; k++) {
        x[k] = w->in[k].value;
    }
    const tw_sensor s = sensor_of(w, x);
    plan->frequency_hz = tw_alloc(w->ctx, CURVE_POINTS, sizeof(double));
    plan->ratio_error = tw_alloc(w->ctx, CURVE_POINTS, sizeof(double));
    plan->phase_error_deg = tw_alloc(w->ctx, CURVE_POINTS, sizeof(double));
    if (plan->frequency_hz == NULL || plan->ratio_error == NULL || plan->phase_error_deg == NULL) {
        return TW_NO_MEMORY;
    }
    /* a decade and a half below the frequency, two and a half above: the harmonics that make the corners */
    for (size_t k = 0; k < CURVE_POINTS; k++) {
        const double decades = -1.5 + 4.0 * (double)k / (CURVE_POINTS - 1);
        double phase_rad;
        plan->frequency_hz[k] = w->flow.frequency_hz * pow(10, decades);
        tw_sensor_errors(&s, plan->frequency_hz[k], &plan->ratio_error[k], &phase_rad);
        plan->phase_error_deg[k] = phase_rad * 180 / TW_PI;
    }
    plan->n_points = CURVE_POINTS;
    return TW_OK;
}

tw_status tw_study__plan_current(tw_study__pickup_work *w) {
    tw_pickup_plan *plan = w->plan;
    const bool wound = w->rig->current_pickup.kind == TW_CURRENT_PICKUP_TRANSFORMER;
    tw_value y[N_OUTPUTS];
    gather_inputs(w);
    double x[N_INPUTS];
    for (size_t k = 0; k < N_INPUTS; k++) {
        x[k] = w->in[k].value;
    }
    const tw_sensor s = sensor_of(w, x);
    TW_TRY(tw_sensor_check(w->ctx, &s));
    propagate(w, y);
    if (wound) {
        add_core(w);
    } else {
        add_integrator(w);
    }
    for (size_t k = 0; k < N_OUTPUTS; k++) {
        const tw_field *f = &OUTPUT_FIELDS[k];
        tw_study__add_pickup(plan, f->key, f->label, f->unit, (tw_pickup_group)f->group,
                             isinf(y[k].value) ? tw_unknown() : y[k]);
    }
    TW_TRY(tw_study__check_pickup(w->ctx, w->rig, &w->pickup, &plan->warnings));
    if (wound) {
        TW_TRY(warn_range(w, y, &plan->warnings));
    }
    TW_TRY(warn_band(w, &s, y, &plan->warnings));
    return add_curves(w);
}

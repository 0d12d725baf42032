/* The main job: record and rig to the reading. Chooses and scales the channels, hands them to reveal, turns what comes
 * back into a reading. */
#include "study_internal.h"

#include <math.h>
#include <string.h>

/* A channel of the record as volts at the pick-up. */
typedef struct input {
    const char *what; /* "current" */
    const char *key;  /* the rig key that chooses the channel */
    size_t number;    /* 1 = first data channel */
    double factor;    /* volts at the pick-up per recorded unit, sign included */
    double *values;
} input;

static tw_status choose(tw_ctx *ctx, const tw_capture *capture, const input *in, const tw_capture_channel **out) {
    const tw_place place = {.file = capture->source, .key = in->key};
    if (in->number == 0) {
        return tw_fail_at(ctx, TW_NEEDS_OPTION, "study", &place, "the rig says that the %s was not recorded", in->what);
    }
    if (in->number > capture->n_channels) {
        return tw_fail_at(ctx, TW_BAD_DATA, "study", &place, "the %s should be channel %zu, but the record has %zu",
                          in->what, in->number, capture->n_channels);
    }
    *out = &capture->channels[in->number - 1];
    return TW_OK;
}

static tw_status wrong_unit(tw_ctx *ctx, const tw_capture *capture, const input *in,
                            const tw_capture_channel *channel) {
    const tw_place place = {.file = capture->source, .key = in->key};
    return tw_fail_at(ctx, TW_BAD_DATA, "study", &place,
                      "channel %zu (%s) is in %s, not a pick-up's voltage: choose another channel or state the unit "
                      "with --units",
                      in->number, channel->name, channel->unit);
}

/* Copies the channel as volts at the pick-up; the copy goes to the caller. */
static tw_status scale(tw_ctx *ctx, const tw_capture *capture, const tw_capture_channel *channel, input *in) {
    if ((in->values = tw_alloc(ctx, capture->samples, sizeof(double))) == NULL) {
        return TW_NO_MEMORY;
    }
    for (size_t k = 0; k < capture->samples; k++) {
        in->values[k] = in->factor * channel->values[k];
    }
    return TW_OK;
}

/* A channel in amperes was scaled by the recorder already; the burden's volts are needed to undo the transformer. */
static tw_status take_amperes(tw_ctx *ctx, const tw_rig *rig, input *current, tw_warnings *warnings) {
    tw_transformer ct;
    TW_TRY(tw_study__transformer(ctx, rig, &ct));
    current->factor *= tw_transformer_scale(&ct);
    return tw_warn(ctx, warnings, "current_in_amperes",
                   "channel %zu is in amperes: the recorder scaled it already; taken as such, and %.4g V/A (burden "
                   "over turns) serves to undo the transformer's droop only",
                   current->number, tw_transformer_scale(&ct));
}

/* Volts at both pick-ups, from the channels that the rig names. */
static tw_status take_channels(tw_ctx *ctx, const tw_rig *rig, const tw_capture *capture, input *current,
                               input *voltage, tw_record *record, tw_warnings *warnings) {
    const tw_capture_channel *i = NULL, *v = NULL;
    TW_TRY(choose(ctx, capture, current, &i));
    TW_TRY(choose(ctx, capture, voltage, &v));
    if (strcmp(i->unit, "A") == 0) {
        TW_TRY(take_amperes(ctx, rig, current, warnings));
    } else if (i->unit[0] != '\0' && strcmp(i->unit, "V") != 0) {
        return wrong_unit(ctx, capture, current, i);
    }
    if (v->unit[0] != '\0' && strcmp(v->unit, "V") != 0) {
        return wrong_unit(ctx, capture, voltage, v);
    }
    TW_TRY(scale(ctx, capture, i, current));
    TW_TRY(scale(ctx, capture, v, voltage));
    *record = (tw_record){.samples = capture->samples,
                          .interval_s = capture->sample_interval_s,
                          .start_s = capture->start_time_s + i->offset_s,
                          .current_v = current->values,
                          .voltage_v = voltage->values,
                          .voltage_offset_s = v->offset_s - i->offset_s};
    return TW_OK;
}

static double factor_of(const tw_rig_channel *channel, bool reversed) {
    const double factor = tw_is_known(channel->probe_factor) ? channel->probe_factor.value : 1.0;
    return reversed ? -factor : factor;
}

/* The probe factor's own uncertainty belongs to what it scales: burden for the current, gain for the voltage. */
static tw_value widened(tw_value v, tw_value factor) {
    if (!tw_is_known(v) || !tw_is_known(factor) || factor.value == 0.0) {
        return v;
    }
    return (tw_value){v.value, hypot(v.u, v.value * factor.u / factor.value)};
}

/* The pick-ups' own part of the rig must be usable before anything else is tried. */
static tw_status check_pickups(tw_ctx *ctx, const tw_rig *rig) {
    tw_transformer ct;
    TW_TRY(tw_study__transformer(ctx, rig, &ct));
    if (rig->voltage_pickup.kind != TW_VOLTAGE_PICKUP_LOOP) {
        return TW_STUDY_FAIL_KEY(ctx, TW_NEEDS_OPTION, "pickups.voltage.kind",
                                 "a sense loop near the coil is needed, and the rig has none");
    }
    return TW_OK;
}

static tw_status reveal_capture(tw_ctx *ctx, const tw_rig *rig, const tw_capture *capture, input *current,
                                input *voltage, tw_reading *out) {
    tw_record record;
    tw_revealed revealed = {0};
    TW_TRY(tw_warnings_append(ctx, &out->warnings, &capture->warnings));
    TW_TRY(take_channels(ctx, rig, capture, current, voltage, &record, &out->warnings));
    tw_prior prior = tw_study__prior(rig);
    prior.burden_ohm = widened(prior.burden_ohm, rig->recorder.current.probe_factor);
    prior.loop_gain = widened(prior.loop_gain, rig->recorder.voltage.probe_factor);
    const tw_place place = {.file = capture->source};
    const tw_status status = tw_reveal(ctx, &record, &prior, &revealed);
    if (status != TW_OK) {
        tw_error_add_place(ctx, &place);
        return status;
    }
    (void)snprintf(out->source, sizeof out->source, "%s", capture->source);
    const tw_status read = tw_study__read_revealed(ctx, rig, &revealed, out);
    tw_revealed_dispose(&revealed);
    return read;
}

tw_status tw_study_capture(tw_ctx *ctx, const tw_rig *rig, const char *const *paths, size_t n_paths,
                           const tw_capture_opts *opts, tw_capture *out) {
    tw_capture_opts used = opts != NULL ? *opts : tw_capture_opts_default();
    if (isnan(used.sample_interval_s) && rig != NULL && tw_is_known(rig->recorder.sample_interval_s)) {
        used.sample_interval_s = rig->recorder.sample_interval_s.value;
    }
    return tw_capture_read(ctx, paths, n_paths, &used, out);
}

tw_status tw_study_analyse(tw_ctx *ctx, const tw_rig *rig, const char *const *paths, size_t n_paths,
                           const tw_capture_opts *opts, tw_reading *out) {
    *out = (tw_reading){0};
    TW_TRY(tw_rig_check(ctx, rig));
    TW_TRY(check_pickups(ctx, rig));
    tw_capture capture;
    TW_TRY(tw_study_capture(ctx, rig, paths, n_paths, opts, &capture));
    const tw_rig_recorder *recorder = &rig->recorder;
    input current = {.what = "current",
                     .key = "recorder.channels.current",
                     .number = recorder->current.channel,
                     .factor = factor_of(&recorder->current, rig->current_pickup.reversed)};
    input voltage = {.what = "voltage",
                     .key = "recorder.channels.voltage",
                     .number = recorder->voltage.channel,
                     .factor = factor_of(&recorder->voltage, rig->voltage_pickup.reversed)};
    tw_reading reading = {0};
    const tw_status status = reveal_capture(ctx, rig, &capture, &current, &voltage, &reading);
    tw_free(current.values);
    tw_free(voltage.values);
    tw_capture_dispose(&capture);
    if (status != TW_OK) { /* what was found strange until then may be the reason */
        out->warnings = reading.warnings;
        reading.warnings = (tw_warnings){0};
        tw_reading_dispose(&reading);
        return status;
    }
    *out = reading;
    return TW_OK;
}

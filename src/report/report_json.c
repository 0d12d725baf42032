/* JSON: the results contract (docs/internals/report.md). */
#include "report_json_private.h"
#include "report_private.h"

#include <math.h>
#include <string.h>

/* Sets keys one after the other; remembers the first failure. */
typedef struct builder {
    json_t *object;
    bool failed;
} builder;

static void set(builder *b, const char *key, json_t *value) {
    b->failed = json_object_set_new(b->object, key, value) != 0 || b->failed; /* a NULL value fails too */
}

static tw_status finish(tw_ctx *ctx, builder *b, tw_text *out) {
    return tw_report__json_finish(ctx, b->object, !b->failed, out);
}

static json_t *edge_object(const tw_reading_edge *edge) {
    builder b = {json_object(), false};
    set(&b, "verdict", json_string(tw_commutation_word(edge->verdict)));
    for (size_t i = 0; i < edge->n_fields; i++) {
        set(&b, edge->fields[i].key, tw_report__json_physical(edge->fields[i].value, edge->fields[i].unit));
    }
    if (b.failed) {
        json_decref(b.object);
        return NULL;
    }
    return b.object;
}

tw_status tw_report_json_reading(tw_ctx *ctx, const tw_reading *reading, tw_text *out) {
    builder b = {json_object(), false};
    set(&b, "kind", json_string(report__kind_word(reading->kind)));
    set(&b, "title", tw_report__json_text(ctx, reading->title));
    set(&b, "source", reading->source[0] != '\0' ? tw_report__json_text(ctx, reading->source) : json_null());
    set(&b, "commutation", json_string(tw_commutation_word(reading->commutation)));
    for (size_t i = 0; i < reading->n_fields; i++) {
        set(&b, reading->fields[i].key, tw_report__json_physical(reading->fields[i].value, reading->fields[i].unit));
    }
    builder edges = {json_object(), false};
    for (size_t e = 0; e < 2; e++) {
        set(&edges, reading->edges[e].name, edge_object(&reading->edges[e]));
    }
    b.failed = b.failed || edges.failed;
    set(&b, "edges", edges.object);
    set(&b, "warnings", tw_report__json_warnings(ctx, &reading->warnings));
    return finish(ctx, &b, out);
}

static json_t *channel_object(tw_ctx *ctx, const tw_capture_channel *c) {
    builder b = {json_object(), false};
    set(&b, "name", tw_report__json_text(ctx, c->name));
    set(&b, "unit", tw_report__json_text(ctx, c->unit));
    set(&b, "samples", json_integer((json_int_t)c->finite));
    set(&b, "minimum", tw_report__json_number(c->minimum));
    set(&b, "maximum", tw_report__json_number(c->maximum));
    set(&b, "mean", tw_report__json_number(c->mean));
    set(&b, "step", tw_report__json_number(c->step));
    set(&b, "offset", tw_report__json_physical(tw_exactly(c->offset_s), "s"));
    if (b.failed) {
        json_decref(b.object);
        return NULL;
    }
    return b.object;
}

tw_status tw_report_json_capture(tw_ctx *ctx, const tw_capture *capture, tw_text *out) {
    builder b = {json_object(), false};
    set(&b, "source", tw_report__json_text(ctx, capture->source));
    set(&b, "understood", tw_report__json_text(ctx, capture->understood));
    set(&b, "samples", json_integer((json_int_t)capture->samples));
    set(&b, "sample_interval", tw_report__json_physical(tw_exactly(capture->sample_interval_s), "s"));
    set(&b, "start_time", tw_report__json_physical(tw_exactly(capture->start_time_s), "s"));
    json_t *channels = json_array();
    for (size_t i = 0; i < capture->n_channels; i++) {
        b.failed = json_array_append_new(channels, channel_object(ctx, &capture->channels[i])) != 0 || b.failed;
    }
    set(&b, "channels", channels);
    set(&b, "warnings", tw_report__json_warnings(ctx, &capture->warnings));
    return finish(ctx, &b, out);
}

static json_t *range_object(double range_v, double peak_v, size_t clipped) {
    return json_pack("{s:o, s:o, s:I}", "suggested_range", tw_report__json_physical(tw_exactly(range_v), "V"), "peak",
                     tw_report__json_physical(tw_exactly(peak_v), "V"), "clipped_samples", (json_int_t)clipped);
}

tw_status tw_report_json_rehearsal(tw_ctx *ctx, const tw_rehearsal *rehearsal, tw_text *out) {
    builder b = {json_object(), false};
    set(&b, "samples", json_integer((json_int_t)rehearsal->samples));
    set(&b, "sample_interval", tw_report__json_physical(tw_exactly(rehearsal->interval_s), "s"));
    set(&b, "sweep_time", tw_report__json_physical(tw_exactly(rehearsal->sweep_s), "s"));
    json_t *channels = json_pack(
        "{s:o, s:o}", "current",
        range_object(rehearsal->current_range_v, rehearsal->current_peak_v, rehearsal->current_clipped), "voltage",
        range_object(rehearsal->voltage_range_v, rehearsal->voltage_peak_v, rehearsal->voltage_clipped));
    set(&b, "channels", channels);
    set(&b, "warnings", tw_report__json_warnings(ctx, &rehearsal->warnings));
    return finish(ctx, &b, out);
}

static json_t *entry_object(tw_ctx *ctx, const tw_rig_entry *e) {
    if (e->kind == TW_RIG_ENTRY_TEXT) {
        return tw_report__json_text(ctx, e->text);
    }
    if (e->kind == TW_RIG_ENTRY_TRUTH) {
        return json_boolean(e->truth);
    }
    builder b = {json_object(), false};
    set(&b, "value", tw_report__json_number(e->value.value));
    set(&b, "unit", json_string(e->unit));
    if (tw_is_known(e->value) && e->value.u > 0) {
        set(&b, "standard_uncertainty", tw_report__json_number(e->value.u));
    }
    set(&b, "default", json_boolean(!e->given));
    if (b.failed) {
        json_decref(b.object);
        return NULL;
    }
    return b.object;
}

tw_status tw_report_json_rig(tw_ctx *ctx, const tw_rig *rig, tw_text *out) {
    builder b = {json_object(), false};
    json_t *defaults = json_array();
    tw_rig_entry e;
    for (size_t k = 0; tw_rig_entry_at(rig, k, &e); k++) {
        if (e.given || e.has_meaning) {
            set(&b, e.key, entry_object(ctx, &e));
            b.failed = (!e.given && json_array_append_new(defaults, json_string(e.key)) != 0) || b.failed;
        }
    }
    set(&b, "defaults", defaults);
    return finish(ctx, &b, out);
}

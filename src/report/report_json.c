/* JSON: the results contract (docs/internals/report.md).
 *
 * Jansson builds and writes the tree; it forces a point as decimal mark. Its own memory is not ours to fail, so a NULL
 * from it is reported as TW_NO_MEMORY.
 */
#include "report_private.h"

#include <jansson.h>
#include <math.h>
#include <string.h>

/* 17 significant digits bring every double back. */
#define JSON_FLAGS (JSON_INDENT(2) | JSON_REAL_PRECISION(17))

static json_t *number(double value) {
    return isfinite(value) ? json_real(value) : json_null();
}

static json_t *physical(tw_value v, const char *unit) {
    if (!isfinite(v.value)) {
        return json_null();
    }
    json_t *object = json_pack("{s:f, s:s}", "value", v.value, "unit", unit);
    if (object != NULL && v.u > 0 && isfinite(v.u) &&
        json_object_set_new(object, "standard_uncertainty", json_real(v.u)) != 0) {
        json_decref(object);
        return NULL;
    }
    return object;
}

/* Text of unknown origin: bytes that are no UTF-8 become '?', so that a strange file name cannot stop the output. */
static json_t *string(tw_ctx *ctx, const char *text) {
    char *copy = tw_copy_string(ctx, text);
    if (copy == NULL) {
        return NULL;
    }
    const size_t n = strlen(copy);
    size_t bad = 0;
    for (size_t from = 0; from < n && !tw_utf8_valid(copy + from, n - from, &bad); from += bad + 1) {
        copy[from + bad] = '?';
    }
    json_t *value = json_stringn(copy, n);
    tw_free(copy);
    return value;
}

static json_t *warnings_array(tw_ctx *ctx, const tw_warnings *warnings) {
    json_t *array = json_array();
    for (size_t i = 0; i < warnings->count; i++) {
        json_t *item = json_pack("{s:o, s:o}", "code", string(ctx, warnings->items[i].code), "message",
                                 string(ctx, warnings->items[i].message));
        if (json_array_append_new(array, item) != 0) {
            json_decref(array);
            return NULL;
        }
    }
    return array;
}

/* Sets keys one after the other; remembers the first failure. */
typedef struct builder {
    json_t *object;
    bool failed;
} builder;

static void set(builder *b, const char *key, json_t *value) {
    b->failed = json_object_set_new(b->object, key, value) != 0 || b->failed; /* a NULL value fails too */
}

static int append(const char *bytes, size_t n, void *user) {
    tw_text *out = user;
    tw_text_append(out, bytes, n);
    return out->status == TW_OK ? 0 : -1;
}

static tw_status finish(tw_ctx *ctx, builder *b, tw_text *out) {
    const size_t before = out->length;
    const bool written = !b->failed && json_dump_callback(b->object, append, out, JSON_FLAGS) == 0;
    json_decref(b->object);
    if (!written) {
        tw_text_cut(out, before);
        const tw_status earlier = out->status != TW_OK ? out->status : tw_ctx_error(ctx)->status;
        return earlier != TW_OK ? earlier : tw_fail(ctx, TW_NO_MEMORY, "report", "no memory for the JSON text");
    }
    tw_text_append(out, "\n", 1);
    return out->status;
}

static json_t *edge_object(const tw_reading_edge *edge) {
    builder b = {json_object(), false};
    set(&b, "verdict", json_string(tw_commutation_word(edge->verdict)));
    for (size_t i = 0; i < edge->n_fields; i++) {
        set(&b, edge->fields[i].key, physical(edge->fields[i].value, edge->fields[i].unit));
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
    set(&b, "title", string(ctx, reading->title));
    set(&b, "source", reading->source[0] != '\0' ? string(ctx, reading->source) : json_null());
    set(&b, "commutation", json_string(tw_commutation_word(reading->commutation)));
    for (size_t i = 0; i < reading->n_fields; i++) {
        set(&b, reading->fields[i].key, physical(reading->fields[i].value, reading->fields[i].unit));
    }
    builder edges = {json_object(), false};
    for (size_t e = 0; e < 2; e++) {
        set(&edges, reading->edges[e].name, edge_object(&reading->edges[e]));
    }
    b.failed = b.failed || edges.failed;
    set(&b, "edges", edges.object);
    set(&b, "warnings", warnings_array(ctx, &reading->warnings));
    return finish(ctx, &b, out);
}

static json_t *channel_object(tw_ctx *ctx, const tw_capture_channel *c) {
    builder b = {json_object(), false};
    set(&b, "name", string(ctx, c->name));
    set(&b, "unit", string(ctx, c->unit));
    set(&b, "samples", json_integer((json_int_t)c->finite));
    set(&b, "minimum", number(c->minimum));
    set(&b, "maximum", number(c->maximum));
    set(&b, "mean", number(c->mean));
    set(&b, "step", number(c->step));
    set(&b, "offset", physical(tw_exactly(c->offset_s), "s"));
    if (b.failed) {
        json_decref(b.object);
        return NULL;
    }
    return b.object;
}

tw_status tw_report_json_capture(tw_ctx *ctx, const tw_capture *capture, tw_text *out) {
    builder b = {json_object(), false};
    set(&b, "source", string(ctx, capture->source));
    set(&b, "understood", string(ctx, capture->understood));
    set(&b, "samples", json_integer((json_int_t)capture->samples));
    set(&b, "sample_interval", physical(tw_exactly(capture->sample_interval_s), "s"));
    set(&b, "start_time", physical(tw_exactly(capture->start_time_s), "s"));
    json_t *channels = json_array();
    for (size_t i = 0; i < capture->n_channels; i++) {
        b.failed = json_array_append_new(channels, channel_object(ctx, &capture->channels[i])) != 0 || b.failed;
    }
    set(&b, "channels", channels);
    set(&b, "warnings", warnings_array(ctx, &capture->warnings));
    return finish(ctx, &b, out);
}

static json_t *range_object(double range_v, double peak_v, size_t clipped) {
    return json_pack("{s:o, s:o, s:I}", "suggested_range", physical(tw_exactly(range_v), "V"), "peak",
                     physical(tw_exactly(peak_v), "V"), "clipped_samples", (json_int_t)clipped);
}

tw_status tw_report_json_rehearsal(tw_ctx *ctx, const tw_rehearsal *rehearsal, tw_text *out) {
    builder b = {json_object(), false};
    set(&b, "samples", json_integer((json_int_t)rehearsal->samples));
    set(&b, "sample_interval", physical(tw_exactly(rehearsal->interval_s), "s"));
    set(&b, "sweep_time", physical(tw_exactly(rehearsal->sweep_s), "s"));
    json_t *channels = json_pack(
        "{s:o, s:o}", "current",
        range_object(rehearsal->current_range_v, rehearsal->current_peak_v, rehearsal->current_clipped), "voltage",
        range_object(rehearsal->voltage_range_v, rehearsal->voltage_peak_v, rehearsal->voltage_clipped));
    set(&b, "channels", channels);
    set(&b, "warnings", warnings_array(ctx, &rehearsal->warnings));
    return finish(ctx, &b, out);
}

static json_t *entry_object(tw_ctx *ctx, const tw_rig_entry *e) {
    if (e->kind == TW_RIG_ENTRY_TEXT) {
        return string(ctx, e->text);
    }
    if (e->kind == TW_RIG_ENTRY_TRUTH) {
        return json_boolean(e->truth);
    }
    builder b = {json_object(), false};
    set(&b, "value", number(e->value.value));
    set(&b, "unit", json_string(e->unit));
    if (tw_is_known(e->value) && e->value.u > 0) {
        set(&b, "standard_uncertainty", number(e->value.u));
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

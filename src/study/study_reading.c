/* The reading: named fields, curves and marks, filled by forecast and analyse alike. */
#include "study_internal.h"

#include <math.h>
#include <string.h>

typedef struct field_law {
    const char *key, *label, *unit;
    tw_field_group group;
} field_law;

static const field_law field_laws[TW_STUDY_ID_COUNT] = {
#define FIELD_LAW(id, key, label, unit, group) [TW_STUDY_##id] = {key, label, unit, TW_GROUP_##group},
    TW_STUDY_FIELDS(FIELD_LAW) TW_STUDY_EDGE_FIELDS(FIELD_LAW)
#undef FIELD_LAW
};

#define COUNT_ONE(id, key, label, unit, group) +1
_Static_assert((0 TW_STUDY_FIELDS(COUNT_ONE)) <= TW_MAX_FIELDS, "every field must fit into a reading");
_Static_assert((0 TW_STUDY_EDGE_FIELDS(COUNT_ONE)) <= TW_EDGE_FIELDS, "every field must fit into an edge");

const char *tw_field_group_title(tw_field_group group) {
    switch (group) {
    case TW_GROUP_DRIVE:
        return "drive";
    case TW_GROUP_POWER:
        return "power";
    case TW_GROUP_COIL:
        return "coil and capacitor";
    case TW_GROUP_LOAD:
        return "tank and load";
    case TW_GROUP_COMMUTATION:
        return "commutation";
    case TW_GROUP_STRESS:
        return "devices and energy";
    case TW_GROUP_COUNT:
        break;
    }
    return "";
}

static tw_field field_of(tw_study__id id, tw_value value) {
    const field_law *law = &field_laws[id];
    return (tw_field){law->key, law->label, law->unit, value, (int)law->group};
}

tw_field tw_study__field(const char *key, double value) {
    for (size_t k = 0; k < TW_STUDY_ID_COUNT; k++) {
        if (strcmp(field_laws[k].key, key) == 0) {
            return field_of((tw_study__id)k, tw_exactly(value));
        }
    }
    return (tw_field){.key = NULL};
}

void tw_study__add(tw_reading *reading, tw_study__id id, tw_value value) {
    if (reading->n_fields < TW_MAX_FIELDS) {
        reading->fields[reading->n_fields++] = field_of(id, value);
    }
}

static size_t rank(const tw_field *field) {
    size_t k = 0;
    while (k < TW_STUDY_ID_COUNT && field_laws[k].key != field->key) {
        k++;
    }
    return k;
}

void tw_study__sort_fields(tw_reading *reading) {
    for (size_t k = 1; k < reading->n_fields; k++) {
        const tw_field moving = reading->fields[k];
        const size_t its_rank = rank(&moving);
        size_t to = k;
        for (; to > 0 && rank(&reading->fields[to - 1]) > its_rank; to--) {
            reading->fields[to] = reading->fields[to - 1];
        }
        reading->fields[to] = moving;
    }
}

void tw_study__add_edge(tw_reading_edge *edge, tw_study__id id, tw_value value) {
    if (edge->n_fields < TW_EDGE_FIELDS) {
        edge->fields[edge->n_fields++] = field_of(id, value);
    }
}

tw_value tw_study__times(tw_value v, double factor) {
    return (tw_value){v.value * factor, v.u * fabs(factor)};
}

static const tw_field *edge_field(const tw_reading_edge *edge, const char *key) {
    for (size_t k = 0; k < edge->n_fields; k++) {
        if (strcmp(edge->fields[k].key, key) == 0) {
            return &edge->fields[k];
        }
    }
    return NULL;
}

static tw_value edge_value(const tw_reading_edge *edge, tw_study__id id) {
    const tw_field *field = edge_field(edge, field_laws[id].key);
    return field != NULL ? field->value : tw_unknown();
}

void tw_study__add_worst_edge(tw_reading *reading) {
    const tw_reading_edge *worst = &reading->edges[0], *other = &reading->edges[1];
    const double margin = edge_value(worst, TW_STUDY_EDGE_MARGIN).value;
    const double other_margin = edge_value(other, TW_STUDY_EDGE_MARGIN).value;
    const bool decided = !isnan(margin) && !isnan(other_margin);
    if (decided ? other_margin < margin
                : worst->verdict != other->verdict &&
                      tw_commutation_worse(worst->verdict, other->verdict) == other->verdict) {
        worst = other;
    }
    tw_study__add(reading, TW_STUDY_TURN_OFF_CURRENT, edge_value(worst, TW_STUDY_EDGE_TURN_OFF_CURRENT));
    tw_study__add(reading, TW_STUDY_SWING_TIME, edge_value(worst, TW_STUDY_EDGE_SWING_TIME));
    tw_study__add(reading, TW_STUDY_ZERO_CROSSING_MARGIN, edge_value(worst, TW_STUDY_EDGE_MARGIN));
    tw_study__add(reading, TW_STUDY_ZERO_CROSSING_MARGIN_FRACTION, edge_value(worst, TW_STUDY_EDGE_MARGIN_FRACTION));
}

static void add_one_mark(tw_reading *reading, tw_mark_kind kind, double begin_s, double end_s, double span_s) {
    if (kind == TW_MARK_HIGH_GATE || kind == TW_MARK_LOW_GATE) {
        begin_s = fmax(begin_s, 0.0);
        end_s = fmin(end_s, span_s);
        if (begin_s >= end_s) {
            return;
        }
    }
    const bool inside = fmin(begin_s, end_s) >= 0.0 && fmax(begin_s, end_s) <= span_s;
    if (inside && reading->n_marks < TW_MAX_MARKS) {
        reading->marks[reading->n_marks++] = (tw_mark){kind, begin_s, end_s};
    }
}

void tw_study__add_mark(tw_reading *reading, tw_mark_kind kind, double begin_s, double end_s, double period_s,
                        double span_s) {
    if (!isfinite(begin_s) || !isfinite(end_s) || !(period_s > 0.0)) {
        return;
    }
    const double back = period_s * floor(fmax(begin_s, end_s) / period_s);
    for (double shift = -back - period_s; shift + fmin(begin_s, end_s) <= span_s; shift += period_s) {
        add_one_mark(reading, kind, begin_s + shift, end_s + shift, span_s);
    }
}

const char *tw_study__signal_label(tw_signal signal) {
    switch (signal) {
    case TW_SIGNAL_MIDPOINT_VOLTAGE:
        return "midpoint voltage";
    case TW_SIGNAL_COIL_VOLTAGE:
        return "coil voltage";
    case TW_SIGNAL_COIL_CURRENT:
        return "coil current";
    case TW_SIGNAL_CAPACITOR_VOLTAGE:
        return "capacitor voltage";
    case TW_SIGNAL_HIGH_DEVICE_CURRENT:
        return "high device current";
    case TW_SIGNAL_LOW_DEVICE_CURRENT:
        return "low device current";
    case TW_SIGNAL_SUPPLY_CURRENT:
        return "supply current";
    case TW_SIGNAL_PAN_CURRENT:
        return "pan current";
    case TW_SIGNAL_COUNT:
        break;
    }
    return "";
}

tw_wave tw_study__wave(tw_signal signal) {
    return (tw_wave){tw_signal_key(signal), tw_study__signal_label(signal), tw_signal_unit(signal), NULL};
}

tw_status tw_study__add_wave(tw_ctx *ctx, tw_wave *waves, size_t *n_waves, size_t n, tw_signal signal,
                             double **values) {
    if (*n_waves >= TW_MAX_WAVES) {
        return tw_fail(ctx, TW_INTERNAL, "study", "more than %d curves in a reading", TW_MAX_WAVES);
    }
    tw_wave wave = tw_study__wave(signal);
    if ((wave.values = tw_alloc(ctx, n, sizeof(double))) == NULL) {
        return TW_NO_MEMORY;
    }
    waves[(*n_waves)++] = wave;
    *values = wave.values;
    return TW_OK;
}

const tw_field *tw_reading_field(const tw_reading *reading, const char *key) {
    for (size_t k = 0; k < reading->n_fields; k++) {
        if (strcmp(reading->fields[k].key, key) == 0) {
            return &reading->fields[k];
        }
    }
    return NULL;
}

void tw_reading_dispose(tw_reading *reading) {
    for (size_t k = 0; k < reading->n_waves; k++) {
        tw_free(reading->waves[k].values);
    }
    for (size_t k = 0; k < reading->n_record_waves; k++) {
        tw_free(reading->record_waves[k].values);
    }
    tw_free(reading->time_s);
    tw_warnings_dispose(&reading->warnings);
    memset(reading, 0, sizeof *reading);
}

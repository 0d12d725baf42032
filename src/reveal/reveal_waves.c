/* The hidden waveforms over the record and over one folded period, and the per-cycle table. */
#include "reveal_internal.h"

#include <math.h>

/* Which device carries the coil current at this phase of the period (seconds from the midpoint's rise). Between
 * turn-off and the end of the edge the snubbers do. */
typedef enum carrier { CARRIER_SNUBBERS, CARRIER_HIGH, CARRIER_LOW } carrier;

typedef struct spans {
    double rise_begin, rise_end, fall_begin, fall_end; /* seconds; rise about 0, fall about the middle */
    double period;
} spans;

static spans find_spans(const tw_reveal__work *w, const tw_revealed *r) {
    spans s = {.period = w->period_s};
    const tw_revealed_edge *const rise = &r->rising, *const fall = &r->falling;
    s.rise_end = isnan(rise->swing_end_s.value) ? 0.0 : rise->swing_end_s.value;
    s.rise_begin = isnan(rise->turn_off_s.value) ? s.rise_end : rise->turn_off_s.value;
    const double middle = w->fall_phase * w->period_s;
    s.fall_end = isnan(fall->swing_end_s.value) ? middle : fall->swing_end_s.value;
    s.fall_begin = isnan(fall->turn_off_s.value) ? s.fall_end : fall->turn_off_s.value;
    return s;
}

static bool inside(double t, double from, double to, double period) {
    const double span = to - from, at = t - from;
    return span > 0 && at - period * floor(at / period) < span;
}

/* A rebound or a late forced edge is the snubbers' work too: from the current's turn to the closing. */
static carrier carrier_at(const spans *s, const tw_revealed *r, double t) {
    const tw_revealed_edge *const edges[2] = {&r->rising, &r->falling};
    for (int e = 0; e < 2; e++) {
        if (edges[e]->verdict == TW_COMMUTATION_REBOUND &&
            inside(t, edges[e]->zero_crossing_s.value, edges[e]->closing_s.value, s->period)) {
            return CARRIER_SNUBBERS;
        }
    }
    if (inside(t, s->rise_begin, s->rise_end, s->period) || inside(t, s->fall_begin, s->fall_end, s->period)) {
        return CARRIER_SNUBBERS;
    }
    return inside(t, s->rise_end, s->fall_begin, s->period) ? CARRIER_HIGH : CARRIER_LOW;
}

static double high_current(carrier c, double i) {
    return c == CARRIER_HIGH ? i : 0.0;
}

static double low_current(carrier c, double i) {
    return c == CARRIER_LOW ? -i : 0.0;
}

static tw_status record_waves(tw_ctx *ctx, const tw_reveal__work *w, const tw_reveal__solution *s,
                              const tw_reveal__calibration *cal, const spans *where, tw_revealed *out) {
    double **const columns[] = {&out->coil_current_a, &out->coil_voltage_v, &out->midpoint_v,
                                &out->capacitor_v,    &out->high_device_a,  &out->low_device_a};
    for (size_t c = 0; c < sizeof columns / sizeof columns[0]; c++) {
        *columns[c] = tw_alloc(ctx, w->n, sizeof(double));
        if (*columns[c] == NULL) {
            return TW_NO_MEMORY;
        }
    }
    out->samples = w->n;
    out->interval_s = w->interval_s;
    out->start_s = w->start_s + s->p[P_LEAD];
    for (size_t k = 0; k < w->n; k++) {
        if (w->gap[k]) {
            for (size_t c = 0; c < sizeof columns / sizeof columns[0]; c++) {
                (*columns[c])[k] = NAN;
            }
            continue;
        }
        const double i = s->p[P_SCALE] * w->i_v[k];
        const carrier now = carrier_at(where, out, tw_reveal__phase(w, k) * w->period_s);
        out->coil_current_a[k] = i;
        out->coil_voltage_v[k] = w->u[k] / s->p[P_GAIN];
        out->midpoint_v[k] = tw_reveal__midpoint(w, s, cal, k);
        out->capacitor_v[k] = out->midpoint_v[k] - out->coil_voltage_v[k] - s->p[P_ESR] * i;
        out->high_device_a[k] = high_current(now, i);
        out->low_device_a[k] = low_current(now, i);
    }
    return TW_OK;
}

static tw_status fold_waves(tw_ctx *ctx, const tw_reveal__solution *s, const tw_reveal__fold *f, const spans *where,
                            tw_revealed *out) {
    double **const columns[] = {&out->fold_time_s,      &out->fold_current_a, &out->fold_coil_v, &out->fold_midpoint_v,
                                &out->fold_capacitor_v, &out->fold_high_a,    &out->fold_low_a};
    for (size_t c = 0; c < sizeof columns / sizeof columns[0]; c++) {
        *columns[c] = tw_alloc(ctx, f->n, sizeof(double));
        if (*columns[c] == NULL) {
            return TW_NO_MEMORY;
        }
    }
    out->n_fold = f->n;
    for (size_t b = 0; b < f->n; b++) {
        const double i = s->p[P_SCALE] * f->i[b];
        const carrier now = carrier_at(where, out, f->time_s[b]);
        out->fold_time_s[b] = f->time_s[b];
        out->fold_current_a[b] = i;
        out->fold_coil_v[b] = f->u[b] / s->p[P_GAIN];
        out->fold_midpoint_v[b] = f->v[b];
        out->fold_capacitor_v[b] = f->v[b] - out->fold_coil_v[b] - s->p[P_ESR] * i;
        out->fold_high_a[b] = high_current(now, i);
        out->fold_low_a[b] = low_current(now, i);
    }
    return TW_OK;
}

/* Each whole cycle from one rise of the midpoint to the next. */
static tw_status cycle_table(tw_ctx *ctx, const tw_reveal__work *w, const spans *where, tw_revealed *out) {
    const double per = w->period_s / w->interval_s;
    const double first = (w->phase_origin - floor(w->phase_origin)) * per;
    const size_t possible = (size_t)((double)w->n / per) + 1;
    out->cycles = tw_alloc(ctx, possible, sizeof *out->cycles);
    if (out->cycles == NULL) {
        return TW_NO_MEMORY;
    }
    for (double from = first; from + per < (double)w->n && out->n_cycles < possible; from += per) {
        tw_cycle c = {.start_s = out->start_s + from * w->interval_s};
        double ii = 0, vv = 0, vi = 0, n = 0;
        for (size_t k = (size_t)ceil(from); k < (size_t)ceil(from + per); k++) {
            const double i = out->coil_current_a[k], v = out->coil_voltage_v[k];
            if (isnan(i)) {
                continue;
            }
            c.current_peak_a = fmax(c.current_peak_a, fabs(i));
            ii += i * i;
            vv += v * v;
            vi += v * i;
            n += 1.0;
        }
        if (n > 0.5 * per) {
            c.current_rms_a = sqrt(ii / n);
            c.voltage_rms_v = sqrt(vv / n);
            c.real_power_w = vi / n;
            const size_t at = (size_t)(from + where->fall_begin / w->interval_s + 0.5);
            c.turn_off_current_a = at < w->n ? out->coil_current_a[at] : (double)NAN;
            out->cycles[out->n_cycles++] = c;
        }
    }
    return TW_OK;
}

tw_status tw_reveal__waves(tw_ctx *ctx, const tw_reveal__work *w, const tw_reveal__solution *s,
                           const tw_reveal__calibration *cal, const tw_reveal__fold *fold, tw_revealed *out) {
    const spans where = find_spans(w, out);
    TW_TRY(record_waves(ctx, w, s, cal, &where, out));
    TW_TRY(fold_waves(ctx, s, fold, &where, out));
    return cycle_table(ctx, w, &where, out);
}

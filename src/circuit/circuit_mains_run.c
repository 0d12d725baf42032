/* Mains run: the stage's gate edges and the mains' zeros, one after the other, from rest until the envelope repeats and
 * then through the recorded half cycles. Public face of the mains run. */
#include <math.h>
#include <string.h>

#include "circuit_mains_tally.h"

static const char room[] = "circuit";

/* ---- words and checks --------------------------------------------------------------------------- */

static const struct {
    const char *key, *unit;
} signal_names[TW_MAINS_SIGNAL_COUNT] = {
    [TW_MAINS_SOURCE_VOLTAGE] = {"source_voltage", "V"}, [TW_MAINS_SOURCE_CURRENT] = {"source_current", "A"},
    [TW_MAINS_RAIL_VOLTAGE] = {"rail_voltage", "V"},     [TW_MAINS_MIDPOINT_VOLTAGE] = {"midpoint_voltage", "V"},
    [TW_MAINS_COIL_CURRENT] = {"coil_current", "A"},     [TW_MAINS_CAPACITOR_VOLTAGE] = {"capacitor_voltage", "V"},
};

const char *tw_mains_signal_key(tw_mains_signal signal) {
    return (unsigned)signal < TW_MAINS_SIGNAL_COUNT ? signal_names[signal].key : "unknown";
}

const char *tw_mains_signal_unit(tw_mains_signal signal) {
    return (unsigned)signal < TW_MAINS_SIGNAL_COUNT ? signal_names[signal].unit : "";
}

tw_mains_opts tw_mains_opts_default(void) {
    return (tw_mains_opts){.half_cycles = 1, .most_settling = 12, .settled = 1e-3};
}

static tw_status check_range(tw_ctx *ctx, const char *name, double value, double low, double high) {
    if (isfinite(value) && value >= low && value <= high) {
        return TW_OK;
    }
    const tw_place place = {.key = name};
    return tw_fail_at(ctx, TW_OUT_OF_RANGE, room, &place, "%.9g is outside [%.9g .. %.9g]", value, low, high);
}

tw_status tw_mains_supply_check(tw_ctx *ctx, const tw_mains_supply *s) {
    TW_TRY(check_range(ctx, "voltage", s->voltage_rms_v, 1e-3, 1e5));
    TW_TRY(check_range(ctx, "frequency", s->frequency_hz, 1e-2, 1e5));
    TW_TRY(check_range(ctx, "source_inductance", s->source_inductance_h, 1e-9, 10.0));
    TW_TRY(check_range(ctx, "source_resistance", s->source_resistance_ohm, 0.0, 1e4));
    TW_TRY(check_range(ctx, "rail_capacitance", s->rail_capacitance_f, 1e-9, 1.0));
    TW_TRY(check_range(ctx, "rectifier.threshold", s->rectifier.threshold_v, 0.0, 0.2 * s->voltage_rms_v));
    return check_range(ctx, "rectifier.slope", s->rectifier.slope_ohm, 0.0, 1e3);
}

static tw_status check_opts(tw_ctx *ctx, const tw_half_bridge *stage, const tw_mains_supply *supply,
                            const tw_mains_opts *o) {
    TW_TRY(check_range(ctx, "supply.frequency", supply->frequency_hz, 0.0, 0.1 * stage->frequency_hz));
    TW_TRY(check_range(ctx, "half_cycles", (double)o->half_cycles, 1.0, 1000.0));
    TW_TRY(check_range(ctx, "most_settling", (double)o->most_settling, 0.0, 1e5));
    TW_TRY(check_range(ctx, "settled", o->settled, 1e-12, 1.0));
    TW_TRY(check_range(ctx, "harmonics", (double)o->harmonics, 0.0, TW_MAINS_HARMONICS));
    if (o->sample != NULL) {
        TW_TRY(check_range(ctx, "sample_interval", o->sample_interval_s, 1e-12, 1e3));
    }
    return TW_OK;
}

/* ---- the run ------------------------------------------------------------------------------------ */

typedef struct job {
    tw_ctx *ctx;
    tw_mains_opts opts;
    tw_mains_model model;
    tw_run run;
    tw_mains_tally tally;
    tw_mains_result result;
    size_t capacity;
    double period_s, half_s; /* of the stage; half of the mains */
    size_t cycle, halves;    /* stage periods begun, mains zeros passed */
    size_t first_recorded;   /* number of the first recorded cycle */
    double before_coil_j, before_supplied_j;
    double start_stored;
    size_t samples;
    bool ended; /* the recorded time is over */
} job;

static void emit(job *j, const double *x, double time_s, bool *stop) {
    const tw_mains_model *m = &j->model;
    const double values[TW_MAINS_SIGNAL_COUNT] = {x[m->sine], x[m->source], x[m->v_r], x[m->v_m], x[0], x[m->v_c]};
    *stop = j->opts.sample(time_s, values, j->opts.user);
}

/* Samples of the run's pieces, while recording. */
static tw_status sample_pieces(job *j) {
    bool stop = false;
    /* A sample at the very end belongs to what follows, whatever rounding says. */
    const double over = (double)j->opts.half_cycles * j->half_s * (1.0 - 1e-12);
    for (size_t k = 0; k < j->run.n_pieces && !stop; k++) {
        const tw_piece *p = &j->run.pieces[k];
        const double start = j->tally.cycle_start_s + p->start_s - j->tally.record_start_s;
        const double end = start + p->length_s;
        tw_flow flow;
        bool begun = false;
        for (;; j->samples++) {
            const double t = j->opts.sample_interval_s * (double)j->samples;
            if (!(t < end && t < over) || stop) {
                break;
            }
            double x[TW_N];
            if (!begun) {
                tw_piece_flow(&j->model.net, p, &j->run.counts, &flow);
                begun = true;
            }
            tw_flow_state(&flow, fmax(t - start, 0.0), x);
            emit(j, x, t, &stop);
        }
    }
    return stop ? tw_fail(j->ctx, TW_CANCELLED, room, "stopped while sampling the mains run") : TW_OK;
}

/* Hands the pieces on and forgets them. */
static tw_status drain(job *j) {
    tw_mains_tally_pieces(&j->tally, &j->run);
    if (j->opts.sample != NULL && j->tally.recording) {
        TW_TRY(sample_pieces(j));
    }
    j->run.n_pieces = 0;
    return TW_OK;
}

static void begin_recording(job *j, double now_s) {
    j->tally.recording = true;
    j->tally.record_start_s = now_s;
    j->first_recorded = j->cycle + 1;
    j->start_stored = tw_mains_stored(&j->model, j->run.x);
    j->result.rail_least_v = j->result.rail_most_v = j->run.x[j->model.v_r];
    j->result.settling = j->halves;
}

/* At a mains zero. */
static tw_status pass_mains_zero(job *j, double now_s) {
    tw_mains_tally *t = &j->tally;
    tw_mains_result *r = &j->result;
    if (t->recording) {
        if (j->halves == r->settling + j->opts.half_cycles) {
            t->recording = false;
            j->ended = true;
            r->energy.stored = tw_mains_stored(&j->model, j->run.x) - j->start_stored;
        }
    } else if (!j->ended) {
        const double largest = fmax(fabs(t->half_coil_j), fabs(t->half_supplied_j));
        r->change = fmax(fabs(t->half_coil_j - j->before_coil_j), fabs(t->half_supplied_j - j->before_supplied_j)) /
                    fmax(largest, 1e-300);
        r->settled = j->halves > 1 && r->change <= j->opts.settled;
        if (r->settled || j->halves >= j->opts.most_settling) {
            begin_recording(j, now_s);
        }
    }
    j->before_coil_j = t->half_coil_j;
    j->before_supplied_j = t->half_supplied_j;
    t->half_coil_j = t->half_supplied_j = 0.0;
    const double all = (double)(j->opts.most_settling + j->opts.half_cycles);
    const double done = t->recording || j->ended ? all - (double)(r->settling + j->opts.half_cycles) + (double)j->halves
                                                 : (double)j->halves;
    return tw_progress(j->ctx, fmin(1.0, done / all), "mains run");
}

/* Moves on to time_s of the present cycle, past mains zeros. */
static tw_status advance(job *j, double time_s) {
    for (;;) {
        const double zero_s = (double)(j->halves + 1) * j->half_s - j->tally.cycle_start_s;
        if (!(zero_s <= time_s)) {
            break;
        }
        if (zero_s > j->run.time_s) {
            TW_TRY(tw_run_advance(&j->run, zero_s));
        }
        TW_TRY(drain(j));
        j->halves++;
        TW_TRY(pass_mains_zero(j, j->tally.cycle_start_s + j->run.time_s));
        TW_TRY(tw_run_mark(&j->run));
    }
    TW_TRY(tw_run_advance(&j->run, time_s));
    return drain(j);
}

static tw_mains_cycle *new_row(job *j) {
    tw_mains_result *r = &j->result;
    if (r->n_cycles == j->capacity) {
        return NULL; /* cannot be: the capacity holds all cycles of the recorded time */
    }
    tw_mains_cycle *row = &r->cycles[r->n_cycles++];
    *row = (tw_mains_cycle){.time_s = j->tally.cycle_start_s - j->tally.record_start_s,
                            .rail_v = j->run.x[j->model.v_r],
                            .zero_crossing_margin_s = {NAN, NAN},
                            .verdict = {TW_COMMUTATION_UNKNOWN, TW_COMMUTATION_UNKNOWN}};
    return row;
}

static void end_row(job *j) {
    tw_mains_tally *t = &j->tally;
    if (t->row != NULL) {
        t->row->coil_current_rms_a = sqrt(t->i2 / j->period_s);
        t->row->real_power_w = t->cycle_coil_j / j->period_s;
        j->result.coil_current_peak_a = fmax(j->result.coil_current_peak_a, t->row->coil_current_peak_a);
    }
    t->row = NULL;
    t->i2 = t->cycle_coil_j = 0.0;
}

static tw_status run_cycle(job *j) {
    tw_mains_tally *t = &j->tally;
    const double half = 0.5 * j->period_s, on = half - j->model.stage.dead_time_s;
    t->cycle_start_s = (double)j->cycle * j->period_s;
    j->run.time_s = 0.0;
    if (t->recording) {
        t->row = new_row(j);
    }
    tw_mains_tally_close(t, &j->run);
    TW_TRY(tw_run_close(&j->run, TW_HIGH_TRANSISTOR));
    TW_TRY(advance(j, on));
    tw_mains_tally_open(t, &j->run, 0, t->row);
    TW_TRY(tw_run_open(&j->run, TW_HIGH_TRANSISTOR));
    TW_TRY(advance(j, half));
    tw_mains_tally_close(t, &j->run);
    TW_TRY(tw_run_close(&j->run, TW_LOW_TRANSISTOR));
    TW_TRY(advance(j, half + on));
    tw_mains_tally_open(t, &j->run, 1, t->row);
    TW_TRY(tw_run_open(&j->run, TW_LOW_TRANSISTOR));
    TW_TRY(advance(j, j->period_s));
    end_row(j);
    j->cycle++;
    return TW_OK;
}

static tw_status run_all(job *j) {
    double x[TW_N] = {0.0};
    x[j->model.v_r] = j->model.peak_v;
    x[j->model.v_m] = 0.5 * j->model.peak_v;
    x[j->model.v_c] = j->model.stage.split ? 0.5 * j->model.peak_v : 0.0;
    x[j->model.cosine] = j->model.peak_v;
    TW_TRY(tw_run_begin(&j->run, x, 0, 0));
    j->run.n_pieces = 0;
    if (j->opts.most_settling == 0) {
        begin_recording(j, 0.0);
        j->first_recorded = 0;
    }
    /* One more cycle than recorded: the last edge's current crosses zero in it. */
    for (size_t after = 0; after < 2; after += j->ended) {
        TW_TRY(run_cycle(j));
    }
    return TW_OK;
}

/* ---- results ------------------------------------------------------------------------------------ */

static void find_weakest(const job *j, tw_mains_result *r) {
    tw_commutation worst = TW_COMMUTATION_UNKNOWN;
    double margin = INFINITY;
    for (size_t k = 0; k < r->n_cycles; k++) {
        for (size_t e = 0; e < 2; e++) {
            const tw_commutation v = r->cycles[k].verdict[e];
            const double m = r->cycles[k].zero_crossing_margin_s[e];
            const bool worse = v != worst && tw_commutation_worse(v, worst) == v;
            if (worse || (v == worst && m < margin)) {
                r->weakest = k;
                margin = isnan(m) ? INFINITY : m;
                worst = v;
            }
        }
    }
    if (r->n_cycles > 0) {
        r->weakest_phase_rad = fmod(r->cycles[r->weakest].time_s, j->half_s) / j->half_s * TW_PI;
    }
}

static void fill_result(job *j) {
    tw_mains_result *r = &j->result;
    const tw_mains_tally *t = &j->tally;
    tw_mains_energy *e = &r->energy;
    const double time = (double)j->opts.half_cycles * j->half_s;
    e->residual = e->supplied - (e->source_resistance + e->rectifier + e->coil + e->pan + e->esr + e->transistor +
                                 e->diode + e->forced + e->stored);
    r->real_power_w = t->coil_j / time;
    r->source_power_w = e->supplied / time;
    r->source_current_rms_a = sqrt(t->source2 / time);
    r->power_factor = r->source_power_w / (j->model.supply.voltage_rms_v * r->source_current_rms_a);
    r->n_harmonics = j->opts.harmonics;
    for (unsigned n = 1; n <= r->n_harmonics; n++) {
        r->harmonic_a[n] = hypot(t->fourier[n][0], t->fourier[n][1]) * sqrt(2.0) / time;
    }
    const double first = r->harmonic_a[1], all = r->source_current_rms_a;
    r->distortion = r->n_harmonics > 0 ? sqrt(fmax(all * all - first * first, 0.0)) / first : NAN;
    find_weakest(j, r);
}

static tw_status solve(job *j, const tw_half_bridge *stage, const tw_mains_supply *supply) {
    TW_TRY(tw_mains_build(j->ctx, stage, supply, &j->model));
    j->period_s = 1.0 / stage->frequency_hz;
    j->half_s = 0.5 / supply->frequency_hz;
    const double cycles = (double)j->opts.half_cycles * j->half_s / j->period_s + 4.0;
    if (cycles > 1e8) {
        return tw_fail(j->ctx, TW_TOO_LARGE, room, "%.3g periods of the stage in the recorded time", cycles);
    }
    j->capacity = (size_t)cycles;
    j->result.cycles = tw_alloc(j->ctx, j->capacity, sizeof *j->result.cycles);
    if (j->result.cycles == NULL) {
        return TW_NO_MEMORY;
    }
    tw_run_init(j->ctx, &j->model.net, &j->run);
    j->tally = (tw_mains_tally){
        .model = &j->model, .result = &j->result, .harmonics = j->opts.harmonics, .last_fall_s = {NAN, NAN}};
    j->run.observe = tw_mains_tally_piece;
    j->run.user = &j->tally;
    const tw_status status = run_all(j);
    tw_run_dispose(&j->run);
    return status;
}

tw_status tw_mains_run(tw_ctx *ctx, const tw_half_bridge *stage, const tw_mains_supply *supply,
                       const tw_mains_opts *opts, tw_mains_result *result) {
    const tw_mains_opts chosen = opts != NULL ? *opts : tw_mains_opts_default();
    tw_half_bridge checked = *stage;
    TW_TRY(tw_mains_supply_check(ctx, supply));
    checked.rail_v = sqrt(2.0) * supply->voltage_rms_v;
    TW_TRY(tw_half_bridge_check(ctx, &checked));
    TW_TRY(check_opts(ctx, &checked, supply, &chosen));
    job *j = tw_alloc(ctx, 1, sizeof *j);
    if (j == NULL) {
        return TW_NO_MEMORY;
    }
    j->ctx = ctx;
    j->opts = chosen;
    const tw_status status = solve(j, &checked, supply);
    if (status == TW_OK) {
        fill_result(j);
        *result = j->result;
    } else {
        tw_mains_result_dispose(&j->result);
    }
    tw_free(j);
    return status;
}

void tw_mains_result_dispose(tw_mains_result *result) {
    tw_free(result->cycles);
    *result = (tw_mains_result){.n_cycles = 0};
}

/* Public face of the periodic solution: solve, sample, breaks, harmonics, words. */
#include "circuit_steady.h"

#include <math.h>
#include <string.h>

/* ---- words -------------------------------------------------------------------------------------- */

const char *tw_commutation_word(tw_commutation verdict) {
    switch (verdict) {
    case TW_COMMUTATION_FULL_ZVS:
        return "full-zvs";
    case TW_COMMUTATION_PARTIAL_ZVS:
        return "partial-zvs";
    case TW_COMMUTATION_REBOUND:
        return "rebound";
    case TW_COMMUTATION_HARD:
        return "hard";
    case TW_COMMUTATION_UNKNOWN:
        break;
    }
    return "unknown";
}

static int severity(tw_commutation verdict) {
    switch (verdict) {
    case TW_COMMUTATION_HARD:
        return 4;
    case TW_COMMUTATION_PARTIAL_ZVS:
        return 3;
    case TW_COMMUTATION_REBOUND:
        return 2;
    case TW_COMMUTATION_FULL_ZVS:
        return 1;
    case TW_COMMUTATION_UNKNOWN:
        break;
    }
    return 0;
}

tw_commutation tw_commutation_worse(tw_commutation a, tw_commutation b) {
    return severity(a) >= severity(b) ? a : b;
}

static const struct {
    const char *key, *unit;
} signal_names[TW_SIGNAL_COUNT] = {
    [TW_SIGNAL_MIDPOINT_VOLTAGE] = {"midpoint_voltage", "V"},
    [TW_SIGNAL_COIL_VOLTAGE] = {"coil_voltage", "V"},
    [TW_SIGNAL_COIL_CURRENT] = {"coil_current", "A"},
    [TW_SIGNAL_CAPACITOR_VOLTAGE] = {"capacitor_voltage", "V"},
    [TW_SIGNAL_HIGH_DEVICE_CURRENT] = {"high_device_current", "A"},
    [TW_SIGNAL_LOW_DEVICE_CURRENT] = {"low_device_current", "A"},
    [TW_SIGNAL_SUPPLY_CURRENT] = {"supply_current", "A"},
    [TW_SIGNAL_PAN_CURRENT] = {"pan_current", "A"},
};

const char *tw_signal_key(tw_signal signal) {
    return (unsigned)signal < TW_SIGNAL_COUNT ? signal_names[signal].key : "unknown";
}

const char *tw_signal_unit(tw_signal signal) {
    return (unsigned)signal < TW_SIGNAL_COUNT ? signal_names[signal].unit : "";
}

/* ---- solving ------------------------------------------------------------------------------------ */

tw_steady_opts tw_steady_opts_default(void) {
    return (tw_steady_opts){.max_newton_steps = 40, .tolerance = 1e-12};
}

static tw_status check_opts(tw_ctx *ctx, const tw_steady_opts *opts) {
    if (opts->max_newton_steps < 1 || opts->max_newton_steps > 100000) {
        return tw_fail(ctx, TW_OUT_OF_RANGE, "circuit", "max_newton_steps %zu is outside 1 .. 100000",
                       opts->max_newton_steps);
    }
    if (!(opts->tolerance >= 1e-14 && opts->tolerance <= 1e-2)) {
        return tw_fail(ctx, TW_OUT_OF_RANGE, "circuit", "tolerance %.9g is outside 1e-14 .. 0.01", opts->tolerance);
    }
    return TW_OK;
}

/* `x`, `mode`: where to start; x NULL: from the fundamental's phasors. */
static tw_status solve_into(tw_ctx *ctx, const tw_half_bridge *stage, const tw_steady_opts *opts, const double *x,
                            size_t mode, tw_steady *steady) {
    double start[TW_N];
    tw_operating_point *p = &steady->point;
    TW_TRY(tw_half_bridge_build(ctx, stage, &steady->model));
    p->resonant_frequency_hz = tw_load__resonance_hz(&stage->load, stage->capacitance_f);
    if (x != NULL) {
        memcpy(start, x, sizeof start);
    } else {
        tw_half_bridge_guess(&steady->model, start, &mode);
    }
    TW_TRY(tw_shoot_solve(ctx, &steady->model.drive, opts, start, mode, &steady->run, &p->newton_steps));
    TW_TRY(tw_steady_find_edges(ctx, steady));
    tw_steady_summarize(steady);
    return TW_OK;
}

tw_status tw_steady_solve(tw_ctx *ctx, const tw_half_bridge *stage, const tw_steady_opts *opts, tw_steady **out) {
    const tw_steady_opts chosen = opts != NULL ? *opts : tw_steady_opts_default();
    TW_TRY(tw_half_bridge_check(ctx, stage));
    TW_TRY(check_opts(ctx, &chosen));
    tw_steady *steady = tw_alloc(ctx, 1, sizeof *steady);
    if (steady == NULL) {
        return TW_NO_MEMORY;
    }
    tw_run_init(ctx, &steady->model.net, &steady->run);
    const tw_status status = solve_into(ctx, stage, &chosen, NULL, 0, steady);
    if (status != TW_OK) {
        tw_steady_destroy(steady);
        return status;
    }
    *out = steady;
    return TW_OK;
}

tw_status tw_steady_resolve(tw_ctx *ctx, tw_steady *steady, const tw_half_bridge *stage, const tw_steady_opts *opts,
                            bool near) {
    const tw_steady_opts chosen = opts != NULL ? *opts : tw_steady_opts_default();
    TW_TRY(tw_half_bridge_check(ctx, stage));
    TW_TRY(check_opts(ctx, &chosen));
    tw_run *run = &steady->run;
    const bool clean = tw_ctx_error(ctx)->status == TW_OK;
    tw_status status = TW_NO_CONVERGENCE;
    run->ctx = ctx;
    run->counts = (tw_counts){0};
    if (near && run->n_pieces > 0 && steady->model.stage.load.n_branches == stage->load.n_branches) {
        double x[TW_N];
        memcpy(x, run->pieces[0].x, sizeof x);
        status = solve_into(ctx, stage, &chosen, x, run->pieces[0].mode, steady);
        if (status != TW_OK && clean) {
            tw_ctx_clear_error(ctx); /* the usual start decides */
        }
    }
    if (status != TW_OK) {
        status = solve_into(ctx, stage, &chosen, NULL, 0, steady);
    }
    if (status != TW_OK) {
        run->n_pieces = 0;
    }
    return status;
}

void tw_steady_destroy(tw_steady *steady) {
    if (steady != NULL) {
        tw_run_dispose(&steady->run);
        tw_free(steady);
    }
}

const tw_operating_point *tw_steady_point(const tw_steady *steady) {
    return &steady->point;
}

/* ---- evaluation --------------------------------------------------------------------------------- */

/* The signal in a piece of the first half, or half a period later in its mirror. */
static void piece_signal(const tw_half_bridge_model *m, size_t mode, bool second, tw_signal signal,
                         tw_functional *out) {
    tw_half_bridge_signal(m, second ? m->net.mirror.mode[mode] : mode, signal, out);
    if (second) {
        tw_functional_mirror(&m->net, out, out);
    }
}

/* Last piece that begins at or before t: the later one at a jump. */
static size_t find_piece(const tw_run *run, double t) {
    size_t low = 0, high = run->n_pieces;
    while (high - low > 1) {
        const size_t middle = low + (high - low) / 2;
        if (run->pieces[middle].start_s <= t) {
            low = middle;
        } else {
            high = middle;
        }
    }
    return low;
}

void tw_steady_sample(const tw_steady *steady, tw_signal signal, const double *time_s, size_t n, double *out) {
    const tw_half_bridge_model *m = &steady->model;
    const double half = m->drive.length_s, period = 2.0 * half;
    tw_counts counts = {0};
    tw_flow flow;
    tw_wave wave;
    size_t held = SIZE_MAX;
    bool held_second = false;
    for (size_t k = 0; k < n; k++) {
        double t = fmod(time_s[k], period);
        t = t < 0.0 ? t + period : t;
        t = t >= period ? 0.0 : t; /* a tiny negative time rounds up to the period */
        const bool second = t >= half;
        t -= second ? half : 0.0;
        const size_t at = find_piece(&steady->run, t);
        if (at != held || second != held_second) {
            tw_functional f;
            tw_piece_flow(&m->net, &steady->run.pieces[at], &counts, &flow);
            piece_signal(m, steady->run.pieces[at].mode, second, signal, &f);
            tw_wave_make(&wave, &flow, &f);
            held = at;
            held_second = second;
        }
        out[k] = tw_wave_value(&wave, t - steady->run.pieces[at].start_s);
    }
}

size_t tw_steady_breaks(const tw_steady *steady, double *time_s, size_t capacity) {
    const tw_run *run = &steady->run;
    const double half = steady->model.drive.length_s;
    size_t n = 0;
    for (size_t second = 0; second < 2; second++) {
        for (size_t k = 0; k < run->n_pieces; k++) {
            if (run->pieces[k].length_s > 0.0) {
                if (n < capacity) {
                    time_s[n] = run->pieces[k].start_s + (second ? half : 0.0);
                }
                n++;
            }
        }
    }
    return n;
}

void tw_steady_harmonic(const tw_steady *steady, tw_signal signal, unsigned n, double *re, double *im) {
    const tw_half_bridge_model *m = &steady->model;
    const double half = m->drive.length_s, w = TW_PI / half * n;
    double sum_re = 0.0, sum_im = 0.0;
    for (unsigned second = 0; second < 2; second++) {
        for (size_t k = 0; k < steady->run.n_pieces; k++) {
            const tw_piece *p = &steady->run.pieces[k];
            tw_jump jump = p->jump;
            if (second && jump.valve != TW_NO_VALVE) {
                jump.valve = m->net.mirror.valve[jump.valve];
                jump.change_v = -jump.change_v;
            }
            double f_re = 0.0, f_im = 0.0;
            if (p->length_s > 0.0) {
                tw_counts counts = {0};
                tw_flow flow;
                tw_gram gram;
                tw_wave wave;
                tw_functional f;
                tw_piece_flow(&m->net, p, &counts, &flow);
                tw_gram_make(&gram, &flow, p->length_s);
                piece_signal(m, p->mode, second, signal, &f);
                tw_wave_make(&wave, &flow, &f);
                tw_gram_fourier(&gram, &wave, w, &f_re, &f_im);
            }
            f_re += tw_half_bridge_jump_charge(m, &jump, signal);
            const double sign = second && n % 2 ? -1.0 : 1.0, c = cos(w * p->start_s), s = sin(w * p->start_s);
            sum_re += sign * (f_re * c + f_im * s);
            sum_im += sign * (f_im * c - f_re * s);
        }
    }
    *re = sum_re / half;
    *im = sum_im / half;
}

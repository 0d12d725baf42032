/* The main job, in the order a bench person would reason: make the record ready, calibrate, lay the cycles over each
 * other, read the edges, work out the quantities, hand out the hidden waveforms. */
#include <math.h>
#include <string.h>

#include "reveal_internal.h"

void tw_revealed_dispose(tw_revealed *r) {
    tw_free(r->cycles);
    tw_free(r->coil_current_a);
    tw_free(r->coil_voltage_v);
    tw_free(r->midpoint_v);
    tw_free(r->capacitor_v);
    tw_free(r->high_device_a);
    tw_free(r->low_device_a);
    tw_free(r->fold_time_s);
    tw_free(r->fold_current_a);
    tw_free(r->fold_coil_v);
    tw_free(r->fold_midpoint_v);
    tw_free(r->fold_capacitor_v);
    tw_free(r->fold_high_a);
    tw_free(r->fold_low_a);
    tw_warnings_dispose(&r->warnings);
    memset(r, 0, sizeof *r);
}

/* Deviation of the current's samples from the folded period, the bins' own degrees of freedom allowed for. */
static double current_noise(const tw_reveal__work *w, const tw_reveal__fold *f, double lead_s) {
    double sum = 0, n = 0;
    for (size_t k = 0; k < w->n; k++) {
        if (w->gap[k]) {
            continue;
        }
        const double at = tw_reveal__phase(w, k) * (double)f->n - 0.5;
        const double base = floor(at), part = at - base;
        const size_t b = (size_t)(base < 0 ? base + (double)f->n : base) % f->n;
        const double d = w->i_v[k] - (f->i[b] + part * (f->i[(b + 1) % f->n] - f->i[b]));
        sum += d * d;
        n += 1.0;
    }
    const double measured = sqrt(sum / fmax(n - (double)f->n, 0.25 * n));
    /* between two samples the interpolated current is quieter than either: noise of weights 1 - f and f */
    const double shift = lead_s / w->interval_s, part = shift - floor(shift);
    return measured / sqrt(1.0 - 2.0 * part * (1.0 - part));
}

/* What the reader of the result should know about how good the record is. */
static tw_status remark(tw_ctx *ctx, const tw_reveal__work *w, tw_revealed *out) {
    const bool swings = out->falling.verdict != TW_COMMUTATION_HARD || out->rising.verdict != TW_COMMUTATION_HARD;
    if (swings && !(out->samples_per_swing >= 5.0)) {
        TW_TRY(tw_warn(ctx, &out->warnings, "few_samples_per_swing",
                       "a swing of the midpoint has fewer than five samples: its duration, the midpoint capacitance "
                       "and the margin "
                       "are weak; record fewer cycles at a shorter sample interval"));
    }
    if (w->reversed) {
        TW_TRY(tw_warn(ctx, &out->warnings, "reversed_polarity",
                       "the coil seemed to generate power: one of the two pick-ups is the wrong way round; corrected "
                       "here by turning "
                       "the voltage channel"));
    }
    const double noise = w->noise_u / (w->high - w->low);
    if (noise > 0.05) {
        TW_TRY(tw_warn(
            ctx, &out->warnings, "noisy_voltage",
            "noise on the voltage channel is %.2g of the rail; use more turns on the loop or a smaller range", noise));
    }
    return TW_OK;
}

static tw_status reveal_with(tw_ctx *ctx, const tw_record *record, const tw_prior *prior, tw_reveal__work *w,
                             tw_reveal__fold *fold, tw_revealed *out) {
    tw_reveal__calibration cal;
    tw_reveal__solution solution;
    memset(&cal, 0, sizeof cal);
    memset(&solution, 0, sizeof solution);
    TW_TRY(tw_progress(ctx, 0.0, "analysis"));
    TW_TRY(tw_reveal__prepare(ctx, record, prior, w, &out->warnings));
    TW_TRY(tw_progress(ctx, 0.3, "analysis"));
    const tw_status calibrated = tw_reveal__calibrate(ctx, w, &cal, &solution, &out->warnings);
    if (calibrated != TW_OK) {
        return calibrated == TW_BAD_DATA ? tw_reveal__blame_saturation(ctx, w, &out->warnings, calibrated) : calibrated;
    }
    TW_TRY(tw_progress(ctx, 0.7, "analysis"));
    TW_TRY(tw_reveal__fold_make(ctx, w, &solution, &cal, fold));
    w->noise_i = current_noise(w, fold, solution.p[P_LEAD]);
    TW_TRY(tw_reveal__check_saturation(ctx, fold, &out->warnings));
    TW_TRY(tw_reveal__edges(ctx, w, &solution, fold, out));
    TW_TRY(tw_reveal__quantities(ctx, w, &solution, &cal, fold, out));
    TW_TRY(tw_reveal__waves(ctx, w, &solution, &cal, fold, out));
    out->voltage_reversed = w->reversed;
    out->whole_cycles = w->cycles;
    out->conduction_residual_v = cal.residual / solution.p[P_GAIN];
    TW_TRY(remark(ctx, w, out));
    return tw_progress(ctx, 1.0, "analysis");
}

tw_status tw_reveal(tw_ctx *ctx, const tw_record *record, const tw_prior *prior, tw_revealed *out) {
    tw_reveal__work work;
    tw_reveal__fold fold;
    tw_revealed result;
    memset(&work, 0, sizeof work);
    memset(&fold, 0, sizeof fold);
    memset(&result, 0, sizeof result);
    const tw_status status = reveal_with(ctx, record, prior, &work, &fold, &result);
    tw_reveal__release(&work);
    tw_reveal__fold_dispose(&fold);
    if (status != TW_OK) {
        tw_revealed_dispose(&result);
        return status;
    }
    *out = result;
    return TW_OK;
}

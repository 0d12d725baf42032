/* Fourier transforms of real records (FFTW), and the strongest line of a spectrum.
 *
 * FFTW's planner keeps state of its own for the whole process and is not safe from several threads, so planning and
 * destroying plans is guarded by the one lock below; executing a plan needs none. Plans are estimated, not measured:
 * making one costs microseconds and results do not depend on timing.
 */
#include "numeric_private.h"

#include <complex.h>
#include <fftw3.h>
#include <limits.h>
#include <math.h>
#include <pthread.h>
#include <string.h>

/* Guards FFTW's planner, which is shared by the process whatever we do; it protects no state of ours. */
static pthread_mutex_t planner_lock = PTHREAD_MUTEX_INITIALIZER;

static tw_status check_length(tw_ctx *ctx, size_t n) {
    if (n == 0) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "Fourier transform of no samples");
    }
    if (n > INT_MAX) {
        return tw_fail(ctx, TW_TOO_LARGE, ROOM, "Fourier transform of %zu samples, at most %d", n, INT_MAX);
    }
    return TW_OK;
}

static tw_status run(tw_ctx *ctx, size_t n, double *x, double _Complex *z, bool forward) {
    (void)pthread_mutex_lock(&planner_lock);
    fftw_plan plan =
        forward ? fftw_plan_dft_r2c_1d((int)n, x, z, FFTW_ESTIMATE) : fftw_plan_dft_c2r_1d((int)n, z, x, FFTW_ESTIMATE);
    (void)pthread_mutex_unlock(&planner_lock);
    if (plan == NULL) {
        return tw_fail(ctx, TW_NO_MEMORY, ROOM, "Fourier transform of %zu samples: no plan", n);
    }
    fftw_execute(plan);
    (void)pthread_mutex_lock(&planner_lock);
    fftw_destroy_plan(plan);
    (void)pthread_mutex_unlock(&planner_lock);
    return TW_OK;
}

tw_status tw_fft_forward(tw_ctx *ctx, size_t n, const double *x, double _Complex *out) {
    TW_TRY(check_length(ctx, n));
    TW_TRY(tw_numeric__check_finite(ctx, n, x, "samples"));
    double *copy = tw_alloc(ctx, n, sizeof *copy);
    if (copy == NULL) {
        return TW_NO_MEMORY;
    }
    memcpy(copy, x, n * sizeof *copy);
    const tw_status status = run(ctx, n, copy, out, true);
    tw_free(copy);
    return status;
}

tw_status tw_fft_inverse(tw_ctx *ctx, size_t n, const double _Complex *in, double *x) {
    TW_TRY(check_length(ctx, n));
    const size_t n_in = n / 2 + 1;
    for (size_t i = 0; i < n_in; i++) {
        if (!isfinite(creal(in[i])) || !isfinite(cimag(in[i]))) {
            return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "spectrum: number %zu is not finite", i + 1);
        }
    }
    double _Complex *copy = tw_alloc(ctx, n_in, sizeof *copy);
    if (copy == NULL) {
        return TW_NO_MEMORY;
    }
    memcpy(copy, in, n_in * sizeof *copy);
    const tw_status status = run(ctx, n, x, copy, false);
    tw_free(copy);
    for (size_t i = 0; status == TW_OK && i < n; i++) {
        x[i] /= (double)n;
    }
    return status;
}

/* Mean removed, Hann window (zero just outside both ends). */
static void window(size_t n, const double *y, double *out) {
    double mean = 0.0;
    for (size_t i = 0; i < n; i++) {
        mean += y[i] / (double)n;
    }
    for (size_t i = 0; i < n; i++) {
        out[i] = (y[i] - mean) * (1.0 - cos(2.0 * TW_PI * ((double)i + 0.5) / (double)n));
    }
}

/* For a Hann window the two largest bins k, k+1 of a line at k + d have moduli in the ratio (2-d)/(1+d). */
static double interpolate(size_t n, const double _Complex *z, size_t top) {
    const double here = cabs(z[top]), left = cabs(z[top - 1]), right = top + 1 <= n / 2 ? cabs(z[top + 1]) : 0.0;
    const double ratio = fmax(left, right) / here;
    const double d = (2.0 * ratio - 1.0) / (1.0 + ratio);
    return (double)top + fmax(0.0, d) * (right > left ? 1.0 : -1.0);
}

tw_status tw_spectrum_peak(tw_ctx *ctx, size_t n, const double *y, double interval_s, double *frequency_hz) {
    if (n < 8) {
        return tw_fail(ctx, TW_BAD_DATA, ROOM, "spectrum of %zu samples, wanted 8 or more", n);
    }
    if (!(interval_s > 0.0) || !isfinite(interval_s)) {
        return tw_fail(ctx, TW_BAD_ARGUMENT, ROOM, "sample interval %g s", interval_s);
    }
    TW_TRY(tw_numeric__check_finite(ctx, n, y, "samples"));
    double *x = tw_alloc(ctx, n, sizeof *x);
    double _Complex *z = tw_alloc(ctx, n / 2 + 1, sizeof *z);
    tw_status status = TW_NO_MEMORY;
    if (x != NULL && z != NULL) {
        window(n, y, x);
        status = tw_fft_forward(ctx, n, x, z);
    }
    if (status == TW_OK) {
        size_t top = 1;
        for (size_t k = 2; k <= n / 2; k++) {
            top = cabs(z[k]) > cabs(z[top]) ? k : top;
        }
        double size = 0.0;
        for (size_t i = 0; i < n; i++) {
            size = fmax(size, fabs(y[i]));
        }
        if (cabs(z[top]) <= 1e-13 * size * (double)n) { /* rounding of the mean only */
            status = tw_fail(ctx, TW_BAD_DATA, ROOM, "the record is constant");
        } else {
            *frequency_hz = interpolate(n, z, top) / ((double)n * interval_s);
        }
    }
    tw_free(x);
    tw_free(z);
    return status;
}

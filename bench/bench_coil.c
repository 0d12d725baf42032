/* The field of a 25-turn coil under a clad pan bottom of three layers, with ferrite and shield below: one impedance,
 * and a table of 100 frequencies by 20 gaps. Reference: the same integral by adaptive Gauss-Kronrod quadrature (QAG of
 * GSL) to 1e-8, real and imaginary part one after the other, as one would write it down; both results must agree. */
#include "bench.h"

#include <math.h>

#include "tankwright/coil.h"
#include "tankwright/numeric.h"

#define N_TURNS 25
#define N_FREQUENCIES 100
#define N_GAPS 20
#define SAMPLED 10 /* table entries that the reference computes; its time for all is scaled up */

typedef struct field {
    bench *b;
    tw_turn turn[N_TURNS];
    tw_winding coil;
    tw_stack pan, below;
    double below_gap_m, gap_m, frequency_hz;
    bool imaginary;
    tw_coil_plan *plan;
    tw_coil_z z;
    double reference_r, reference_l;
    double frequencies[N_FREQUENCIES], gaps[N_GAPS];
    tw_coil_z table[N_FREQUENCIES * N_GAPS];
} field;

static double integrand(double a, void *user) {
    const field *f = user;
    const double w = 2.0 * TW_PI * f->frequency_hz, wire = f->coil.wire_radius_m;
    double source = 0.0, ur, ui, lr, li;
    for (size_t i = 0; i < N_TURNS; i++) {
        source += f->turn[i].radius_m * j1(a * f->turn[i].radius_m);
    }
    const double u0 = source * exp(-a * (f->gap_m + wire)), d0 = source * exp(-a * (f->below_gap_m + wire));
    const double e = exp(-a * (f->gap_m + f->below_gap_m + 2.0 * wire));
    tw_stack_reflection(&f->pan, a, w, &ur, &ui);
    tw_stack_reflection(&f->below, a, w, &lr, &li);
    const double gr = ur * lr - ui * li, gi = ur * li + ui * lr; /* Gu Gl */
    const double nr = ur * u0 * u0 + lr * d0 * d0 + 2.0 * e * u0 * d0 * gr;
    const double ni = ui * u0 * u0 + li * d0 * d0 + 2.0 * e * u0 * d0 * gi;
    const double dr = 1.0 - gr * e * e, di = -gi * e * e, size = dr * dr + di * di;
    return f->imaginary ? (ni * dr - nr * di) / size : (nr * dr + ni * di) / size;
}

static void by_adaptive_quadrature(void *user) {
    field *f = user;
    double part[2];
    for (int k = 0; k < 2; k++) {
        f->imaginary = k == 1;
        const double end = 18.0 / (fmin(f->gap_m, f->below_gap_m) + f->coil.wire_radius_m);
        bench_require(tw_integrate(f->b->ctx, integrand, f, 0.0, end, 0.0, 1e-8, &part[k], NULL) == TW_OK, f->b,
                      "adaptive quadrature");
    }
    f->reference_l = tw_coil_plan_air_inductance(f->plan) + TW_PI * TW_MU0 * part[0];
    f->reference_r = -2.0 * TW_PI * f->frequency_hz * TW_PI * TW_MU0 * part[1];
}

static void solve_once(void *user) {
    field *f = user;
    bench_require(tw_coil_solve(f->b->ctx, f->plan, &f->pan, f->gap_m, f->frequency_hz, &f->z) == TW_OK, f->b,
                  "impedance");
}

static void solve_table(void *user) {
    field *f = user;
    bench_require(tw_coil_solve_table(f->b->ctx, f->plan, &f->pan, N_FREQUENCIES, f->frequencies, N_GAPS, f->gaps,
                                      f->table) == TW_OK,
                  f->b, "table");
}

static void sampled_table(void *user) {
    field *f = user;
    for (size_t k = 0; k < SAMPLED; k++) {
        f->frequency_hz = f->frequencies[k * N_FREQUENCIES / SAMPLED];
        f->gap_m = f->gaps[k * N_GAPS / SAMPLED];
        by_adaptive_quadrature(f);
    }
}

static void make_plan(void *user) {
    field *f = user;
    tw_coil_plan_destroy(f->plan);
    f->plan = NULL;
    bench_require(tw_coil_plan_create(f->b->ctx, &f->coil, &f->below, f->below_gap_m, NULL, &f->plan) == TW_OK, f->b,
                  "plan");
}

void bench_coil(bench *b) {
    static field f;
    f.b = b;
    f.coil = tw_winding_spiral(N_TURNS, 0.020, 0.090, 1.25e-3, f.turn);
    f.below = tw_stack_ferrite(4e-3, 800.0, 10e-3, 2e-3, 35e6);
    f.below_gap_m = 3e-3;
    f.gap_m = 6e-3;
    f.frequency_hz = 25e3;
    bench_require(tw_pan_preset("clad", 60.0, &f.pan), b, "pan");
    for (size_t k = 0; k < N_FREQUENCIES; k++) {
        f.frequencies[k] = 1e4 * pow(100.0, (double)k / (N_FREQUENCIES - 1));
    }
    for (size_t k = 0; k < N_GAPS; k++) {
        f.gaps[k] = 2e-3 + 1e-3 * (double)k;
    }
    make_plan(&f);
    solve_once(&f);
    by_adaptive_quadrature(&f);
    const double worst =
        fmax(fabs(f.z.delta_r_ohm / f.reference_r - 1.0), fabs(f.z.inductance_h / f.reference_l - 1.0));
    bench_require(worst < 1e-6, b, "agreement with adaptive quadrature");
    bench_add(b, "coil-agreement", "1", worst, NAN, "", 1e-8, "the reference's own tolerance");
    const double ours = bench_time(solve_once, &f, 0.5).median_s;
    bench_add(b, "coil-impedance", "s", ours, bench_time(by_adaptive_quadrature, &f, 0.5).median_s,
              "adaptive quadrature to 1e-8", 200e-6, "reflection of six layers at some 400 nodes");
    const double table = bench_time(solve_table, &f, 1.0).median_s;
    const double sampled = bench_time(sampled_table, &f, 0.5).median_s;
    bench_add(b, "coil-table-100x20", "s", table, sampled * (N_FREQUENCIES * N_GAPS / SAMPLED),
              "adaptive quadrature, ten entries scaled up", 0.3, "exponentials and products per node and gap");
    f.gap_m = 6e-3;
    f.frequency_hz = 25e3;
    bench_add(b, "coil-plan", "s", bench_time(make_plan, &f, 0.3).median_s, NAN, "", NAN,
              "Bessel functions of 25 turns per node");
    tw_coil_plan_destroy(f.plan);
    f.plan = NULL;
}

/* Shooting. The unknown is the state just after the first gate edge; with F the motion over half a period and M the
 * mirror, the fixed point of P = M F is the periodic solution (docs/theory.md, "Steady state"). Newton solves
 * (I - P') dx = P(x) - x in energy coordinates; steps that do not lower the residual are halved, and where halving
 * does not help either the map itself is applied a few times: a passive stage contracts.
 */
#include "circuit_shoot.h"

#include <math.h>
#include <string.h>

#include "tankwright/numeric.h"

static const char room[] = "circuit";

static const int most_halvings = 5;
static const int plain_turns = 6;
/* Map evaluations allowed per Newton step allowed. */
static const size_t evaluations_per_step = 12;

tw_status tw_half_wave_run(const tw_half_wave *drive, const double *x, size_t mode, tw_run *run) {
    TW_TRY(tw_run_begin(run, x, mode, drive->gates));
    for (size_t k = 0; k < drive->n_edges; k++) {
        const tw_gate_edge *edge = &drive->edges[k];
        TW_TRY(tw_run_advance(run, edge->time_s));
        TW_TRY(edge->on ? tw_run_close(run, edge->valve) : tw_run_open(run, edge->valve));
    }
    return tw_run_advance(run, drive->length_s);
}

typedef struct shot {
    double x[TW_N], image[TW_N]; /* start and mirrored end */
    size_t mode, image_mode;
    double residual, size; /* energy norms of image - x and of the image */
} shot;

static tw_status shoot(const tw_half_wave *drive, shot *s, tw_run *run) {
    const tw_network *net = run->net;
    TW_TRY(tw_half_wave_run(drive, s->x, s->mode, run));
    memcpy(s->x, run->pieces[0].x, sizeof s->x); /* slaved states on their laws */
    tw_network_mirror_state(net, run->x, s->image);
    s->image_mode = net->mirror.mode[run->mode];
    double difference = 0.0, size = 0.0;
    for (size_t j = 0; j < net->n; j++) {
        const double d = net->scale[j] * (s->image[j] - s->x[j]), v = net->scale[j] * s->image[j];
        difference += d * d;
        size += v * v;
    }
    s->residual = sqrt(difference);
    s->size = sqrt(size);
    return isfinite(s->residual) ? TW_OK : tw_fail(run->ctx, TW_OUT_OF_RANGE, room, "the circuit's state overflows");
}

/* I - P' in energy coordinates, factored. */
typedef struct slope {
    bool valid;
    double a[TW_N * TW_N];
    size_t pivot[TW_N];
} slope;

static void factor_slope(tw_ctx *ctx, const tw_run *run, slope *f) {
    const tw_network *net = run->net;
    const size_t n = net->n;
    for (size_t i = 0; i < n; i++) {
        for (size_t j = 0; j < n; j++) {
            f->a[i * n + j] = i == j ? 1.0 : 0.0;
        }
        for (size_t k = 0; k < run->n_columns; k++) {
            const size_t j = run->column[k];
            f->a[i * n + j] -= net->mirror.sign[i] * run->s[i][k] * (net->scale[i] / net->scale[j]);
        }
    }
    const bool clean = tw_ctx_error(ctx)->status == TW_OK;
    f->valid = tw_matrix_factor(ctx, n, f->a, f->pivot, NULL) == TW_OK;
    if (!f->valid && clean) {
        tw_ctx_clear_error(ctx); /* the plain map takes over */
    }
}

/* Newton step in plain coordinates; false where the system is singular. */
static bool newton_step(const tw_network *net, const slope *f, const shot *s, double *step) {
    double r[TW_N];
    for (size_t i = 0; i < net->n; i++) {
        r[i] = net->scale[i] * (s->image[i] - s->x[i]);
    }
    if (f->valid) {
        tw_matrix_solve_factored(net->n, f->a, f->pivot, r);
    }
    bool usable = f->valid;
    for (size_t i = 0; i < net->n; i++) {
        step[i] = r[i] / net->scale[i];
        usable = usable && isfinite(step[i]);
    }
    return usable;
}

/* Damped step; true where it lowered the residual and *s moved on. */
static tw_status try_step(const tw_half_wave *drive, const double *step, shot *s, tw_run *run, size_t *evaluations,
                          bool *lower) {
    double factor = 1.0;
    *lower = false;
    for (int k = 0; k <= most_halvings; k++, factor *= 0.5) {
        shot next = {.mode = s->image_mode};
        for (size_t j = 0; j < run->net->n; j++) {
            next.x[j] = s->x[j] + factor * step[j];
        }
        TW_TRY(shoot(drive, &next, run));
        ++*evaluations;
        if (next.residual < s->residual) {
            *s = next;
            *lower = true;
            return TW_OK;
        }
    }
    return TW_OK;
}

static tw_status turn(const tw_half_wave *drive, int times, shot *s, tw_run *run, size_t *evaluations) {
    for (int k = 0; k < times; k++) {
        memcpy(s->x, s->image, sizeof s->x);
        s->mode = s->image_mode;
        TW_TRY(shoot(drive, s, run));
        ++*evaluations;
    }
    return TW_OK;
}

/* Once the state changes by no more than this of itself per turn, Newton's next step lands within the tolerance or
 * nearly so: that turn is run without its derivative, which a following step then borrows from the turn before. */
static const double nearly = 1e-5;

tw_status tw_shoot_solve(tw_ctx *ctx, const tw_half_wave *drive, const tw_steady_opts *opts, double *x, size_t mode,
                         tw_run *run, size_t *steps) {
    shot s = {.mode = mode};
    slope f = {.valid = false};
    memcpy(s.x, x, sizeof s.x);
    run->wants_derivative = true;
    size_t evaluations = 1;
    *steps = 0;
    TW_TRY(shoot(drive, &s, run));
    while (s.residual > opts->tolerance * s.size) {
        if (*steps >= opts->max_newton_steps || evaluations > evaluations_per_step * opts->max_newton_steps) {
            return tw_fail(ctx, TW_NO_CONVERGENCE, room,
                           "no periodic solution within %zu Newton steps: the state still changes by %.3g of itself "
                           "in %.3g s of drive",
                           *steps, s.residual / s.size, drive->length_s);
        }
        double step[TW_N];
        bool lower = false;
        ++*steps;
        const bool fresh = run->wants_derivative;
        if (fresh) {
            factor_slope(ctx, run, &f);
        }
        if (newton_step(run->net, &f, &s, step)) {
            const double before = s.residual;
            run->wants_derivative = before > nearly * s.size;
            TW_TRY(try_step(drive, step, &s, run, &evaluations, &lower));
            if (!lower && before <= 100.0 * opts->tolerance * s.size) {
                TW_TRY(shoot(drive, &s, run)); /* rounding's floor: the pieces of the best state */
                break;
            }
        }
        if (!lower) {
            run->wants_derivative = true;
            TW_TRY(turn(drive, plain_turns, &s, run, &evaluations));
        }
    }
    memcpy(x, s.x, sizeof s.x);
    return TW_OK;
}

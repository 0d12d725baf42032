/* Inductance in air.
 *
 * Coaxial filaments: Maxwell's M = mu0 sqrt(ab)/k [(2 - k^2) F - 2 E]. With the arithmetic-geometric mean
 * F - E = F sum 2^(n-1) c_n^2 the bracket is F sum_{n >= 1} 2^n c_n^2: no cancellation at any distance.
 * Sections: the mean of M over both sections. For the self-inductance the mean over heights is one integral with weight
 * 2 (h - t)/h^2, and the logarithm sits in the corner s = r' - r = 0, t = z' - z = 0 only: the square (s, t) is cut
 * into two triangles with that corner as apex, graded towards it, and a sinh map takes care of slender sections. */
#include "coil_private.h"

double tw_mutual_loops(double radius_a_m, double radius_b_m, double distance_m) {
    const double sum2 = (radius_a_m + radius_b_m) * (radius_a_m + radius_b_m) + distance_m * distance_m;
    const double difference = radius_a_m - radius_b_m;
    const double m1 = (difference * difference + distance_m * distance_m) / sum2;
    if (m1 == 0.0) {
        return INFINITY;
    }
    double a = 1.0, b = sqrt(m1), total = 0.0, power = 1.0;
    for (int n = 0; n < 12; n++) {
        const double c = 0.5 * (a - b), next = 0.5 * (a + b);
        b = sqrt(a * b);
        a = next;
        power *= 2.0;
        total += power * c * c;
        if (c < 1e-9 * a) {
            break;
        }
    }
    /* sqrt(ab)/k = sqrt(sum2)/2 */
    return TW_MU0 * 0.5 * sqrt(sum2) * (0.5 * TW_PI / a) * total;
}

double tw_loop_inductance(double radius_m, double wire_radius_m, bool skin_current) {
    return TW_MU0 * radius_m * (log(8.0 * radius_m / wire_radius_m) - (skin_current ? 2.0 : 1.75));
}

double tw_nagaoka(double diameter_over_length) {
    const double u = diameter_over_length;
    if (u < 1e-3) { /* the closed form loses digits; 1 - 4u/(3 pi) + u^2/8 - u^4/64 */
        return 1.0 - 4.0 * u / (3.0 * TW_PI) + u * u / 8.0;
    }
    const double kc2 = 1.0 / (1.0 + u * u), k2 = u * u * kc2, k = sqrt(k2), kc = sqrt(kc2);
    double f, e;
    tw_coil__elliptic(kc2, &f, &e);
    return 4.0 / (3.0 * TW_PI * kc) * (kc2 / k2 * (f - e) + e - k);
}

double tw_sheet_inductance(double radius_m, double length_m, double turns) {
    return TW_MU0 * turns * turns * TW_PI * radius_m * radius_m / length_m * tw_nagaoka(2.0 * radius_m / length_m);
}

/* The formulas count in inches and microhenries. */
#define INCH_M 0.0254

double tw_wheeler_solenoid(double radius_m, double length_m, double turns) {
    const double a = radius_m / INCH_M, b = length_m / INCH_M;
    return 1e-6 * a * a * turns * turns / (9.0 * a + 10.0 * b);
}

double tw_wheeler_multilayer(double radius_m, double length_m, double depth_m, double turns) {
    const double a = radius_m / INCH_M, b = length_m / INCH_M, c = depth_m / INCH_M;
    return 1e-6 * 0.8 * a * a * turns * turns / (6.0 * a + 9.0 * b + 10.0 * c);
}

double tw_wheeler_spiral(double radius_m, double depth_m, double turns) {
    const double a = radius_m / INCH_M, c = depth_m / INCH_M;
    return 1e-6 * a * a * turns * turns / (8.0 * a + 11.0 * c);
}

/* ---- section ---- */

typedef struct rules {
    size_t n_p, n_v, n_r;
    double p[TW_COIL__MOST_GAUSS], wp[TW_COIL__MOST_GAUSS], v[TW_COIL__MOST_GAUSS], wv[TW_COIL__MOST_GAUSS];
    double r[TW_COIL__MOST_GAUSS], wr[TW_COIL__MOST_GAUSS];
} rules;

static void make_rules(size_t n, int grade, bool to_the_axis, rules *g) {
    g->n_p = n;
    g->n_v = n;
    g->n_r = to_the_axis && 2 * n < TW_COIL__MOST_GAUSS ? 2 * n : n;
    tw_coil__gauss(g->n_p, g->p, g->wp);
    tw_coil__gauss(g->n_v, g->v, g->wv);
    tw_coil__gauss(g->n_r, g->r, g->wr);
    for (size_t i = 0; i < g->n_p; i++) { /* p = x^grade tames the logarithm in the corner */
        const double x = g->p[i], power = pow(x, grade - 1);
        g->p[i] = power * x;
        g->wp[i] *= grade * power;
    }
    for (size_t i = 0; to_the_axis && i < g->n_r; i++) { /* the integrand is steep near the axis */
        const double y = g->r[i];
        g->r[i] = y * y * y;
        g->wr[i] *= 3.0 * y * y;
    }
}

/* Mean over r in [r1, r2 - s] of M(r, r + s, t), times that interval's length. */
static double radial_integral(const rules *g, double r1, double r2, double s, double t) {
    const double length = r2 - s - r1;
    double sum = 0.0;
    for (size_t k = 0; k < g->n_r; k++) {
        const double r = r1 + length * g->r[k];
        sum += g->wr[k] * tw_mutual_loops(r, r + s, t);
    }
    return sum * length;
}

/* One triangle: the leading variable runs along p, the other is lead * v; `slender` is extent(other)/extent(leading).
 */
static double triangle(const rules *g, double r1, double w, double h, bool radius_leads) {
    const double slender = radius_leads ? h / w : w / h, c = asinh(slender);
    double sum = 0.0;
    for (size_t i = 0; i < g->n_v; i++) {
        const double v = slender > 1e-3 ? sinh(c * g->v[i]) / slender : g->v[i];
        const double dv = slender > 1e-3 ? c * cosh(c * g->v[i]) / slender : 1.0;
        for (size_t k = 0; k < g->n_p; k++) {
            const double lead = g->p[k], other = lead * v;
            const double s = w * (radius_leads ? lead : other), t = h * (radius_leads ? other : lead);
            sum += g->wv[i] * dv * g->wp[k] * lead * (h - t) * radial_integral(g, r1, r1 + w, s, t);
        }
    }
    return sum * w * h;
}

/* L / N^2 */
static double section_self(size_t n, double r1, double w, double h) {
    rules g;
    double sum = 0.0;
    if (h == 0.0) { /* without the area factor of a triangle the corner needs a finer grade */
        make_rules(2 * n, 5, r1 < 0.2 * w, &g);
        for (size_t k = 0; k < g.n_p; k++) {
            sum += g.wp[k] * radial_integral(&g, r1, r1 + w, w * g.p[k], 0.0);
        }
        return 2.0 * sum / w;
    }
    make_rules(n, 3, r1 < 0.2 * w, &g);
    return 4.0 / (w * w * h * h) * (triangle(&g, r1, w, h, true) + triangle(&g, r1, w, h, false));
}

static double turns_self(const tw_winding *w) {
    double sum = 0.0;
    for (size_t i = 0; i < w->n_turns; i++) {
        sum += tw_loop_inductance(w->turn[i].radius_m, w->wire_radius_m, false);
        for (size_t k = 0; k < i; k++) {
            sum += 2.0 * tw_mutual_loops(w->turn[i].radius_m, w->turn[k].radius_m, w->turn[i].z_m - w->turn[k].z_m);
        }
    }
    return sum;
}

tw_status tw_winding_inductance(tw_ctx *ctx, const tw_winding *w, double *inductance_h, double *error_h) {
    TW_TRY(tw_winding_check(ctx, w));
    double value, error;
    if (w->kind == TW_WINDING_TURNS) {
        value = turns_self(w);
        error = 0.0;
        for (size_t i = 0; i < w->n_turns; i++) {
            const double ratio = w->wire_radius_m / w->turn[i].radius_m; /* next term of the ring formula */
            error += TW_MU0 * w->turn[i].radius_m * ratio * ratio * fabs(log(8.0 / ratio)) / 8.0;
        }
    } else if (w->inner_radius_m == w->outer_radius_m) {
        value = tw_sheet_inductance(w->inner_radius_m, w->height_m, w->turns);
        error = 1e-14 * value;
    } else {
        const double width = w->outer_radius_m - w->inner_radius_m, n2 = w->turns * w->turns;
        value = n2 * section_self(16, w->inner_radius_m, width, w->height_m);
        error = fabs(value - n2 * section_self(12, w->inner_radius_m, width, w->height_m));
    }
    *inductance_h = value;
    if (error_h != NULL) {
        *error_h = error;
    }
    return TW_OK;
}

/* ---- two windings ---- */

/* The order of the rules rises until two agree to this. */
#define MUTUAL_ERROR 1e-10

static bool sections_overlap(const tw_winding *a, const tw_winding *b, double rise) {
    if (a->kind != TW_WINDING_SECTION || b->kind != TW_WINDING_SECTION) {
        return false;
    }
    return a->inner_radius_m < b->outer_radius_m && b->inner_radius_m < a->outer_radius_m && rise < a->height_m &&
           -rise < b->height_m;
}

/* Gauss points in each direction of one winding's section. */
typedef struct section_rule {
    size_t n_r, n_z, count;
    double x[TW_COIL__MOST_GAUSS], wx[TW_COIL__MOST_GAUSS], y[TW_COIL__MOST_GAUSS], wy[TW_COIL__MOST_GAUSS];
} section_rule;

static void make_section_rule(const tw_winding *w, size_t n, section_rule *g) {
    const double wide = w->outer_radius_m - w->inner_radius_m, high = w->height_m, most = fmax(wide, high);
    /* the shorter side needs fewer points */
    g->n_r = wide == 0.0 ? 1 : (size_t)ceil(fmax(4.0, (double)n * fmin(1.0, sqrt(wide / most))));
    g->n_z = high == 0.0 ? 1 : (size_t)ceil(fmax(4.0, (double)n * fmin(1.0, sqrt(high / most))));
    g->count = g->n_r * g->n_z;
    if (w->kind == TW_WINDING_TURNS) {
        g->count = w->n_turns;
        return;
    }
    tw_coil__gauss(g->n_r, g->x, g->wx);
    tw_coil__gauss(g->n_z, g->y, g->wy);
}

/* The i-th filament that stands for the winding. */
static tw_filament filament_at(const tw_winding *w, const section_rule *g, size_t i) {
    if (w->kind == TW_WINDING_TURNS) {
        return (tw_filament){w->turn[i].radius_m, w->turn[i].z_m, 1.0};
    }
    const size_t k = i % g->n_z, j = i / g->n_z;
    return (tw_filament){w->inner_radius_m + (w->outer_radius_m - w->inner_radius_m) * g->x[j], w->height_m * g->y[k],
                         w->turns * g->wx[j] * g->wy[k]};
}

static double mutual_by(size_t n, const tw_winding *a, const tw_winding *b, double rise) {
    section_rule at_a, at_b;
    make_section_rule(a, n, &at_a);
    make_section_rule(b, n, &at_b);
    double sum = 0.0;
    for (size_t i = 0; i < at_a.count; i++) {
        const tw_filament p = filament_at(a, &at_a, i);
        for (size_t k = 0; k < at_b.count; k++) {
            const tw_filament q = filament_at(b, &at_b, k);
            sum += p.turns * q.turns * tw_mutual_loops(p.radius_m, q.radius_m, rise + q.z_m - p.z_m);
        }
    }
    return sum;
}

tw_status tw_winding_mutual(tw_ctx *ctx, const tw_winding *a, const tw_winding *b, double rise_m, double *mutual_h,
                            double *error_h) {
    TW_TRY(tw_winding_check(ctx, a));
    TW_TRY(tw_winding_check(ctx, b));
    if (!isfinite(rise_m)) {
        return tw_coil__refuse(ctx, "rise", rise_m, "a height in metres");
    }
    if (sections_overlap(a, b, rise_m)) {
        return tw_coil__refuse(ctx, "rise", rise_m, "a height at which the two windings do not overlap");
    }
    static const size_t ORDER[] = {8, 12, 18, 28};
    double value = mutual_by(6, a, b, rise_m), error = INFINITY;
    for (size_t k = 0; k < sizeof ORDER / sizeof *ORDER && error > MUTUAL_ERROR * fabs(value); k++) {
        const double before = value;
        value = mutual_by(ORDER[k], a, b, rise_m);
        error = fabs(value - before);
        if (!isfinite(value)) {
            return tw_coil__refuse(ctx, "rise", rise_m, "a height at which no two turns coincide");
        }
    }
    *mutual_h = value;
    if (error_h != NULL) {
        *error_h = error;
    }
    return TW_OK;
}

/* Nonlinear least squares against the NIST Statistical Reference Datasets (National Institute of Standards and
 * Technology, StRD, Nonlinear Regression: Misra1a, MGH09, Thurber, ENSO). Certified values and standard deviations are
 * read from the data files themselves. Wanted: 1e-6 from start 2; from start 1 1e-4 or an outcome that says so. */
#include "testing.h"

#include "tankwright/numeric.h"

#include <math.h>
#include <string.h>

#define MOST_PARAMS 9
#define MOST_POINTS 200

typedef struct dataset {
    size_t n, n_params;
    double x[MOST_POINTS], y[MOST_POINTS];
    double start[2][MOST_PARAMS], certified[MOST_PARAMS], sd[MOST_PARAMS];
    double squares;
    double (*model)(const double *b, double x);
} dataset;

static double misra1a(const double *b, double x) {
    return b[0] * (1.0 - exp(-b[1] * x));
}

static double mgh09(const double *b, double x) {
    return b[0] * (x * x + x * b[1]) / (x * x + x * b[2] + b[3]);
}

static double thurber(const double *b, double x) {
    return (b[0] + x * (b[1] + x * (b[2] + x * b[3]))) / (1.0 + x * (b[4] + x * (b[5] + x * b[6])));
}

static double enso(const double *b, double x) {
    const double year = 2.0 * TW_PI * x / 12.0, first = 2.0 * TW_PI * x / b[3], second = 2.0 * TW_PI * x / b[6];
    return b[0] + b[1] * cos(year) + b[2] * sin(year) + b[4] * cos(first) + b[5] * sin(first) + b[7] * cos(second) +
           b[8] * sin(second);
}

/* Numbers of one line, anything else between them skipped. */
static size_t numbers_of(const char *line, size_t length, double *out, size_t most) {
    size_t n = 0;
    for (size_t i = 0; i < length && n < most;) {
        const size_t used = tw_parse_number(line + i, length - i, &out[n]);
        n += used > 0;
        i += used > 0 ? used : 1;
    }
    return n;
}

/* Layout: parameters from line 41 ("b1 = start1 start2 certified sd"), sum of squares on its own line, data from
 * line 61. */
static void parse(const char *text, dataset *d) {
    size_t line_number = 0;
    for (const char *line = text; *line != '\0';) {
        const size_t length = strcspn(line, "\n");
        line_number++;
        double v[6];
        const char *equals = memchr(line, '=', length);
        if (line_number >= 41 && line_number < 60 && equals != NULL && line[2] == 'b') {
            assert_int_equal(numbers_of(equals, length - (size_t)(equals - line), v, 6), 4);
            d->start[0][d->n_params] = v[0];
            d->start[1][d->n_params] = v[1];
            d->certified[d->n_params] = v[2];
            d->sd[d->n_params++] = v[3];
        } else if (strncmp(line, "Residual Sum of Squares:", 24) == 0) {
            assert_int_equal(numbers_of(line, length, v, 6), 1);
            d->squares = v[0];
        } else if (line_number >= 61 && numbers_of(line, length, v, 2) == 2) {
            d->y[d->n] = v[0];
            d->x[d->n++] = v[1];
        }
        line += length + (line[length] == '\n');
    }
}

static bool load(tw_ctx *ctx, const char *name, dataset *d) {
    char path[512], file[64], *text;
    size_t length;
    (void)snprintf(file, sizeof file, "nist-strd/%s.dat", name);
    if (tw_shared_data(file, path, sizeof path) == NULL) {
        return false;
    }
    assert_ok(tw_read_file(ctx, path, 100000, &text, &length), ctx);
    parse(text, d);
    tw_free(text);
    return true;
}

static tw_status residual(const double *p, double *r, void *user) {
    const dataset *d = user;
    for (size_t i = 0; i < d->n; i++) {
        r[i] = d->y[i] - d->model(p, d->x[i]);
    }
    return TW_OK;
}

static void check(const char *name, size_t n, size_t n_params, double (*model)(const double *, double)) {
    tw_ctx *ctx = tw_ctx_create();
    dataset d = {.model = model};
    if (!load(ctx, name, &d)) {
        tw_ctx_destroy(ctx);
        skip();
    }
    assert_int_equal(d.n, n);
    assert_int_equal(d.n_params, n_params);
    const tw_fit_problem problem = {.n_rows = n, .n_params = n_params, .residual = residual, .user = &d};
    for (int s = 1; s >= 0; s--) {
        double p[MOST_PARAMS], c[MOST_PARAMS * MOST_PARAMS];
        tw_fit_result r;
        tw_fit_opts o = tw_fit_opts_default();
        o.max_iterations = 1000;
        assert_ok(tw_fit_solve(ctx, &problem, &o, d.start[s], p, c, &r), ctx);
        if (s == 0 && r.outcome != TW_FIT_CONVERGED) {
            print_message("%s from start 1: outcome %d after %zu iterations\n", name, (int)r.outcome, r.iterations);
            continue;
        }
        assert_int_equal(r.outcome, TW_FIT_CONVERGED);
        const double tolerance = s == 1 ? 1e-6 : 1e-4;
        for (size_t j = 0; j < n_params; j++) {
            assert_close(p[j], d.certified[j], tolerance, 0.0);
            const double sd = sqrt(c[j * n_params + j] * r.chi_square / (double)r.degrees_of_freedom);
            assert_close(sd, d.sd[j], 10.0 * tolerance, 0.0);
        }
        assert_close(r.chi_square, d.squares, 1e-9, 0.0);
    }
    tw_ctx_destroy(ctx);
}

static void lower_difficulty_exponential(void **state) {
    (void)state;
    check("Misra1a", 14, 2, misra1a);
}

static void higher_difficulty_rational(void **state) {
    (void)state;
    check("MGH09", 11, 4, mgh09);
}

static void higher_difficulty_cubics(void **state) {
    (void)state;
    check("Thurber", 37, 7, thurber);
}

static void sums_of_sinusoids(void **state) {
    (void)state;
    check("ENSO", 168, 9, enso);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(lower_difficulty_exponential),
        cmocka_unit_test(higher_difficulty_rational),
        cmocka_unit_test(higher_difficulty_cubics),
        cmocka_unit_test(sums_of_sinusoids),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

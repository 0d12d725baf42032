/* tankwright-bench [--output FILE] [NAME...]: runs all benchmarks or those whose name begins with one of the names. */
#include "bench.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

static double now_s(void) {
    struct timespec t;
    (void)clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static int ascending(const void *a, const void *b) {
    const double x = *(const double *)a, y = *(const double *)b;
    return x < y ? -1 : x > y;
}

bench_times bench_time(bench_work *work, void *user, double seconds) {
    enum { MOST = 301 };
    double times[MOST];
    bench_times out = {.repeats = 0};
    /* A batch lasts at least 200 us, so that the clock's own cost does not show. */
    size_t batch = 1, n = 0;
    for (;; batch *= 2) {
        const double start = now_s();
        for (size_t k = 0; k < batch; k++) {
            work(user);
        }
        if (now_s() - start > 2e-4 || batch > 1000000) {
            break;
        }
    }
    const double start = now_s();
    do {
        const double t = now_s();
        for (size_t k = 0; k < batch; k++) {
            work(user);
        }
        times[n++] = (now_s() - t) / (double)batch;
    } while (n < 3 || (n < MOST && now_s() - start < seconds));
    qsort(times, n, sizeof *times, ascending);
    out.min_s = times[0];
    out.median_s = times[n / 2];
    out.repeats = n * batch;
    return out;
}

void bench_add(bench *b, const char *name, const char *unit, double ours, double reference, const char *reference_name,
               double goal, const char *bound_by) {
    bench_require(b->n_rows < sizeof b->rows / sizeof *b->rows, b, "room for another row");
    b->rows[b->n_rows++] = (bench_row){name, unit, ours, reference, reference_name, reference / ours, goal, bound_by};
}

void bench_require(bool ok, const bench *b, const char *what) {
    if (!ok) {
        char text[1200];
        (void)fprintf(stderr, "tankwright-bench: %s: %s\n", what,
                      tw_error_format(tw_ctx_error(b->ctx), text, sizeof text));
        exit(1);
    }
}

static void add_number(tw_text *text, const char *key, double value) {
    char number[TW_NUMBER_TEXT];
    if (isfinite(value)) {
        (void)tw_format_number(value, number);
        tw_text_addf(text, "\"%s\": %s, ", key, number);
    } else {
        tw_text_addf(text, "\"%s\": null, ", key);
    }
}

static void write_json(const bench *b, const char *path) {
    tw_text text;
    tw_text_init(b->ctx, &text, 1 << 20);
    tw_text_add(&text, "[\n");
    for (size_t k = 0; k < b->n_rows; k++) {
        const bench_row *r = &b->rows[k];
        tw_text_addf(&text, "  {\"name\": \"%s\", \"unit\": \"%s\", ", r->name, r->unit);
        add_number(&text, "ours", r->ours);
        add_number(&text, "reference", r->reference);
        tw_text_addf(&text, "\"reference_name\": \"%s\", ", r->reference_name);
        add_number(&text, "ratio", r->ratio);
        add_number(&text, "goal", r->goal);
        tw_text_addf(&text, "\"bound_by\": \"%s\"}%s\n", r->bound_by, k + 1 < b->n_rows ? "," : "");
    }
    tw_text_add(&text, "]\n");
    bench_require(text.status == TW_OK && tw_write_file(b->ctx, path, text.data, text.length) == TW_OK, b, path);
    tw_text_dispose(&text);
}

static void print_table(const bench *b) {
    printf("%-28s %-6s %12s %12s %10s %10s  %s\n", "name", "unit", "ours", "reference", "ratio", "goal",
           "reference; bound by");
    for (size_t k = 0; k < b->n_rows; k++) {
        const bench_row *r = &b->rows[k];
        printf("%-28s %-6s %12.4g %12.4g %10.4g %10.4g  %s; %s\n", r->name, r->unit, r->ours, r->reference, r->ratio,
               r->goal, r->reference_name, r->bound_by);
    }
}

static const struct {
    const char *name;
    void (*run)(bench *b);
} programs[] = {
    {"capture", bench_capture}, /* first: it measures children before this process has threads */
    {"coil", bench_coil},
    {"steady", bench_steady},
    {"map", bench_map},
};

static bool wanted(const char *name, char **names, int n_names) {
    for (int k = 0; k < n_names; k++) {
        if (strncmp(name, names[k], strlen(names[k])) == 0) {
            return true;
        }
    }
    return n_names == 0;
}

int main(int argc, char **argv) {
    const char *output = NULL;
    int first = 1;
    if (argc > 2 && strcmp(argv[1], "--output") == 0) {
        output = argv[2];
        first = 3;
    }
    static bench b;
    b.ctx = tw_ctx_create();
    if (b.ctx == NULL) {
        (void)fprintf(stderr, "tankwright-bench: out of memory\n");
        return 1;
    }
    bool ran = false;
    for (size_t k = 0; k < sizeof programs / sizeof *programs; k++) {
        if (wanted(programs[k].name, argv + first, argc - first)) {
            programs[k].run(&b);
            ran = true;
        }
    }
    if (!ran) {
        (void)fprintf(stderr, "tankwright-bench: no benchmark of that name; there are");
        for (size_t k = 0; k < sizeof programs / sizeof *programs; k++) {
            (void)fprintf(stderr, " %s", programs[k].name);
        }
        (void)fputc('\n', stderr);
        tw_ctx_destroy(b.ctx);
        return 2;
    }
    print_table(&b);
    if (output != NULL) {
        write_json(&b, output);
    }
    tw_ctx_destroy(b.ctx);
    return 0;
}

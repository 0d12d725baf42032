/* Import of delimited text: 2,000,000 rows of time and two channels, short numbers and numbers of 17 digits, beside two
 * general-purpose readers run as child processes that time themselves (start of the interpreter not counted): R's
 * data.table::fread (on all cores) and Python's pandas.read_csv. Where one is not installed its row says so.
 *
 * The peak of memory is that of a child process that reads the file and nothing else, less that of one that does
 * nothing, over the bytes of all three columns as doubles. */
#include "bench.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#include "tankwright/capture.h"

enum { ROWS = 2000000, COLUMNS = 3 };

typedef struct import {
    bench *b;
    const char *path;
} import;

static void read_once(void *user) {
    import *t = user;
    tw_capture c;
    bench_require(tw_capture_read(t->b->ctx, &t->path, 1, NULL, &c) == TW_OK, t->b, "import");
    bench_require(c.samples == ROWS && c.n_channels == COLUMNS - 1, t->b, "rows and channels of the import");
    tw_capture_dispose(&c);
}

/* Numbers that no other step shares: a multiplicative generator (D. H. Lehmer's, multiplier 48271, modulus 2^31 - 1).
 */
static void write_file(bench *b, const char *path, bool long_numbers) {
    tw_output out;
    bench_require(tw_output_open(b->ctx, path, &out) == TW_OK, b, path);
    uint64_t state = 20220;
    (void)fputs("Time (s),Loop (V),Lead (A)\n", out.stream);
    for (int i = 0; i < ROWS; i++) {
        double v[2];
        for (int k = 0; k < 2; k++) {
            state = state * 48271 % 2147483647;
            v[k] = ((double)state / 2147483647.0 - 0.5) * (k == 0 ? 20.0 : 60.0);
        }
        (void)fprintf(out.stream, long_numbers ? "%.16e,%.16e,%.16e\n" : "%.7e,%.6f,%.6f\n", 4e-8 * i, v[0], v[1]);
    }
    bench_require(tw_output_commit(b->ctx, &out) == TW_OK, b, path);
}

/* Seconds that a child prints as its only line; NaN where it cannot run. */
static double ask(const char *command) {
    FILE *p = popen(command, "r");
    char line[64] = "";
    double seconds = (double)NAN;
    if (p == NULL) {
        return seconds;
    }
    const bool said = fgets(line, sizeof line, p) != NULL;
    const int status = pclose(p);
    if (!said || status != 0 || tw_parse_number(line, strlen(line), &seconds) == 0) {
        return (double)NAN;
    }
    return seconds;
}

/* The file is read five times; the median counts. */
static double fread_seconds(const char *path) {
    char command[1024];
    (void)snprintf(
        command, sizeof command,
        "Rscript -e 'suppressMessages(library(data.table)); setDTthreads(0); x <- numeric(5); for (i in 1:5) { gc(); "
        "x[i] <- system.time(fread(\"%s\", showProgress=FALSE))[[\"elapsed\"]] }; cat(median(x), \"\\n\")' "
        "2>/dev/null",
        path);
    return ask(command);
}

static double pandas_seconds(const char *path) {
    char command[1024];
    (void)snprintf(command, sizeof command,
                   "/usr/bin/python3 -c 'import pandas, time\n"
                   "x = []\n"
                   "for i in range(5):\n"
                   "    t = time.perf_counter(); pandas.read_csv(\"%s\"); "
                   "x.append(time.perf_counter() - t)\n"
                   "print(sorted(x)[2])' 2>/dev/null",
                   path);
    return ask(command);
}

/* Largest resident size of a child that reads the file, or with NULL does nothing. */
static double child_peak_bytes(bench *b, const char *path) {
    const pid_t child = fork();
    bench_require(child >= 0, b, "fork");
    if (child == 0) {
import t = {b, path };
        if (path != NULL) {
            read_once(&t);
        }
        _exit(0);
    }
    int status;
    struct rusage usage;
    bench_require(wait4(child, &status, 0, &usage) == child && status == 0, b, "child that reads");
    return 1024.0 * (double)usage.ru_maxrss;
}

static void compare(bench *b, const char *fread_name, const char *name, const char *path) {
import t = {b, path };
    const bench_times ours = bench_time(read_once, &t, 3.0);
    const double theirs = fread_seconds(path), pandas = pandas_seconds(path);
    bench_add(b, fread_name, "ms", 1e3 * ours.median_s, 1e3 * theirs,
              isnan(theirs) ? "data.table fread: not installed" : "data.table fread", (double)NAN,
              "decimal conversion");
    bench_add(b, name, "ms", 1e3 * ours.median_s, 1e3 * pandas,
              isnan(pandas) ? "pandas read_csv: not installed" : "pandas read_csv (default: not exact)", (double)NAN,
              "decimal conversion");
}

static void measure_memory(bench *b, const char *name, const char *path) {
    const double peak = child_peak_bytes(b, path) - child_peak_bytes(b, NULL);
    bench_add(b, name, "ratio", peak / (8.0 * ROWS * COLUMNS), (double)NAN, "", 1.3, "columns as doubles");
}

void bench_capture(bench *b) {
    char folder[] = "/tmp/tw-bench-XXXXXX", path[64], long_path[64];
    bench_require(mkdtemp(folder) != NULL, b, "a folder for the benchmark's file");
    (void)snprintf(path, sizeof path, "%s/import.csv", folder);
    (void)snprintf(long_path, sizeof long_path, "%s/digits.csv", folder);
    write_file(b, path, false);
    write_file(b, long_path, true);
    /* first, while this process has no threads: a child of one that has them could not start its own */
    measure_memory(b, "capture memory", path);
    measure_memory(b, "capture 17 digits memory", long_path);
    compare(b, "capture import (a)", "capture import (b)", path);
    compare(b, "capture 17 digits (a)", "capture 17 digits (b)", long_path);
    bench_require(unlink(path) == 0 && unlink(long_path) == 0 && rmdir(folder) == 0, b, "removing the files");
}

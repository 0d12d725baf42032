/* What all tests share: cmocka, comparison of numbers, a random source with a fixed seed. */
#ifndef TW_TESTING_H
#define TW_TESTING_H

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tankwright/base.h"

/* Fails the test and prints got, wanted, difference, allowed where |got - want| > abs + rel * |want|. */
void tw_assert_close(double got, double want, double rel, double abs, const char *what, const char *file, int line);
#define assert_close(got, want, rel, abs) tw_assert_close((got), (want), (rel), (abs), #got, __FILE__, __LINE__)

/* Fails unless the call returned TW_OK, and prints the context's error record. */
void tw_assert_ok(tw_status status, const tw_ctx *ctx, const char *what, const char *file, int line);
#define assert_ok(call, ctx) tw_assert_ok((call), (ctx), #call, __FILE__, __LINE__)

/* A small, well-distributed generator (splitmix64) so that random tests are the same everywhere. */
typedef struct tw_random {
    uint64_t state;
} tw_random;
double tw_random_uniform(tw_random *r, double low, double high);
double tw_random_log_uniform(tw_random *r, double low, double high);
size_t tw_random_below(tw_random *r, size_t n);
double tw_random_normal(tw_random *r);

/* Path of a file in the public test data beside the project, or NULL when that is absent (skip the test). */
const char *tw_shared_data(const char *name, char *out, size_t out_size);

/* Path of a file below the project's own root (for example "examples/wax-melter/rig.yaml"). */
const char *tw_project_file(const char *name, char *out, size_t out_size);

#endif

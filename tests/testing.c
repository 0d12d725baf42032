#include "testing.h"

#include <math.h>
#include <unistd.h>

void tw_assert_close(double got, double want, double rel, double abs, const char *what, const char *file, int line) {
    const double allowed = abs + rel * fabs(want);
    if (!(fabs(got - want) <= allowed)) {
        print_error("%s: got %.17g, wanted %.17g, difference %.3g, allowed %.3g\n", what, got, want, got - want,
                    allowed);
        _fail(file, line);
    }
}

void tw_assert_ok(tw_status status, const tw_ctx *ctx, const char *what, const char *file, int line) {
    if (status != TW_OK) {
        char text[1200];
        print_error("%s: %s: %s\n", what, tw_status_text(status),
                    tw_error_format(tw_ctx_error(ctx), text, sizeof text));
        _fail(file, line);
    }
}

static uint64_t next_random(tw_random *r) {
    uint64_t z = (r->state += UINT64_C(0x9e3779b97f4a7c15));
    z = (z ^ (z >> 30)) * UINT64_C(0xbf58476d1ce4e5b9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94d049bb133111eb);
    return z ^ (z >> 31);
}

double tw_random_uniform(tw_random *r, double low, double high) {
    return low + (high - low) * ((double)(next_random(r) >> 11) / 9007199254740992.0);
}

double tw_random_log_uniform(tw_random *r, double low, double high) {
    return exp(tw_random_uniform(r, log(low), log(high)));
}

size_t tw_random_below(tw_random *r, size_t n) {
    return (size_t)(next_random(r) % n);
}

double tw_random_normal(tw_random *r) {
    const double radius = sqrt(-2.0 * log(1.0 - tw_random_uniform(r, 0.0, 1.0)));
    return radius * cos(2.0 * TW_PI * tw_random_uniform(r, 0.0, 1.0));
}

const char *tw_shared_data(const char *name, char *out, size_t out_size) {
    (void)snprintf(out, out_size, "%s/../shared/data/%s", TW_PROJECT_ROOT, name);
    return access(out, R_OK) == 0 ? out : NULL;
}

const char *tw_project_file(const char *name, char *out, size_t out_size) {
    (void)snprintf(out, out_size, "%s/%s", TW_PROJECT_ROOT, name);
    return out;
}

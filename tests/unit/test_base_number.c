/* tw_parse_number against the C library over random strings of every length, and strings half way between two doubles
 * (the generator is fixed; the process stays in the "C" locale). */
#include "testing.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static uint64_t next(uint64_t *state) { /* splitmix64 as in testing.c, all 64 bits */
    uint64_t z = *state += UINT64_C(0x9e3779b97f4a7c15);
    z = (z ^ z >> 30) * UINT64_C(0xbf58476d1ce4e5b9);
    z = (z ^ z >> 27) * UINT64_C(0x94d049bb133111eb);
    return z ^ z >> 31;
}

static void compare(const char *text) {
    double got = 4711;
    char *end;
    const double want = strtod(text, &end);
    const size_t used = tw_parse_number(text, strlen(text), &got);
    if (used != (size_t)(end - text) || memcmp(&got, &want, sizeof got) != 0) {
        fail_msg("%s: %a of %zu bytes, wanted %a of %zu", text, got, used, want, (size_t)(end - text));
    }
}

static void random_digits(void **state) {
    (void)state;
    uint64_t r = 2024;
    for (int k = 0; k < 400000; k++) {
        char text[96];
        size_t n = 0;
        const size_t digits = 1 + next(&r) % 30, point = next(&r) % (digits + 1);
        if (next(&r) % 2 == 0) {
            text[n++] = next(&r) % 2 == 0 ? '+' : '-';
        }
        for (size_t i = 0; i < digits; i++) {
            if (i == point) {
                text[n++] = '.';
            }
            text[n++] = (char)('0' + next(&r) % 10);
        }
        text[n] = '\0';
        const int spread = k % 3 == 0 ? 0 : k % 3 == 1 ? 640 : 120;
        if (spread > 0) {
            (void)snprintf(text + n, sizeof text - n, "e%d", (int)(next(&r) % (uint64_t)spread) - spread / 2);
        }
        compare(text);
    }
}

static void doubles_and_half_ways(void **state) {
    (void)state;
    uint64_t r = 77;
    for (int k = 0; k < 400000; k++) {
        uint64_t bits = next(&r);
        if (k % 2 == 0) { /* the sizes that records hold */
            bits = (bits & UINT64_C(0x800fffffffffffff)) | (1023 - 60 + next(&r) % 120) << 52;
        }
        double v, above;
        memcpy(&v, &bits, sizeof v);
        bits++;
        memcpy(&above, &bits, sizeof above);
        if (!isfinite(v) || !isfinite(above)) {
            continue;
        }
        char text[96];
        (void)snprintf(text, sizeof text, "%.*e", (int)(next(&r) % 25), v);
        compare(text);
        const long double half = ((long double)v + (long double)above) / 2;
        (void)snprintf(text, sizeof text, "%.*Le", 17 + (int)(next(&r) % 35), half);
        compare(text);
    }
}

static void long_texts(void **state) {
    (void)state;
    char text[1200];
    for (size_t n = 20; n < 1000; n += 13) { /* a half way that the last digit decides */
        const int head = snprintf(text, sizeof text, "9007199254740993.");
        memset(text + head, '0', n);
        text[(size_t)head + n] = '\0';
        compare(text);
        text[(size_t)head + n - 1] = '1';
        compare(text);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(random_digits),
        cmocka_unit_test(doubles_and_half_ways),
        cmocka_unit_test(long_texts),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

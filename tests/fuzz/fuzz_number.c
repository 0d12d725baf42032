/* tw_parse_number against the C library, and the round trip through tw_format_number. */
#include "tankwright/base.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    double got = 0.0;
    const size_t used = tw_parse_number((const char *)data, size, &got);
    if (used > size) {
        abort();
    }
    if (used == 0) {
        return 0;
    }
    char *copy = calloc(used + 1, 1);
    if (copy == NULL) {
        return 0;
    }
    memcpy(copy, data, used);
    const double want = strtod(copy, NULL); /* the process stays in the "C" locale */
    free(copy);
    if (got != want || signbit(got) != signbit(want)) {
        abort();
    }
    if (isfinite(got)) {
        char text[TW_NUMBER_TEXT];
        double back = 0.0;
        const size_t n = tw_format_number(got, text);
        if (n >= TW_NUMBER_TEXT || tw_parse_number(text, n, &back) != n || back != got) {
            abort();
        }
    }
    return 0;
}

/* Any bytes as a NumPy array: the magic bytes are put in front. The first byte picks options. */
#include "fuzz_capture_check.h"

#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    if (size < 1) {
        return 0;
    }
    char *bytes = malloc(6 + size);
    if (bytes == NULL) {
        return 0;
    }
    memcpy(bytes, "\x93NUMPY", 6);
    memcpy(bytes + 6, data + 1, size - 1);
    fuzz_read(bytes, 6 + size - 1, data[0]);
    free(bytes);
    return 0;
}

/* Any bytes as an audio container. The first byte picks options and, where its high bit is set, a RIFF head is put in
 * front so that the reader is always reached. */
#include "fuzz_capture_check.h"

#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    if (size < 1) {
        return 0;
    }
    const size_t head = (data[0] & 128) != 0 ? 12 : 0;
    char *bytes = malloc(head + size);
    if (bytes == NULL) {
        return 0;
    }
    memcpy(bytes, "RIFF\xff\xff\xff\x7fWAVE", head);
    memcpy(bytes + head, data + 1, size - 1);
    fuzz_read(bytes, head + size - 1, data[0]);
    free(bytes);
    return 0;
}

/* Any bytes as a single-file COMTRADE record: the mark of that form is put in front where it is missing. The first byte
 * picks options. */
#include "fuzz_capture_check.h"

#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    static const char HEAD[] = "--- file type: CFG ---\r\n";
    if (size < 1) {
        return 0;
    }
    const bool marked = size > 4 && memcmp(data + 1, "--- ", 4) == 0;
    const size_t head = marked ? 0 : sizeof HEAD - 1;
    char *bytes = malloc(head + size);
    if (bytes == NULL) {
        return 0;
    }
    memcpy(bytes, HEAD, head);
    memcpy(bytes + head, data + 1, size - 1);
    fuzz_read(bytes, head + size - 1, data[0]);
    free(bytes);
    return 0;
}

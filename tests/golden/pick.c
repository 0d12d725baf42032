/* pick PATH...: reads one JSON text from standard input and prints the value at each path ("real_power.value",
 * "warnings.0.code"), one a line. Exit 1 where the text is no JSON or a path leads nowhere. */
#include <jansson.h>

#include <stdio.h>
#include <string.h>

static const json_t *step(const json_t *at, const char *name) {
    if (json_is_array(at)) {
        size_t index = 0;
        for (const char *c = name; *c >= '0' && *c <= '9'; c++) {
            index = 10 * index + (size_t)(*c - '0');
        }
        return json_array_get(at, index);
    }
    return json_object_get(at, name);
}

static const json_t *find(const json_t *at, const char *path) {
    char name[128];
    while (at != NULL && *path != '\0') {
        size_t length = strcspn(path, ".");
        const json_t *next = NULL;
        for (;; length += 1 + strcspn(path + length + 1, ".")) { /* a key may have points in it */
            (void)snprintf(name, sizeof name, "%.*s", (int)length, path);
            next = step(at, name);
            if (next != NULL || path[length] == '\0') {
                break;
            }
        }
        at = next;
        path += length + (path[length] == '.' ? 1 : 0);
    }
    return at;
}

static int print_value(const json_t *value) {
    if (json_is_number(value)) {
        return printf("%.12g\n", json_number_value(value));
    }
    if (json_is_string(value)) {
        return printf("%s\n", json_string_value(value));
    }
    if (json_is_boolean(value) || json_is_null(value)) {
        return printf("%s\n", json_is_null(value) ? "null" : json_is_true(value) ? "true" : "false");
    }
    return printf("%s of %zu\n", json_is_array(value) ? "array" : "object",
                  json_is_array(value) ? json_array_size(value) : json_object_size(value));
}

int main(int argc, char **argv) {
    json_error_t error;
    json_t *root = json_loadf(stdin, JSON_REJECT_DUPLICATES, &error);
    if (root == NULL) {
        (void)fprintf(stderr, "pick: not JSON: line %d: %s\n", error.line, error.text);
        return 1;
    }
    int status = 0;
    for (int k = 1; k < argc; k++) {
        const json_t *value = find(root, argv[k]);
        if (value == NULL || print_value(value) < 0) {
            (void)fprintf(stderr, "pick: nothing at %s\n", argv[k]);
            status = 1;
        }
    }
    json_decref(root);
    return status;
}

/* Files that belong together by name: a configuration and its data, whatever the case of the suffix. */
#include "capture_private.h"

#include <dirent.h>
#include <fcntl.h>
#include <string.h>
#include <strings.h>
#include <sys/stat.h>
#include <unistd.h>

static const char *base_of(const char *path) {
    const char *slash = strrchr(path, '/');
    return slash != NULL ? slash + 1 : path;
}

/* Length of the path without its suffix. */
static size_t stem_length(const char *path) {
    const char *base = base_of(path), *dot = strrchr(base, '.');
    return dot != NULL && dot != base ? (size_t)(dot - path) : strlen(path);
}

bool tw_capture__has_suffix(const char *path, const char *suffix) {
    const char *dot = path + stem_length(path);
    return *dot == '.' && strcasecmp(dot + 1, suffix) == 0;
}

tw_status tw_capture__find_sibling(tw_ctx *ctx, const char *path, const char *suffix, char **out) {
    const char *base = base_of(path);
    const size_t folder = (size_t)(base - path), stem = stem_length(path) - folder;
    *out = NULL;
    tw_text name; /* the folder, then the whole path */
    tw_text_init(ctx, &name, 8192);
    tw_text_append(&name, folder > 0 ? path : "./", folder > 0 ? folder : 2);
    DIR *dir = name.status == TW_OK ? opendir(tw_text_string(&name)) : NULL;
    bool exact = false;
    tw_text_cut(&name, folder);
    for (struct dirent *e; dir != NULL && name.status == TW_OK && !exact && (e = readdir(dir)) != NULL;) {
        const char *candidate = e->d_name;
        if (strlen(candidate) != stem + 1 + strlen(suffix) || candidate[stem] != '.' ||
            strcasecmp(candidate + stem + 1, suffix) != 0 || strncasecmp(candidate, base, stem) != 0) {
            continue;
        }
        exact = strncmp(candidate, base, stem) == 0; /* another case of the name only where nothing fits better */
        if (exact || name.length == folder) {
            tw_text_cut(&name, folder);
            tw_text_add(&name, candidate);
        }
    }
    if (dir != NULL) {
        (void)closedir(dir);
    }
    if (name.status == TW_OK && name.length > folder) {
        *out = tw_copy_string(ctx, tw_text_string(&name));
        name.status = *out != NULL ? TW_OK : TW_NO_MEMORY;
    }
    const tw_status status = name.status;
    tw_text_dispose(&name);
    return status;
}

static bool same_stem(const char *a, const char *b) {
    const size_t n = stem_length(a);
    return n == stem_length(b) && strncasecmp(a, b, n) == 0;
}

bool tw_capture__starts_as_cfg(const char *path) {
    char bytes[4096];
    struct stat info;
    if (stat(path, &info) != 0 || !S_ISREG(info.st_mode)) { /* a look into a pipe would take its bytes */
        return false;
    }
    const int fd = open(path, O_RDONLY | O_CLOEXEC);
    if (fd < 0) {
        return false;
    }
    const ssize_t n = read(fd, bytes, sizeof bytes);
    (void)close(fd);
    return n > 0 && tw_capture__is_comtrade_cfg(bytes, (size_t)n);
}

bool tw_capture__comes_along(const char *const *paths, size_t n, size_t i) {
    static const char *const COMPANIONS[] = {"dat", "hdr", "inf"};
    bool companion = false;
    for (size_t k = 0; k < sizeof COMPANIONS / sizeof COMPANIONS[0]; k++) {
        companion = companion || tw_capture__has_suffix(paths[i], COMPANIONS[k]);
    }
    for (size_t k = 0; companion && k < n; k++) {
        if (k != i && tw_capture__has_suffix(paths[k], "cfg") && same_stem(paths[i], paths[k]) &&
            tw_capture__starts_as_cfg(paths[k])) {
            return true;
        }
    }
    return false;
}

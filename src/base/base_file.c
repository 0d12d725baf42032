/* Files that are read whole, and files that appear whole or not at all. */
#include "tankwright/base.h"

#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static tw_status file_failure(tw_ctx *ctx, const char *path, const char *what) {
    const tw_place place = {.file = path};
    return tw_fail_at(ctx, TW_STORAGE, "base", &place, "%s: %s", what, strerror(errno));
}

tw_status tw_read_file(tw_ctx *ctx, const char *path, size_t limit, char **data, size_t *length) {
    FILE *stream = fopen(path, "rb");
    if (stream == NULL) {
        return file_failure(ctx, path, "cannot open");
    }
    struct stat info;
    tw_status status = TW_OK;
    char *bytes = NULL;
    size_t used = 0, capacity = 0;
    if (fstat(fileno(stream), &info) != 0) {
        status = file_failure(ctx, path, "cannot read");
    } else if (S_ISDIR(info.st_mode)) {
        errno = EISDIR;
        status = file_failure(ctx, path, "cannot read");
    } else {
        capacity = info.st_size > 0 && (size_t)info.st_size <= limit ? (size_t)info.st_size : 4096;
    }
    while (status == TW_OK) {
        char *grown = tw_resize(ctx, bytes, capacity + 2, 1); /* one to see the end, one for the terminator */
        if (grown == NULL) {
            status = TW_NO_MEMORY;
            break;
        }
        bytes = grown;
        used += fread(bytes + used, 1, capacity + 1 - used, stream);
        if (ferror(stream)) {
            status = file_failure(ctx, path, "cannot read");
        } else if (used > limit) {
            const tw_place place = {.file = path};
            status = tw_fail_at(ctx, TW_TOO_LARGE, "base", &place, "larger than %zu bytes", limit);
        } else if (used <= capacity) {
            bytes[used] = '\0';
            break;
        }
        capacity = capacity < limit / 2 ? 2 * capacity : limit;
    }
    (void)fclose(stream);
    if (status != TW_OK) {
        tw_free(bytes);
        return status;
    }
    *data = bytes;
    *length = used;
    return TW_OK;
}

/* Creates a file that was not there, beside `path`, with the rights that a plainly created file would have (mkstemp
 * makes private ones, and asking for the umask means changing it). `name` holds the tried name. */
static int create_beside(const char *path, tw_text *name) {
    int fd = -1;
    for (unsigned n = 0; fd < 0 && n < 1000 && name->status == TW_OK; n++) {
        tw_text_cut(name, 0);
        tw_text_addf(name, "%s.%ld-%u.part", path, (long)getpid(), n);
        fd = name->status == TW_OK ? open(name->data, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0666) : -1;
        if (fd < 0 && errno != EEXIST) {
            break;
        }
    }
    return fd;
}

tw_status tw_output_open(tw_ctx *ctx, const char *path, tw_output *out) {
    struct stat info;
    if (stat(path, &info) == 0 && !S_ISREG(info.st_mode)) { /* a device or pipe must not be replaced by a file */
        const tw_place place = {.file = path};
        return tw_fail_at(ctx, TW_STORAGE, "base", &place, "cannot write: not a plain file");
    }
    tw_output o = {NULL, NULL, NULL};
    tw_text name;
    tw_text_init(ctx, &name, 8192);
    o.path = tw_copy_string(ctx, path);
    const int fd = o.path != NULL ? create_beside(path, &name) : -1;
    if (fd < 0 || (o.stream = fdopen(fd, "wb")) == NULL) {
        const tw_status status = o.path == NULL         ? TW_NO_MEMORY
                                 : name.status != TW_OK ? name.status
                                                        : file_failure(ctx, path, "cannot write");
        if (fd >= 0) {
            (void)close(fd);
            (void)unlink(name.data);
        }
        tw_text_dispose(&name);
        tw_free(o.path);
        return status;
    }
    o.temporary = name.data;
    *out = o;
    return TW_OK;
}

static void output_release(tw_output *out) {
    tw_free(out->path);
    tw_free(out->temporary);
    *out = (tw_output){NULL, NULL, NULL};
}

tw_status tw_output_commit(tw_ctx *ctx, tw_output *out) {
    bool good = fflush(out->stream) == 0 && !ferror(out->stream) && fsync(fileno(out->stream)) == 0;
    const int write_errno = errno;
    good = fclose(out->stream) == 0 && good;
    tw_status status = TW_OK;
    if (!good || rename(out->temporary, out->path) != 0) {
        errno = good ? errno : write_errno;
        status = file_failure(ctx, out->path, "cannot write");
        (void)unlink(out->temporary);
    }
    output_release(out);
    return status;
}

void tw_output_abandon(tw_output *out) {
    if (out->stream == NULL) {
        return;
    }
    (void)fclose(out->stream);
    (void)unlink(out->temporary);
    output_release(out);
}

tw_status tw_write_file(tw_ctx *ctx, const char *path, const char *data, size_t length) {
    tw_output out;
    TW_TRY(tw_output_open(ctx, path, &out));
    (void)fwrite(data, 1, length, out.stream); /* a short write shows as ferror at commit */
    return tw_output_commit(ctx, &out);
}

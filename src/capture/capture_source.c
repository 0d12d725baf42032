/* Bytes to lines: memory map, byte order marks, UTF-16, 8-bit code pages, all kinds of line ends.
 *
 * The file is mapped, not read, so that a large record costs no memory beyond its columns. UTF-16 is decoded line by
 * line. A line longer than CAPTURE_MAX_LINE is refused: no recorder writes it and it would cost memory.
 */
#include "capture_private.h"

#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <unistd.h>

tw_status tw_capture__fail(tw_ctx *ctx, tw_status status, const char *file, size_t line, const char *format, ...) {
    char message[512];
    va_list args;
    va_start(args, format);
    (void)vsnprintf(message, sizeof message, format, args);
    va_end(args);
    const tw_place place = {.file = file, .line = line};
    return tw_fail_at(ctx, status, CAPTURE_ROOM, &place, "%s", message);
}

/* UTF-16 without a mark: ASCII text has its zero bytes all on one side. */
static bool guess_utf16(const unsigned char *b, size_t n, capture_encoding *encoding) {
    size_t zeros[2] = {0, 0};
    const size_t seen = (n < 4096 ? n : 4096) & ~(size_t)1;
    for (size_t i = 0; i < seen; i++) {
        zeros[i & 1] += b[i] == 0;
    }
    if (seen >= 4 && zeros[0] == 0 && zeros[1] * 10 > seen * 4) {
        *encoding = ENCODING_UTF16LE;
        return true;
    }
    if (seen >= 4 && zeros[1] == 0 && zeros[0] * 10 > seen * 4) {
        *encoding = ENCODING_UTF16BE;
        return true;
    }
    return false;
}

static tw_status find_encoding(capture_source *s) {
    const unsigned char *b = (const unsigned char *)s->bytes;
    const size_t n = s->length;
    if (n >= 3 && b[0] == 0xef && b[1] == 0xbb && b[2] == 0xbf) {
        s->first = 3;
    } else if (n >= 2 && b[0] == 0xff && b[1] == 0xfe) {
        s->first = 2;
        s->encoding = ENCODING_UTF16LE;
        return TW_OK;
    } else if (n >= 2 && b[0] == 0xfe && b[1] == 0xff) {
        s->first = 2;
        s->encoding = ENCODING_UTF16BE;
        return TW_OK;
    } else if (guess_utf16(b, n, &s->encoding)) {
        return TW_OK;
    }
    const size_t seen = n < 65536 ? n : 65536;
    size_t control = 0;
    for (size_t i = s->first; i < seen; i++) {
        if (b[i] == 0) {
            return tw_capture__fail(s->ctx, TW_BAD_DATA, s->name, 0,
                                    "binary data under a text name (zero byte at byte %zu)", i + 1);
        }
        control += b[i] < 0x20 && b[i] != '\t' && b[i] != '\n' && b[i] != '\r' && b[i] != '\f' && b[i] != 0x1a;
    }
    if (control * 20 > seen) {
        return tw_capture__fail(s->ctx, TW_BAD_DATA, s->name, 0, "binary data under a text name (control bytes)");
    }
    bool ascii = true;
    const bool utf8 = tw_capture__is_utf8(s->bytes + s->first, seen - s->first, &ascii);
    s->encoding = ascii ? ENCODING_ASCII : utf8 ? ENCODING_UTF8 : ENCODING_8BIT;
    return TW_OK;
}

/* One UTF-16 unit at byte i. */
static unsigned unit_at(const capture_source *s, size_t i) {
    const unsigned a = (unsigned char)s->bytes[i], b = (unsigned char)s->bytes[i + 1];
    return s->encoding == ENCODING_UTF16LE ? a | b << 8 : b | a << 8;
}

bool tw_capture__is_wide(const capture_source *s) {
    return s->encoding == ENCODING_UTF16LE || s->encoding == ENCODING_UTF16BE;
}

static void find_line_end(capture_source *s) {
    const size_t limit = s->length - s->first < CAPTURE_MAX_LINE ? s->length : s->first + CAPTURE_MAX_LINE;
    bool lf = false, cr = false;
    if (tw_capture__is_wide(s)) {
        for (size_t i = s->first; i + 1 < limit && !lf; i += 2) {
            const unsigned u = unit_at(s, i);
            lf = u == '\n';
            cr = cr || u == '\r';
        }
    } else {
        lf = memchr(s->bytes + s->first, '\n', limit - s->first) != NULL;
        cr = memchr(s->bytes + s->first, '\r', limit - s->first) != NULL;
    }
    s->line_end = !lf && cr ? '\r' : '\n';
}

tw_status tw_capture__start_text(capture_source *s) {
    bool blank = true;
    for (size_t i = 0; i < s->length && blank; i++) {
        const char c = s->bytes[i];
        blank = c == ' ' || c == '\t' || c == '\r' || c == '\n';
    }
    if (blank) {
        return tw_capture__fail(s->ctx, TW_BAD_DATA, s->name, 0, "the file is empty");
    }
    TW_TRY(find_encoding(s));
    find_line_end(s);
    tw_capture__rewind(s);
    return TW_OK;
}

tw_status tw_capture__open_text(tw_ctx *ctx, const char *name, const char *text, size_t length, capture_source *out) {
    capture_source s = {.ctx = ctx, .name = name, .bytes = text, .length = length};
    TW_TRY(tw_capture__start_text(&s));
    *out = s;
    return TW_OK;
}

/* A device may never end and a folder has no bytes: refused by its kind, before it is opened. */
static tw_status check_kind(const capture_source *s, bool *pipe) {
    struct stat info;
    *pipe = false;
    if (stat(s->name, &info) != 0) {
        return tw_capture__fail(s->ctx, TW_STORAGE, s->name, 0, "cannot open: %s", strerror(errno));
    }
    *pipe = S_ISFIFO(info.st_mode);
    if (*pipe || S_ISREG(info.st_mode)) {
        return TW_OK;
    }
    return tw_capture__fail(s->ctx, TW_STORAGE, s->name, 0, "cannot read: it is %s",
                            S_ISDIR(info.st_mode) ? "a folder" : "not a plain file");
}

/* Maps a regular file. */
static tw_status map_file(capture_source *s, size_t max_bytes) {
    const int fd = open(s->name, O_RDONLY | O_CLOEXEC);
    if (fd < 0) {
        return tw_capture__fail(s->ctx, TW_STORAGE, s->name, 0, "cannot open: %s", strerror(errno));
    }
    struct stat info;
    tw_status status = TW_OK;
    if (fstat(fd, &info) == 0 && S_ISREG(info.st_mode) && info.st_size > 0) {
        const size_t size = (size_t)info.st_size;
        if (size > max_bytes) {
            status = tw_capture__fail(s->ctx, TW_TOO_LARGE, s->name, 0, "larger than %zu bytes", max_bytes);
        } else {
            void *map = mmap(NULL, size, PROT_READ, MAP_PRIVATE, fd, 0);
            if (map != MAP_FAILED) {
                (void)madvise(map, size, MADV_SEQUENTIAL);
                s->map = map;
                s->bytes = map;
                s->length = size;
            }
        }
    }
    (void)close(fd);
    return status;
}

tw_status tw_capture__open_path(tw_ctx *ctx, const char *path, size_t max_bytes, capture_source *out) {
    capture_source s = {.ctx = ctx, .name = path};
    bool pipe;
    TW_TRY(check_kind(&s, &pipe));
    if (!pipe) { /* opening a named pipe twice would lose its writer */
        TW_TRY(map_file(&s, max_bytes));
    }
    if (s.map == NULL) {
        TW_TRY(tw_read_file(ctx, path, max_bytes, &s.owned, &s.length));
        s.bytes = s.owned;
    }
    *out = s;
    return TW_OK;
}

void tw_capture__close(capture_source *s) {
    if (s->map != NULL) {
        (void)munmap(s->map, s->length);
    }
    tw_free(s->owned);
    tw_free(s->decoded);
    *s = (capture_source){.ctx = s->ctx};
}

void tw_capture__rewind(capture_source *s) {
    s->at = s->first;
    s->line = 0;
}

tw_status tw_capture__line_too_long(const capture_source *s) {
    return tw_capture__fail(s->ctx, TW_TOO_LARGE, s->name, s->line, "the line is longer than %d bytes",
                            (int)CAPTURE_MAX_LINE);
}

/* Appends one code point as UTF-8; a lone half of a pair is written as a question mark. */
static size_t put_utf8(char *out, unsigned c) {
    if (c < 0x80) {
        out[0] = (char)c;
        return 1;
    }
    if (c < 0x800) {
        out[0] = (char)(0xc0 | c >> 6);
        out[1] = (char)(0x80 | (c & 0x3f));
        return 2;
    }
    if (c >= 0xd800 && c < 0xe000) {
        out[0] = '?';
        return 1;
    }
    out[0] = (char)(0xe0 | c >> 12);
    out[1] = (char)(0x80 | (c >> 6 & 0x3f));
    out[2] = (char)(0x80 | (c & 0x3f));
    return 3;
}

static tw_status next_wide_line(capture_source *s, const char **text, size_t *length) {
    size_t used = 0;
    while (s->at + 1 < s->length) {
        const unsigned u = unit_at(s, s->at);
        s->at += 2;
        if (u == (unsigned)s->line_end) {
            break;
        }
        if (used + 4 > s->decoded_capacity) {
            if (used > CAPTURE_MAX_LINE) {
                return tw_capture__line_too_long(s);
            }
            const size_t grown = s->decoded_capacity < 256 ? 256 : 2 * s->decoded_capacity;
            char *decoded = tw_resize(s->ctx, s->decoded, grown, 1);
            if (decoded == NULL) {
                return TW_NO_MEMORY;
            }
            s->decoded = decoded;
            s->decoded_capacity = grown;
        }
        used += put_utf8(s->decoded + used, u);
    }
    if (s->at + 1 >= s->length) {
        s->at = s->length;
    }
    *text = s->decoded != NULL ? s->decoded : "";
    *length = used;
    return TW_OK;
}

static size_t without_end(const char *text, size_t length) {
    while (length > 0 && (text[length - 1] == '\r' || text[length - 1] == 0x1a)) {
        length--;
    }
    return length;
}

void tw_capture__cut_line(const capture_source *s, size_t *at, size_t limit, const char **text, size_t *length) {
    const char *start = s->bytes + *at;
    const char *end = memchr(start, s->line_end, limit - *at);
    const size_t whole = end != NULL ? (size_t)(end - start) : limit - *at;
    *at += whole + (end != NULL ? 1 : 0);
    *text = start;
    *length = whole > CAPTURE_MAX_LINE ? whole : without_end(start, whole);
}

void tw_capture__let_go(const capture_source *s, size_t from, size_t to) {
    enum { PAGE = 65536 }; /* a multiple of every page size in use */
    if (s->map == NULL) {
        return;
    }
    const size_t first = (from + PAGE - 1) / PAGE * PAGE, end = to / PAGE * PAGE;
    if (end > first) {
        (void)madvise((char *)s->map + first, end - first, MADV_DONTNEED);
    }
}

tw_status tw_capture__next_line(capture_source *s, const char **text, size_t *length) {
    if (s->at >= s->length) {
        *text = NULL;
        *length = 0;
        return TW_OK;
    }
    s->line++;
    if (tw_capture__is_wide(s)) {
        TW_TRY(next_wide_line(s, text, length));
    } else {
        tw_capture__cut_line(s, &s->at, s->length, text, length);
    }
    if (*length > CAPTURE_MAX_LINE) {
        return tw_capture__line_too_long(s);
    }
    *length = without_end(*text, *length);
    return TW_OK;
}

size_t tw_capture__lines_left(const capture_source *s) {
    size_t count = 1;
    if (tw_capture__is_wide(s)) {
        for (size_t i = s->at; i + 1 < s->length; i += 2) {
            count += unit_at(s, i) == (unsigned)s->line_end;
        }
        return count;
    }
    const char *p = s->bytes + s->at, *end = s->bytes + s->length;
    while (p < end && (p = memchr(p, s->line_end, (size_t)(end - p))) != NULL) {
        count++;
        p++;
    }
    return count;
}

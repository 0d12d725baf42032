/* WAV and kin by libsndfile: recorders built from audio interfaces.
 *
 * The header is not trusted: frames are counted by reading them, memory grows with what is there. Values are fractions
 * of full scale (integers) or what the file holds (floats); nothing in such a file says volts. Encodings with losses
 * are refused: they change the waveform.
 */
#include <math.h>
#include <sndfile.h>
#include <string.h>

#include "capture_private.h"

typedef struct cursor {
    const char *bytes;
    sf_count_t length, at;
} cursor;

static sf_count_t get_length(void *user) {
    return ((cursor *)user)->length;
}

static sf_count_t seek_to(sf_count_t offset, int whence, void *user) {
    cursor *c = user;
    const sf_count_t base = whence == SEEK_SET ? 0 : whence == SEEK_CUR ? c->at : c->length;
    if (offset < -base || offset > c->length - base) {
        return -1;
    }
    c->at = base + offset;
    return c->at;
}

static sf_count_t read_bytes(void *out, sf_count_t count, void *user) {
    cursor *c = user;
    const sf_count_t left = c->length - c->at, n = count < left ? count : left;
    if (n <= 0) {
        return 0;
    }
    memcpy(out, c->bytes + c->at, (size_t)n);
    c->at += n;
    return n;
}

static sf_count_t write_nothing(const void *data, sf_count_t count, void *user) {
    (void)data;
    (void)count;
    (void)user;
    return 0;
}

static sf_count_t tell(void *user) {
    return ((cursor *)user)->at;
}

/* Bytes of the samples that a RIFF header announces; 0 where it is another format or says "until the end". */
static uint64_t announced_bytes(const char *bytes, size_t n, uint64_t *there) {
    const unsigned char *b = (const unsigned char *)bytes;
    const bool big = memcmp(b, "RIFX", 4) == 0;
    if (!big && memcmp(b, "RIFF", 4) != 0) {
        return 0;
    }
    for (size_t at = 12; at + 8 <= n;) {
        const unsigned char *p = b + at + 4;
        const uint64_t size = big ? (uint64_t)p[0] << 24 | (uint64_t)p[1] << 16 | (uint64_t)p[2] << 8 | p[3]
                                  : (uint64_t)p[3] << 24 | (uint64_t)p[2] << 16 | (uint64_t)p[1] << 8 | p[0];
        if (memcmp(b + at, "data", 4) == 0) {
            *there = n - at - 8;
            return size == UINT32_MAX ? 0 : size;
        }
        if (size > n - at - 8) {
            return 0;
        }
        at += 8 + (size_t)(size + (size & 1));
    }
    return 0;
}

/* The encodings that keep every sample. */
static const char *encoding_name(int format) {
    switch (format & SF_FORMAT_SUBMASK) {
    case SF_FORMAT_PCM_S8:
    case SF_FORMAT_PCM_U8:
        return "8-bit integers";
    case SF_FORMAT_PCM_16:
        return "16-bit integers";
    case SF_FORMAT_PCM_24:
        return "24-bit integers";
    case SF_FORMAT_PCM_32:
        return "32-bit integers";
    case SF_FORMAT_FLOAT:
        return "32-bit floats";
    case SF_FORMAT_DOUBLE:
        return "64-bit floats";
    default:
        return NULL;
    }
}

static const char *container_name(int format) {
    switch (format & SF_FORMAT_TYPEMASK) {
    case SF_FORMAT_AIFF:
        return "AIFF";
    case SF_FORMAT_AU:
        return "AU";
    case SF_FORMAT_CAF:
        return "CAF";
    case SF_FORMAT_FLAC:
        return "FLAC";
    case SF_FORMAT_W64:
        return "W64";
    case SF_FORMAT_RF64:
        return "RF64";
    default:
        return "WAV";
    }
}

/* Reads until nothing comes; the columns grow with the frames. */
static tw_status read_frames(const capture_source *s, const tw_capture_opts *opts, SNDFILE *file, size_t channels,
                             size_t expected, capture_layout *layout, size_t *frames) {
    enum { BLOCK = 16384 };
    const size_t most = tw_capture__max_bytes(opts) / sizeof(double) / channels;
    size_t capacity = expected < BLOCK ? BLOCK : expected, have = 0;
    double *block = tw_alloc(s->ctx, BLOCK, sizeof *block);
    tw_status status =
        block != NULL ? tw_capture__make_columns(s->ctx, s->name, opts, channels, capacity, layout) : TW_NO_MEMORY;
    const sf_count_t step = (sf_count_t)(BLOCK / channels > 0 ? BLOCK / channels : 1);
    while (status == TW_OK) {
        const sf_count_t got = sf_readf_double(file, block, step);
        if (got <= 0) {
            break;
        }
        if (have + (size_t)got > capacity) {
            capacity = have + (size_t)got + have / 8;
            status = capacity > most
                         ? tw_capture__fail(s->ctx, TW_TOO_LARGE, s->name, 0, "the samples take more than %zu bytes",
                                            tw_capture__max_bytes(opts))
                         : tw_capture__resize_columns(s->ctx, layout, capacity);
        }
        for (size_t k = 0; k < (size_t)got && status == TW_OK; k++) {
            for (size_t i = 0; i < channels; i++) {
                layout->columns[i].values[have + k] = block[k * channels + i];
            }
        }
        have += (size_t)got;
        if (status == TW_OK && (have & 0xfffff) < (size_t)got) {
            status = tw_progress(s->ctx, expected > have ? (double)have / (double)expected : 1.0, "reading the record");
        }
    }
    tw_free(block);
    *frames = have;
    return status == TW_OK && have > 1 && have < capacity ? tw_capture__resize_columns(s->ctx, layout, have) : status;
}

static tw_status warn_header(const capture_source *s, const SF_INFO *info, size_t frames, tw_warnings *warnings) {
    uint64_t there = 0;
    const uint64_t said = announced_bytes(s->bytes, s->length, &there);
    if (said > there) {
        return tw_warn(s->ctx, warnings, "wrong_header",
                       "the header announces %llu bytes of samples but %llu are there; %zu samples were read",
                       (unsigned long long)said, (unsigned long long)there, frames);
    }
    return info->frames != (sf_count_t)frames
               ? tw_warn(s->ctx, warnings, "wrong_header", "the header announces %lld samples; %zu were read",
                         (long long)info->frames, frames)
               : TW_OK;
}

static tw_status finish(const capture_source *s, const tw_capture_opts *opts, const SF_INFO *info, size_t frames,
                        capture_layout *layout, capture_record *out) {
    tw_warnings warnings = {0};
    size_t *roles = tw_alloc(s->ctx, layout->n_columns, sizeof *roles); /* channels without a time column */
    tw_status status = roles != NULL ? warn_header(s, info, frames, &warnings) : TW_NO_MEMORY;
    for (size_t i = 0; i < layout->n_columns; i++) {
        layout->columns[i].has_unit = true; /* a fraction of full scale: no codes */
        layout->columns[i].unit.kind = UNIT_SIGNAL;
    }
    if (status == TW_OK) {
        status = tw_warn(s->ctx, &warnings, "full_scale",
                         "values are parts of full scale: nothing in the file says how many volts that is (--units, or "
                         "a scale in the rig)");
    }
    if (status == TW_OK) {
        status = tw_capture__note_interval(s->ctx, layout, 1.0 / (double)info->samplerate, (double)NAN);
    }
    if (status == TW_OK) {
        status = tw_capture__finish_table(s->ctx, s->name, opts, layout, roles, frames, out);
        if (status == TW_OK) {
            (void)snprintf(out->capture.understood, sizeof out->capture.understood,
                           "%s, %s, %zu samples, %zu channel(s) at %d Hz", container_name(info->format),
                           encoding_name(info->format), frames, layout->n_columns, info->samplerate);
            status = tw_warnings_append(s->ctx, &out->capture.warnings, &warnings);
            if (status != TW_OK) {
                tw_capture_dispose(&out->capture);
            }
        }
    }
    tw_free(roles);
    tw_warnings_dispose(&warnings);
    return status;
}

static tw_status read_open(const capture_source *s, const tw_capture_opts *opts, SNDFILE *file, const SF_INFO *info,
                           capture_record *out) {
    if (encoding_name(info->format) == NULL) {
        return tw_capture__fail(s->ctx, TW_BAD_DATA, s->name, 0,
                                "samples stored with losses; store plain integers or floats");
    }
    if (info->channels < 1 || info->channels > CAPTURE_MAX_COLUMNS || info->samplerate < 1) {
        return tw_capture__fail(s->ctx, TW_BAD_DATA, s->name, 0, "%d channel(s) at %d Hz are announced", info->channels,
                                info->samplerate);
    }
    /* a plain sample takes a byte at least; a packed one may take less and makes the columns grow */
    const size_t fits = s->length / (size_t)info->channels;
    const size_t said = info->frames > 0 ? (size_t)info->frames : 0;
    capture_layout layout = {0};
    size_t frames = 0;
    tw_status status = read_frames(s, opts, file, (size_t)info->channels, said < fits ? said : fits, &layout, &frames);
    if (status == TW_OK && frames < 2) {
        status =
            tw_capture__fail(s->ctx, TW_BAD_DATA, s->name, 0, "%zu sample(s); a record needs two at least", frames);
    }
    if (status == TW_OK) {
        status = finish(s, opts, info, frames, &layout, out);
    }
    tw_capture__drop_layout(&layout);
    return status;
}

tw_status tw_capture__read_audio(const capture_source *source, const tw_capture_opts *opts, capture_record *out) {
    SF_VIRTUAL_IO io = {get_length, seek_to, read_bytes, write_nothing, tell};
    cursor at = {.bytes = source->bytes, .length = (sf_count_t)source->length};
    SF_INFO info;
    memset(&info, 0, sizeof info);
    SNDFILE *file = sf_open_virtual(&io, SFM_READ, &info, &at);
    if (file == NULL) {
        return tw_capture__fail(source->ctx, TW_BAD_DATA, source->name, 0, "not readable as an audio file: %.200s",
                                sf_strerror(NULL));
    }
    const tw_status status = read_open(source, opts, file, &info, out);
    (void)sf_close(file);
    return status;
}

#include "report_xml.h"

#include <ctype.h>
#include <stdio.h>
#include <string.h>

typedef struct reader {
    const char *text;
    size_t length, at, depth;
    char open[64][32];
    const char *fault;
} reader;

static bool is_void(const char *name) {
    static const char *const NAMES[] = {"meta", "link", "br", "hr", "img"};
    for (size_t k = 0; k < sizeof NAMES / sizeof NAMES[0]; k++) {
        if (strcmp(NAMES[k], name) == 0) {
            return true;
        }
    }
    return false;
}

static bool fault(reader *r, const char *what) {
    r->fault = what;
    return false;
}

static bool starts(const reader *r, const char *what) {
    return r->length - r->at >= strlen(what) && memcmp(r->text + r->at, what, strlen(what)) == 0;
}

static bool skip_past(reader *r, const char *what) {
    for (; r->at < r->length; r->at++) {
        if (starts(r, what)) {
            r->at += strlen(what);
            return true;
        }
    }
    return fault(r, "unended section");
}

static void skip_space(reader *r) {
    while (r->at < r->length && isspace((unsigned char)r->text[r->at])) {
        r->at++;
    }
}

static size_t read_name(reader *r, char *out, size_t size) {
    size_t n = 0;
    while (r->at < r->length && (isalnum((unsigned char)r->text[r->at]) || strchr(":-_", r->text[r->at]) != NULL)) {
        if (n + 1 < size) {
            out[n++] = r->text[r->at];
        }
        r->at++;
    }
    out[n] = '\0';
    return n;
}

static bool read_entity(reader *r) {
    const size_t from = ++r->at;
    while (r->at < r->length && (isalnum((unsigned char)r->text[r->at]) || r->text[r->at] == '#')) {
        r->at++;
    }
    return r->at > from && r->at < r->length && r->text[r->at++] == ';' ? true : fault(r, "bare ampersand");
}

static bool read_attributes(reader *r, bool *closed) {
    char name[64];
    *closed = false;
    for (;;) {
        skip_space(r);
        if (starts(r, "/>")) {
            r->at += 2;
            *closed = true;
            return true;
        }
        if (starts(r, ">")) {
            r->at++;
            return true;
        }
        if (read_name(r, name, sizeof name) == 0 || !starts(r, "=\"")) {
            return fault(r, "bad attribute");
        }
        r->at += 2;
        while (r->at < r->length && r->text[r->at] != '"') {
            if (r->text[r->at] == '<') {
                return fault(r, "'<' in an attribute");
            }
            if (r->text[r->at] == '&') {
                if (!read_entity(r)) {
                    return false;
                }
            } else {
                r->at++;
            }
        }
        r->at++;
    }
}

static bool read_tag(reader *r) {
    char name[32];
    bool closed;
    if (starts(r, "</")) {
        r->at += 2;
        read_name(r, name, sizeof name);
        skip_space(r);
        if (!starts(r, ">") || r->depth == 0 || strcmp(r->open[r->depth - 1], name) != 0) {
            return fault(r, "end tag does not match");
        }
        r->at++;
        r->depth--;
        return true;
    }
    r->at++;
    if (read_name(r, name, sizeof name) == 0) {
        return fault(r, "bare '<'");
    }
    if (!read_attributes(r, &closed)) {
        return false;
    }
    if (!closed && !is_void(name)) {
        if (r->depth == sizeof r->open / sizeof r->open[0]) {
            return fault(r, "nested too deep");
        }
        (void)snprintf(r->open[r->depth++], sizeof r->open[0], "%s", name);
    }
    if (strcmp(name, "style") == 0 && !closed) {
        while (r->at < r->length && !starts(r, "</style")) {
            r->at++;
        }
    }
    return true;
}

bool xml_well_formed(const char *text, size_t length, char *reason, size_t reason_size) {
    reader r = {.text = text, .length = length};
    bool good = true;
    while (good && r.at < length) {
        if (starts(&r, "<?")) {
            good = skip_past(&r, "?>");
        } else if (starts(&r, "<!")) {
            good = skip_past(&r, ">");
        } else if (text[r.at] == '<') {
            good = read_tag(&r);
        } else if (text[r.at] == '&') {
            good = read_entity(&r);
        } else {
            r.at++;
        }
    }
    if (good && r.depth > 0) {
        good = fault(&r, "an element is left open");
    }
    if (!good) {
        (void)snprintf(reason, reason_size, "%s at byte %zu", r.fault, r.at);
    }
    return good;
}

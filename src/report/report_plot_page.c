/* A page with a painter's drawing as bytes, and as a file. */
#include "report_plot_private.h"

#include <string.h>
#include <strings.h>

/* The library numbers its surfaces through the life of the process; the same drawing must be the same bytes. */
static void drop_surface_number(tw_text *svg) {
    static const char MARK[] = "<g id=\"surface";
    char *at = strstr(svg->data, MARK);
    if (at != NULL) {
        at += strlen(MARK);
        const size_t digits = strspn(at, "0123456789"), behind = strlen(at + digits);
        memmove(at, at + digits, behind + 1);
        tw_text_cut(svg, svg->length - digits);
    }
}

tw_status report__draw_page(tw_ctx *ctx, report__format_kind format, const report__page *page,
                            report__paint_fn *paint_it, const void *what, tw_text *out) {
    if (format != REPORT_SVG) {
        return report__device_run(ctx, format, page, paint_it, what, out);
    }
    const size_t before = out->length;
    tw_text svg;
    tw_text_init(ctx, &svg, REPORT_DRAWING_LIMIT);
    tw_status status = report__device_run(ctx, format, page, paint_it, what, &svg);
    if (status == TW_OK) {
        drop_surface_number(&svg);
        report__svg_shrink(svg.data, svg.length, out);
        status = out->status;
    }
    if (status != TW_OK) {
        tw_text_cut(out, before);
    }
    tw_text_dispose(&svg);
    return status;
}

static bool has_suffix(const char *path, const char *suffix) {
    const size_t n = strlen(path), m = strlen(suffix);
    return n > m && strcasecmp(path + n - m, suffix) == 0;
}

tw_status report__choose_format(tw_ctx *ctx, const char *path, report__format_kind *out) {
    static const struct {
        const char *suffix;
        report__format_kind format;
    } FORMS[] = {{".svg", REPORT_SVG}, {".pdf", REPORT_PDF}, {".png", REPORT_PNG}};
    for (size_t k = 0; k < sizeof FORMS / sizeof FORMS[0]; k++) {
        if (has_suffix(path, FORMS[k].suffix)) {
            *out = FORMS[k].format;
            return TW_OK;
        }
    }
    const tw_place place = {.file = path};
    return tw_fail_at(ctx, TW_BAD_ARGUMENT, "report", &place, "a plot's name ends in .svg, .pdf or .png");
}

tw_status report__write_drawing(tw_ctx *ctx, const char *path, tw_status drawn, const tw_text *bytes) {
    if (drawn == TW_OK) {
        return tw_write_file(ctx, path, bytes->data, bytes->length);
    }
    const tw_place place = {.file = path};
    tw_error_add_place(ctx, &place);
    return drawn;
}

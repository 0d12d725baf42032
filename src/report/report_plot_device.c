/* The drawing library's devices: one page into memory.
 *
 * PLplot keeps its state in globals, asks on the terminal for what it misses, and ends the process on grave errors. So:
 * the device is looked up first, the output file is a stream of ours, error texts go to a buffer, and the exit handler
 * jumps back here. The buffer is found through the stream's own error pointer, so that no state of ours is needed. The
 * thread's locale is C for the time of drawing: axis numbers must not change with the user's.
 */
#include "report_plot_private.h"

#include <locale.h>
#include <plplot/plplot.h>
#include <plplot/plplotP.h>
#include <setjmp.h>
#include <string.h>

#define MM_PER_PT (25.4 / 72)
/* The library's cairo devices make a font of 4/3 of the asked height, in units of the device (pixels, points) whatever
 * the resolution, and take line widths in those units; measured on their PDF. */
#define CHARACTER_MM_PER_PT (0.75 * MM_PER_PT)
#define PNG_DPI 180.0
#define VECTOR_DPI 72.0

/* code must be first: the library hands its address back. */
typedef struct failure {
    PLINT code;
    jmp_buf escape;
    char message[1024]; /* at least 160 bytes are asked for; the longest text adds some 60 to the reason */
} failure;

static int on_exit_request(const char *message) {
    failure *f = (failure *)(void *)plsc->errcode;
    (void)snprintf(f->message, sizeof f->message, "%s", message != NULL ? message : "unknown reason");
    longjmp(f->escape, 1);
}

/* The text is in the failure record already when this is called. */
static void on_abort(const char *message) {
    (void)message;
}

static ssize_t write_bytes(void *cookie, const char *bytes, size_t n) {
    tw_text *out = cookie;
    tw_text_append(out, bytes, n);
    return out->status == TW_OK ? (ssize_t)n : 0;
}

static const char *device_name(report__format_kind format) {
    return format == REPORT_SVG ? "svgcairo" : format == REPORT_PDF ? "pdfcairo" : "pngcairo";
}

static bool device_exists(const char *name) {
    enum { MOST_DEVICES = 60 };
    const char *menu_store[MOST_DEVICES], *name_store[MOST_DEVICES];
    const char **menu = menu_store, **names = name_store;
    int n = MOST_DEVICES;
    plgFileDevs(&menu, &names, &n);
    for (int i = 0; i < n && i < MOST_DEVICES; i++) {
        if (names[i] != NULL && strcmp(names[i], name) == 0) {
            return true;
        }
    }
    return false;
}

static void set_palette(void) {
    static const PLINT RGB[REPORT_COLOUR_COUNT][3] = {
        [REPORT_WHITE] = {255, 255, 255},       [REPORT_BLACK] = {0, 0, 0},
        [REPORT_ORANGE] = {230, 159, 0},        [REPORT_GREEN] = {0, 158, 115},
        [REPORT_BLUE] = {0, 114, 178},          [REPORT_VERMILLION] = {213, 94, 0},
        [REPORT_PURPLE] = {204, 121, 167},      [REPORT_DARK_GREY] = {85, 85, 85},
        [REPORT_MIDDLE_GREY] = {150, 150, 150}, [REPORT_LIGHT_GREY] = {226, 226, 226},
    };
    plscmap0n(REPORT_COLOUR_COUNT);
    for (PLINT k = 0; k < REPORT_COLOUR_COUNT; k++) {
        plscol0(k, RGB[k][0], RGB[k][1], RGB[k][2]);
    }
}

static void draw(report__format_kind format, const report__page *page, report__paint_fn *paint, const void *what,
                 FILE *stream) {
    const double dpi = format == REPORT_PNG ? PNG_DPI : VECTOR_DPI;
    plsdev(device_name(format));
    plsfile(stream);
    plspage(dpi, dpi, (PLINT)(page->width_pt * dpi / 72), (PLINT)(page->height_pt * dpi / 72), 0, 0);
    set_palette();
    plinit();
    pladv(0);
    plsxax(7, 0);
    plsyax(7, 0); /* plain numbers on the axes, no common power of ten */
    paint(page, what);
    plend(); /* finishes the page and closes the stream */
}

typedef enum outcome { DRAWN, NO_DEVICE, GAVE_UP } outcome;

/* Draws with the failure record in place. The stream is closed by the library when it gets to its end. */
static outcome draw_guarded(report__format_kind format, const report__page *page, report__paint_fn *paint,
                            const void *what, FILE *stream, failure *f) {
    plsexit(on_exit_request);
    plsabort(on_abort);
    plsError(&f->code, f->message);
    volatile outcome result = GAVE_UP;
    if (setjmp(f->escape) == 0) {
        if (device_exists(device_name(format))) {
            draw(format, page, paint, what, stream);
            result = f->code == 0 ? DRAWN : GAVE_UP;
        } else {
            (void)fclose(stream);
            result = NO_DEVICE;
        }
    }
    plsc->errcode = NULL;
    plsc->errmsg = NULL;
    plsexit(NULL);
    plsabort(NULL);
    return result;
}

tw_status report__device_run(tw_ctx *ctx, report__format_kind format, const report__page *page, report__paint_fn *paint,
                             const void *what, tw_text *out) {
    const size_t before = out->length;
    failure *f = tw_alloc(ctx, 1, sizeof *f);
    if (f == NULL) {
        return TW_NO_MEMORY;
    }
    FILE *stream = fopencookie(out, "wb", (cookie_io_functions_t){.write = write_bytes});
    const locale_t c_locale = newlocale(LC_ALL_MASK, "C", (locale_t)0);
    tw_status status = TW_OK;
    if (stream == NULL || c_locale == (locale_t)0) {
        status = tw_fail(ctx, TW_NO_MEMORY, "report", "no memory for a drawing");
        if (stream != NULL) {
            (void)fclose(stream);
        }
    } else {
        const locale_t usual = uselocale(c_locale);
        const outcome result = draw_guarded(format, page, paint, what, stream, f);
        (void)uselocale(usual);
        status = out->status;
        if (status == TW_OK && result == NO_DEVICE) {
            status = tw_fail(ctx, TW_STORAGE, "report",
                             "the plotting library finds no device '%s': its cairo driver is missing, or there is no "
                             "room for temporary files",
                             device_name(format));
        } else if (status == TW_OK && (result == GAVE_UP || out->length == before)) {
            f->message[strcspn(f->message, "\n")] = '\0';
            status = tw_fail(ctx, TW_INTERNAL, "report", "the plotting library failed: %s",
                             f->message[0] != '\0' ? f->message : "it wrote nothing");
        }
    }
    if (c_locale != (locale_t)0) {
        freelocale(c_locale);
    }
    tw_free(f);
    if (status != TW_OK) {
        tw_text_cut(out, before);
    }
    return status;
}

/* Units of the device per point. */
static double device_scale(void) {
    double x_dpi, y_dpi;
    PLINT width, height, x_offset, y_offset;
    plgpage(&x_dpi, &y_dpi, &width, &height, &x_offset, &y_offset);
    return x_dpi / VECTOR_DPI;
}

void report__set_pen(report__colour colour, double width) {
    plcol0((PLINT)colour);
    plwidth(width * device_scale());
}

void report__set_text(double size_pt, bool bold) {
    plsfont(PL_FCI_SANS, PL_FCI_UPRIGHT, bold ? PL_FCI_BOLD : PL_FCI_MEDIUM);
    plschr(size_pt * CHARACTER_MM_PER_PT * device_scale(), 1.0);
    plsmaj(3.5 * MM_PER_PT, 1.0);
    plsmin(2.0 * MM_PER_PT, 1.0);
}

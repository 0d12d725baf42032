/* Text for a terminal: captures and rehearsals. */
#include "report_private.h"
#include "report_text_private.h"

#include <math.h>
#include <string.h>

static void put_capture_row(const tw_capture_channel *c, size_t samples, size_t name_width, tw_text *out) {
    char low[TW_QUANTITY_TEXT], high[TW_QUANTITY_TEXT], mean[TW_QUANTITY_TEXT], step[TW_QUANTITY_TEXT];
    report__format_set(c->minimum, c->unit, low);
    report__format_set(c->maximum, c->unit, high);
    report__format_set(c->mean, c->unit, mean);
    report__format_set(c->step, c->unit, step);
    tw_text_add(out, "  ");
    report__text_pad(out, c->name, name_width + 2);
    report__text_pad(out, c->unit[0] != '\0' ? c->unit : "-", 6);
    tw_text_addf(out, "%-12s %-12s %-12s %-12s ", low, high, mean, step);
    if (c->finite == samples) {
        tw_text_add(out, "all\n");
    } else {
        tw_text_addf(out, "%zu of %zu\n", c->finite, samples);
    }
}

tw_status tw_report_text_capture(tw_ctx *ctx, const tw_capture *capture, const tw_report_text_opts *opts,
                                 tw_text *out) {
    char interval[TW_QUANTITY_TEXT], start[TW_QUANTITY_TEXT], length[TW_QUANTITY_TEXT];
    report__format_set(capture->sample_interval_s, "s", interval);
    report__format_set(capture->start_time_s, "s", start);
    report__format_set(capture->sample_interval_s * (double)capture->samples, "s", length);
    tw_text source;
    tw_text_init(ctx, &source, sizeof capture->source + 1);
    report__text_clean(&source, capture->source);
    const tw_status cleaned = source.status;
    if (cleaned == TW_OK) {
        report__text_emphasis(out, opts, REPORT_BOLD, tw_text_string(&source));
    }
    tw_text_dispose(&source);
    TW_TRY(cleaned);
    tw_text_addf(out, "\n  %zu samples every %s, %s in all, first at %s\n", capture->samples, interval, length, start);
    if (capture->understood[0] != '\0') {
        tw_text_add(out, "  ");
        report__text_wrap(out, 2, capture->understood);
    }
    size_t name_width = strlen("channel");
    for (size_t i = 0; i < capture->n_channels; i++) {
        const size_t n = tw_utf8_count(capture->channels[i].name, strlen(capture->channels[i].name));
        name_width = n > name_width ? n : name_width;
    }
    tw_text_add(out, "  ");
    report__text_pad(out, "channel", name_width + 2);
    tw_text_addf(out, "%-6s%-12s %-12s %-12s %-12s %s\n", "unit", "minimum", "maximum", "mean", "step", "samples");
    for (size_t i = 0; i < capture->n_channels; i++) {
        put_capture_row(&capture->channels[i], capture->samples, name_width, out);
    }
    report__text_warnings(out, &capture->warnings, opts);
    return out->status;
}

static void put_range(tw_text *out, const char *name, double range_v, double peak_v, size_t clipped) {
    char range[TW_QUANTITY_TEXT], half[TW_QUANTITY_TEXT], peak[TW_QUANTITY_TEXT];
    report__format_set(range_v, "V", range);
    report__format_set(range_v / 2, "V", half);
    report__format_set(peak_v, "V", peak);
    tw_text_addf(out, "  %-16s full range %s (from -%s to +%s); the peak is %s", name, range, half, half, peak);
    if (clipped > 0) {
        tw_text_addf(out, "; %zu samples clipped", clipped);
    }
    tw_text_append(out, "\n", 1);
}

tw_status tw_report_text_rehearsal(tw_ctx *ctx, const tw_rehearsal *rehearsal, const tw_report_text_opts *opts,
                                   tw_text *out) {
    (void)ctx;
    char sweep[TW_QUANTITY_TEXT], interval[TW_QUANTITY_TEXT], length[TW_QUANTITY_TEXT];
    report__format_set(rehearsal->sweep_s, "s", sweep);
    report__format_set(rehearsal->interval_s, "s", interval);
    report__format_set(rehearsal->interval_s * (double)rehearsal->samples, "s", length);
    report__text_emphasis(out, opts, REPORT_BOLD, "Set the recorder to");
    tw_text_append(out, "\n", 1);
    put_range(out, "current channel", rehearsal->current_range_v, rehearsal->current_peak_v,
              rehearsal->current_clipped);
    put_range(out, "voltage channel", rehearsal->voltage_range_v, rehearsal->voltage_peak_v,
              rehearsal->voltage_clipped);
    tw_text_addf(out, "  %-16s a record of %s to look at a few periods\n", "sweep time", sweep);
    tw_text_addf(out, "  %-16s %zu samples every %s, %s in all\n", "rehearsed record", rehearsal->samples, interval,
                 length);
    report__text_warnings(out, &rehearsal->warnings, opts);
    report__text_cautions(out, opts);
    return out->status;
}

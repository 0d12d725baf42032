/* The self-contained HTML report: one file, no script, nothing fetched. */
#include "report_private.h"

#include <math.h>
#include <string.h>

#define HTML_LIMIT (REPORT_DRAWING_LIMIT + (4u << 20))

static const char STYLE[] =
    ":root{color-scheme:light dark;--paper:#fff;--ink:#1b1b1b;--faint:#5c5c5c;--rule:#d5d5d5;--good:#00664b;"
    "--doubt:#7a5300;--bad:#a33d00;--panel:#f5f5f3}\n"
    "@media (prefers-color-scheme:dark){:root{--paper:#17191b;--ink:#e9e9e6;--faint:#a9a9a4;--rule:#3b3e41;"
    "--good:#4fd1a8;--doubt:#f0b94a;--bad:#ff9a5c;--panel:#202326}}\n"
    "*{box-sizing:border-box}\n"
    "body{margin:0 auto;max-width:62rem;padding:2rem 1.25rem 4rem;background:var(--paper);color:var(--ink);"
    "font:1rem/1.5 system-ui,-apple-system,'Segoe UI',sans-serif}\n"
    "h1{font-size:1.7rem;line-height:1.2;margin:0 0 .25rem;overflow-wrap:anywhere}\n"
    "h2{font-size:1.15rem;margin:2.25rem 0 .5rem}\n"
    ".origin{color:var(--faint);margin:0 0 1.25rem;overflow-wrap:anywhere}\n"
    ".verdict{border-left:.4rem solid var(--mark);background:var(--panel);padding:.75rem 1rem;margin:0}\n"
    ".verdict strong{color:var(--mark);font-size:1.15rem}\n"
    ".verdict p{margin:.25rem 0 0}\n"
    ".full-zvs{--mark:var(--good)}.partial-zvs,.rebound,.unknown{--mark:var(--doubt)}.hard{--mark:var(--bad)}\n"
    "figure{margin:1.5rem 0;background:#fff;border:1px solid var(--rule);padding:.5rem;overflow-x:auto}\n"
    "figure svg{display:block;width:100%;height:auto;min-width:32rem}\n"
    "@media (max-width:40rem){body{padding:1rem .75rem 3rem}td{white-space:normal!important}}\n"
    ".groups{display:grid;grid-template-columns:repeat(auto-fit,minmax(min(27rem,100%),1fr));gap:0 "
    "2.5rem;align-items:start}\n"
    "table{border-collapse:collapse;width:100%;font-variant-numeric:tabular-nums;margin:.75rem 0 1rem}\n"
    "caption{text-align:left;font-weight:600;padding:.4rem 0}\n"
    "caption::first-letter{text-transform:uppercase}\n"
    "th,td{text-align:left;padding:.28rem .75rem .28rem 0;border-bottom:1px solid var(--rule);font-weight:400;"
    "vertical-align:baseline}\n"
    "thead th{color:var(--faint);font-size:.875rem}\n"
    "td{white-space:nowrap}\n"
    ".u{color:var(--faint)}\n"
    "ul{padding-left:1.25rem}\n"
    ".warnings li{margin:.35rem 0}\n"
    ".cautions{border:1px solid var(--rule);padding:.25rem 1rem;margin-top:2.25rem}\n"
    ".cautions h2{margin-top:.5rem}\n"
    "@media print{:root{color-scheme:light;--paper:#fff;--ink:#000;--faint:#444;--rule:#bbb;--good:#00664b;"
    "--doubt:#7a5300;--bad:#a33d00;--panel:#fff}body{max-width:none;padding:0;font-size:10pt}figure{border:0;padding:0}"
    "figure "
    "svg{max-height:17.5cm;min-width:0}table,figure,.cautions,.verdict{break-inside:avoid}h2{break-after:avoid}}\n";

/* Text for element content and quoted attributes. Control characters and bytes that are no UTF-8 become U+FFFD. */
static void put_escaped(tw_text *out, const char *text) {
    const size_t n = strlen(text);
    size_t bad = n;
    if (tw_utf8_valid(text, n, &bad)) {
        bad = n;
    }
    for (size_t i = 0; i < n; i++) {
        const unsigned char c = (unsigned char)text[i];
        if (i == bad) {
            tw_text_add(out, "\uFFFD");
            bad = i + 1;
            size_t more;
            bad = tw_utf8_valid(text + bad, n - bad, &more) ? n : bad + more;
            continue;
        }
        switch (c) {
        case '&':
            tw_text_add(out, "&amp;");
            break;
        case '<':
            tw_text_add(out, "&lt;");
            break;
        case '>':
            tw_text_add(out, "&gt;");
            break;
        case '"':
            tw_text_add(out, "&quot;");
            break;
        case '\'':
            tw_text_add(out, "&#39;");
            break;
        default:
            if (c < 0x20 && c != '\n' && c != '\t') {
                tw_text_add(out, "\uFFFD");
            } else {
                tw_text_append(out, text + i, 1);
            }
        }
    }
}

static void put_pretty(tw_text *out, const char *text) {
    char pretty[1200];
    report__pretty(text, pretty, sizeof pretty);
    put_escaped(out, pretty);
}

/* The value, its uncertainty set back a little. */
static void put_value(tw_text *out, tw_value v, const char *unit) {
    char text[TW_QUANTITY_TEXT];
    report__format(v, unit, text);
    char *spread = strstr(text, " (u=");
    if (spread != NULL) {
        *spread = '\0';
    }
    put_pretty(out, text);
    if (spread != NULL) {
        *spread = ' ';
        tw_text_add(out, "<span class=\"u\">");
        put_pretty(out, spread);
        tw_text_add(out, "</span>");
    }
}

static void put_group(tw_text *out, const tw_reading *r, int group) {
    if (report__count_group(r, group) == 0) {
        return;
    }
    tw_text_add(out, "<table>\n<caption>");
    put_escaped(out, tw_field_group_title((tw_field_group)group));
    tw_text_add(out, "</caption>\n<tbody>\n");
    for (size_t i = 0; i < r->n_fields; i++) {
        if (r->fields[i].group == group) {
            tw_text_add(out, "<tr><th scope=\"row\">");
            put_escaped(out, r->fields[i].label);
            tw_text_add(out, "</th><td>");
            put_value(out, r->fields[i].value, r->fields[i].unit);
            tw_text_add(out, "</td></tr>\n");
        }
    }
    tw_text_add(out, "</tbody>\n</table>\n");
}

static void put_edges(tw_text *out, const tw_reading *r) {
    tw_text_add(out, "<h2>Edges</h2>\n<table>\n<thead><tr><th scope=\"col\">edge</th>");
    for (size_t e = 0; e < 2; e++) {
        tw_text_add(out, "<th scope=\"col\">");
        put_escaped(out, r->edges[e].name);
        tw_text_add(out, "</th>");
    }
    tw_text_add(out, "</tr></thead>\n<tbody>\n<tr><th scope=\"row\">verdict</th>");
    for (size_t e = 0; e < 2; e++) {
        tw_text_addf(out, "<td>%s</td>", report__verdict_name(r->edges[e].verdict));
    }
    tw_text_add(out, "</tr>\n");
    /* the longer list leads; the other edge has the same keys or fewer */
    const tw_reading_edge *lead = &r->edges[r->edges[1].n_fields > r->edges[0].n_fields];
    for (size_t i = 0; i < lead->n_fields; i++) {
        tw_text_add(out, "<tr><th scope=\"row\">");
        put_escaped(out, lead->fields[i].label);
        tw_text_add(out, "</th>");
        for (size_t e = 0; e < 2; e++) {
            tw_text_add(out, "<td>");
            put_value(out, report__edge_value(&r->edges[e], lead->fields[i].key), lead->fields[i].unit);
            tw_text_add(out, "</td>");
        }
        tw_text_add(out, "</tr>\n");
    }
    tw_text_add(out, "</tbody>\n</table>\n");
}

static tw_status put_head(tw_ctx *ctx, tw_text *out, const tw_reading *r) {
    const char *title = r->title[0] != '\0' ? r->title : "Untitled rig";
    tw_text_add(out, "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n"
                     "<meta name=\"viewport\" content=\"width=device-width,initial-scale=1\">\n<title>");
    put_escaped(out, title);
    tw_text_addf(out, " - %s</title>\n<style>\n%s</style>\n</head>\n<body>\n<header>\n<h1>", report__kind_word(r->kind),
                 STYLE);
    put_escaped(out, title);
    tw_text_add(out, "</h1>\n<p class=\"origin\">");
    if (r->kind == TW_READING_FORECAST) {
        tw_text_add(out, "Forecast from the rig&#39;s description");
    } else {
        tw_text_add(out, "Measured from ");
        put_escaped(out, r->source);
    }
    tw_text_addf(out, "</p>\n<div class=\"verdict %s\">\n<strong>", tw_commutation_word(r->commutation));
    tw_text line;
    tw_text_init(ctx, &line, 4096);
    tw_status status = tw_report_verdict(ctx, r, &line);
    if (status == TW_OK) {
        put_pretty(out, tw_text_string(&line));
        tw_text_add(out, "</strong>\n");
        tw_text_cut(&line, 0);
        status = tw_report_advice(ctx, r, &line);
    }
    if (status == TW_OK && line.length > 0) {
        tw_text_add(out, "<p>");
        put_pretty(out, tw_text_string(&line));
        tw_text_add(out, "</p>\n");
    }
    tw_text_dispose(&line);
    tw_text_add(out, "</div>\n</header>\n<main>\n");
    return status;
}

static void put_lists(tw_text *out, const tw_reading *r) {
    if (r->warnings.count > 0) {
        tw_text_add(out, "<h2>Warnings</h2>\n<ul class=\"warnings\">\n");
        for (size_t i = 0; i < r->warnings.count; i++) {
            tw_text_add(out, "<li>");
            put_escaped(out, r->warnings.items[i].message);
            tw_text_add(out, "</li>\n");
        }
        tw_text_add(out, "</ul>\n");
    }
}

static void put_cautions(tw_text *out) {
    tw_text_add(out, "<section class=\"cautions\">\n<h2>Cautions</h2>\n<ul>\n");
    for (size_t i = 0; tw_report_caution(i) != NULL; i++) {
        tw_text_add(out, "<li>");
        put_escaped(out, tw_report_caution(i));
        tw_text_add(out, "</li>\n");
    }
    tw_text_add(out, "</ul>\n</section>\n");
}

tw_status tw_report_html(tw_ctx *ctx, const tw_reading *reading, tw_text *out) {
    const size_t before = out->length;
    tw_status status = put_head(ctx, out, reading);
    if (status == TW_OK) {
        put_lists(out, reading);
        if (reading->n_points > 1) {
            tw_text_add(out, "<h2>Waveforms</h2>\n<figure tabindex=\"0\" aria-label=\"waveforms\">\n");
            status = tw_report_plot_svg(ctx, reading, out);
            tw_text_add(out, "</figure>\n");
        }
    }
    put_edges(out, reading);
    tw_text_add(out, "<h2>Numbers</h2>\n<p>u is the standard uncertainty.</p>\n<div class=\"groups\">\n");
    for (int group = 0; group < TW_GROUP_COUNT; group++) {
        put_group(out, reading, group);
    }
    tw_text_add(out, "</div>\n");
    put_cautions(out);
    tw_text_add(out, "</main>\n</body>\n</html>\n");
    status = status != TW_OK ? status : out->status;
    if (status != TW_OK) {
        tw_text_cut(out, before);
    }
    return status;
}

tw_status tw_report_write_html(tw_ctx *ctx, const tw_reading *reading, const char *path) {
    tw_text page;
    tw_text_init(ctx, &page, HTML_LIMIT);
    tw_status status = tw_report_html(ctx, reading, &page);
    if (status == TW_OK) {
        status = tw_write_file(ctx, path, page.data, page.length);
    }
    tw_text_dispose(&page);
    return status;
}

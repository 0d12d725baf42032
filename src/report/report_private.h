/* What the files of room report share. */
#ifndef TW_REPORT_PRIVATE_H
#define TW_REPORT_PRIVATE_H

#include "tankwright/report.h"
#include "tankwright/units.h"

/* Enough for the longest report of the largest reading; beyond it something is wrong with the input. */
#define REPORT_DRAWING_LIMIT (64u << 20)

/* ---- fields (report_fields.c) ---- */

/* The edge's field of that key, or NULL. */
const tw_field *report__edge_field(const tw_reading_edge *edge, const char *key);
/* Its value; unknown where the field is missing. */
tw_value report__edge_value(const tw_reading_edge *edge, const char *key);

/* Text for reading of a value whose unit is given by its symbol; "-" where the value is not finite.
 * `out` needs TW_QUANTITY_TEXT bytes. */
void report__format(tw_value v, const char *unit, char *out);
/* The same without the uncertainty's own text, but still with no more digits than it supports. */
void report__format_short(tw_value v, const char *unit, char *out);
/* The same for sentences and labels: three digits at most. A limit that must hold is rounded to its safe side. */
typedef enum report__rounding { REPORT_NEAREST, REPORT_UP, REPORT_DOWN } report__rounding;
void report__format_sentence(tw_value v, const char *unit, report__rounding rounding, char *out);
/* Text of a value that was set or is exact: at most four digits, no zeros behind them ("40 ns"). */
void report__format_set(double value, const char *unit, char *out);
/* The same text with typographic micro, ohm, degree and minus signs (UTF-8), cut to fit. */
void report__pretty(const char *text, char *out, size_t size);

/* "full ZVS", "partial ZVS", "rebound", "hard", "not determined". */
const char *report__verdict_name(tw_commutation verdict);
/* "forecast" or "analysis". */
const char *report__kind_word(tw_reading_kind kind);
/* The group's number of fields. */
size_t report__count_group(const tw_reading *reading, int group);

/* ---- drawing (report_plot.c) ---- */

typedef enum report__format_kind { REPORT_SVG, REPORT_PDF, REPORT_PNG } report__format_kind;

/* The whole drawing as bytes. */
tw_status report__draw(tw_ctx *ctx, const tw_reading *reading, report__format_kind format, tw_text *out) TW_MUST_USE;

/* Appends the drawing library's SVG in fewer bytes; it looks the same (report_svg.c). */
void report__svg_shrink(const char *svg, size_t length, tw_text *out);

#endif

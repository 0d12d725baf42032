/* Pieces of JSON that every record is made of. Jansson builds and writes the tree; it forces a point as decimal mark.
 * Its own memory is not ours to fail: a NULL from it ends in TW_NO_MEMORY at tw_report__json_finish. */
#ifndef TW_REPORT_JSON_PRIVATE_H
#define TW_REPORT_JSON_PRIVATE_H

#include <jansson.h>

#include "tankwright/base.h"

/* null where not finite. */
json_t *tw_report__json_number(double value);

/* {"value", "unit"} and "standard_uncertainty" where u > 0; null where the value is not finite. */
json_t *tw_report__json_physical(tw_value v, const char *unit);

/* Text of unknown origin: bytes that are no UTF-8 become '?', so that a strange file name cannot stop the output. */
json_t *tw_report__json_text(tw_ctx *ctx, const char *text);

json_t *tw_report__json_numbers(const double *values, size_t n);

/* [{"code", "message"}] */
json_t *tw_report__json_warnings(tw_ctx *ctx, const tw_warnings *warnings);

/* Appends the object and a line end and lets go of the object; `good` false: something on the way failed. What stood in
 * `out` before stays as it was on failure. */
tw_status tw_report__json_finish(tw_ctx *ctx, json_t *object, bool good, tw_text *out) TW_MUST_USE;

#endif

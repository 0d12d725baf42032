/* What the pick-up's text and JSON share: the sentences of advice. */
#ifndef TW_REPORT_PICKUP_PRIVATE_H
#define TW_REPORT_PICKUP_PRIVATE_H

#include "report_private.h"

/* Where each pick-up goes and why; what to check before power-up. One sentence or two each, for the pick-ups that the
 * plan has; NULL beyond the last. */
const char *report__pickup_placement(const tw_pickup_plan *plan, size_t index);
const char *report__pickup_check(const tw_pickup_plan *plan, size_t index);

/* "transformer", "rogowski", "none"; "loop", "none". */
const char *report__current_pickup_word(tw_current_pickup_kind kind);
const char *report__voltage_pickup_word(tw_voltage_pickup_kind kind);

#endif

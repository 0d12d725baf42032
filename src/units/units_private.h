/* What the files of units share. */
#ifndef TW_UNITS_PRIVATE_H
#define TW_UNITS_PRIVATE_H

#include "tankwright/units.h"

/* What a suffix such as "kHz", "k", "%" or "mohm" means. */
typedef struct tw_units_suffix {
    bool has_unit;
    bool has_prefix;
    bool percent;
    tw_unit unit; /* where has_unit */
    int exponent; /* of ten, percent included */
} tw_units_suffix;

/* Reads a whole suffix, seen from an expected unit: "m" is metre for a length, milli in "5m" and metre in "5 m"
 * otherwise (`adjacent`: no blank before it). Returns false where it is neither a unit, nor a prefixed unit, nor a
 * prefix that may stand alone. */
bool tw_units__suffix(const char *text, size_t length, tw_unit expected, bool adjacent, tw_units_suffix *out);

/* Letter that stands for the decimal point (IEC 60062): bytes used (0: none), its power of ten, and whether it
 * also says ohm. */
size_t tw_units__point_letter(const char *text, size_t length, tw_unit expected, int *exponent, bool *ohm);

/* Factor and offset that turn a number in `from` into one in `to`; false where the dimensions differ. */
bool tw_units__conversion(tw_unit from, tw_unit to, double *factor, double *offset);

/* Prefix symbol for an output exponent of ten (-15..12 in steps of 3). */
const char *tw_units__output_prefix(int exponent);
/* Lowest and highest output exponent that suits the unit; both 0 where prefixes are unusual. */
void tw_units__output_range(tw_unit unit, int *lowest, int *highest);

#endif

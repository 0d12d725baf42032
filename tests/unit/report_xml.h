/* A small check that text is well-formed XML or HTML with every element closed. */
#ifndef TW_REPORT_XML_H
#define TW_REPORT_XML_H

#include <stdbool.h>
#include <stddef.h>

/* Tags nest and close (but for HTML's void elements), attributes are quoted, no stray '<' or '&'. On failure a reason
 * with the offset stands in `reason`. */
bool xml_well_formed(const char *text, size_t length, char *reason, size_t reason_size);

#endif

/* Lines of text for a terminal. */
#ifndef TW_REPORT_TEXT_PRIVATE_H
#define TW_REPORT_TEXT_PRIVATE_H

#include "tankwright/report.h"

#define REPORT_TEXT_COLUMNS 100

typedef enum report__emphasis { REPORT_BOLD, REPORT_GOOD, REPORT_DOUBTFUL, REPORT_BAD } report__emphasis;

/* The text, marked up where the caller asked for it. */
void report__text_emphasis(tw_text *out, const tw_report_text_opts *opts, report__emphasis kind, const char *text);
/* Text of unknown origin: what would steer the terminal becomes '?'. The functions below do the same. */
void report__text_clean(tw_text *out, const char *text);
/* The text, filled up with spaces to `width` characters. */
void report__text_pad(tw_text *out, const char *text, size_t width);
/* The text broken at spaces, continued below `indent`, and a line end. */
void report__text_wrap(tw_text *out, size_t indent, const char *text);
/* A title in the left margin, or an empty margin. */
void report__text_title(tw_text *out, const tw_report_text_opts *opts, report__emphasis kind, const char *title);
void report__text_warnings(tw_text *out, const tw_warnings *warnings, const tw_report_text_opts *opts);
void report__text_cautions(tw_text *out, const tw_report_text_opts *opts);

#endif

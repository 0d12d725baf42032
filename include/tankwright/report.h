/* report: result records to text, JSON, plots, HTML and delimited text.
 *
 * Shows what study's records hold and computes nothing of its own: numbers leave with no more digits than their
 * uncertainty supports (JCGM 100:2008, 7.2.6) in text and HTML, and with all their digits in JSON.
 *
 * Text builders append to a tw_text that the caller has initialised. They return the text's status; what stood there
 * before stays. File writers put the whole file in place or leave nothing: TW_STORAGE where it cannot be written.
 * All output is the same bytes for the same input, whatever the locale (a PDF's creation date apart).
 *
 * The drawing library keeps its state in globals: tw_report_plot, tw_report_plot_rehearsal, tw_report_plot_svg,
 * tw_report_html and tw_report_write_html must not run in two threads at the same time. A caller with threads takes a
 * lock around them.
 */
#ifndef TANKWRIGHT_REPORT_H
#define TANKWRIGHT_REPORT_H

#include "tankwright/base.h"
#include "tankwright/rig.h"
#include "tankwright/study.h"

/* ---- text for a terminal --------------------------------------------------------------------------- */

typedef struct tw_report_text_opts {
    bool emphasis; /* bold and colour by ECMA-48 SGR sequences; whether a terminal is there is the caller's business */
    bool no_cautions; /* leave the cautions out: for a caller that prints several readings and the cautions once */
} tw_report_text_opts;

/* The verdict in plain words, numbers by group, edges, warnings, cautions: about 30 lines of
 * at most 100 columns (a long title or file name apart).
 * opts NULL: plain, with cautions. */
tw_status tw_report_text_reading(tw_ctx *ctx, const tw_reading *reading, const tw_report_text_opts *opts,
                                 tw_text *out) TW_MUST_USE;

/* What the reader understood: one line about the form, the time axis, a table of channels, warnings. No cautions. */
tw_status tw_report_text_capture(tw_ctx *ctx, const tw_capture *capture, const tw_report_text_opts *opts,
                                 tw_text *out) TW_MUST_USE;

/* Suggested vertical range per channel and sweep time in plain volts and seconds, warnings, cautions. */
tw_status tw_report_text_rehearsal(tw_ctx *ctx, const tw_rehearsal *rehearsal, const tw_report_text_opts *opts,
                                   tw_text *out) TW_MUST_USE;

/* The first line of the text: "Commutation: full ZVS on both edges - the swing ends 1.21 us before the current
 * turns". No line end. */
tw_status tw_report_verdict(tw_ctx *ctx, const tw_reading *reading, tw_text *out) TW_MUST_USE;

/* What the verdict asks for, one sentence; nothing is appended where nothing is to be done. */
tw_status tw_report_advice(tw_ctx *ctx, const tw_reading *reading, tw_text *out) TW_MUST_USE;

/* The cautions that go with anything that touches the power stage, one sentence each; NULL beyond the last. */
const char *tw_report_caution(size_t index);

/* ---- JSON: the results contract -------------------------------------------------------------------- */

/* One object and a line end. A field is {"value", "unit"} and "standard_uncertainty" where u > 0; null where the value
 * is not finite. Besides the fields: "kind" ("forecast" or "analysis"), "title", "source" (null for a forecast),
 * "commutation", "edges" {"falling", "rising"} each with "verdict" and the edge's fields, "warnings". */
tw_status tw_report_json_reading(tw_ctx *ctx, const tw_reading *reading, tw_text *out) TW_MUST_USE;

/* "source", "understood", "samples", "sample_interval", "start_time", "channels" (name, unit, samples = the finite
 * ones, minimum, maximum, mean, step as plain numbers in the channel's unit or null; offset), "warnings". */
tw_status tw_report_json_capture(tw_ctx *ctx, const tw_capture *capture, tw_text *out) TW_MUST_USE;

/* "samples", "sample_interval", "sweep_time", "channels" {"current", "voltage"} each with "suggested_range" (full
 * span), "peak" and "clipped_samples", "warnings". */
tw_status tw_report_json_rehearsal(tw_ctx *ctx, const tw_rehearsal *rehearsal, tw_text *out) TW_MUST_USE;

/* Every key of the rig that has a meaning for it or was given, under the name that --set takes: {"value" (null:
 * unknown), "unit", "standard_uncertainty" where u > 0, "default": whether it is one}; a word or title as text, a yes
 * or no as true or false. "defaults": the keys that are defaults, those of words included. */
tw_status tw_report_json_rig(tw_ctx *ctx, const tw_rig *rig, tw_text *out) TW_MUST_USE;

/* ---- plots ------------------------------------------------------------------------------------------ */

/* Stacked panels over the reading's two periods, drawn to a file whose suffix (.svg, .pdf, .png, any case) names the
 * form; TW_BAD_ARGUMENT for another suffix or a reading without waveforms. Panels, line styles and marks:
 * docs/internals/report.md. TW_STORAGE also where the library's cairo driver is not installed. */
tw_status tw_report_plot(tw_ctx *ctx, const tw_reading *reading, const char *path) TW_MUST_USE;

/* The same drawing as SVG text, without XML declaration: for inlining. */
tw_status tw_report_plot_svg(tw_ctx *ctx, const tw_reading *reading, tw_text *out) TW_MUST_USE;

/* The rehearsed record over its first four periods: both channels in volts as stored, each over its suggested range; a
 * sample beyond the range stands at its edge. Suffix and errors as above; TW_BAD_ARGUMENT for an empty record. */
tw_status tw_report_plot_rehearsal(tw_ctx *ctx, const tw_rehearsal *rehearsal, const char *path) TW_MUST_USE;

/* ---- HTML ------------------------------------------------------------------------------------------- */

/* A self-contained page (no script, nothing fetched): verdict, drawing, tables of numbers and edges, warnings,
 * cautions; print style, light and dark. */
tw_status tw_report_html(tw_ctx *ctx, const tw_reading *reading, tw_text *out) TW_MUST_USE;
tw_status tw_report_write_html(tw_ctx *ctx, const tw_reading *reading, const char *path) TW_MUST_USE;

/* ---- delimited text --------------------------------------------------------------------------------- */

/* The reconstructed waveforms over the whole record, or a reading's two periods where it has no record: comma
 * separated, a header row of "name (unit)" (the first is "time (s)"), then one row a sample with 9 significant digits;
 * an empty field where a value is not finite. TW_BAD_ARGUMENT for a reading without waveforms. */
tw_status tw_report_write_waveforms(tw_ctx *ctx, const tw_reading *reading, const char *path) TW_MUST_USE;

/* The rehearsed record as a recorder might store it: header row "time (s),current (V),voltage (V)", then the rows.
 * Time starts at 0. Samples beyond the range stand as "inf" and "-inf". */
tw_status tw_report_write_rehearsal(tw_ctx *ctx, const tw_rehearsal *rehearsal, const char *path) TW_MUST_USE;

/* ---- the pick-ups ----------------------------------------------------------------------------------- */

/* Verdict on the pick-ups, numbers by group, burdens, warnings, where to put what and why, a check list before
 * power-up, cautions. opts as for a reading. */
tw_status tw_report_text_pickup(tw_ctx *ctx, const tw_pickup_plan *plan, const tw_report_text_opts *opts,
                                tw_text *out) TW_MUST_USE;

/* "kind" ("pickup"), "title", "current_pickup", "voltage_pickup" (words of the rig), every field by its key, "burdens"
 * (series, resistance, current_scale, deviation), "curves" (frequency, ratio_error, phase_error as arrays) or null,
 * "placement" and "checks" (sentences), "warnings". */
tw_status tw_report_json_pickup(tw_ctx *ctx, const tw_pickup_plan *plan, tw_text *out) TW_MUST_USE;

/* Ratio and phase error of the current pick-up against frequency; TW_BAD_ARGUMENT without a current pick-up. The notes
 * at the head about the drawing library hold. */
tw_status tw_report_plot_pickup(tw_ctx *ctx, const tw_pickup_plan *plan, const char *path) TW_MUST_USE;

/* ---- maps and the state plane ----------------------------------------------------------------------- */

/* What the map answers, in front where a target was given; stretches of one verdict; some of its points: at most 17
 * rows of a line, 12 x 7 cells of a plane, at most 100 columns. opts as for a reading. */
tw_status tw_report_text_map(tw_ctx *ctx, const tw_map *map, const tw_report_text_opts *opts, tw_text *out) TW_MUST_USE;

/* "kind" ("map"), "title", "points", "axes" (key, label, unit, scale, values), "columns" (by name: unit, values, null
 * where there is none), "commutation" (words); axis 0 varies fastest. With one axis "regions" (from, to, commutation)
 * and "resonance"; with a target "target", "reachable", "solutions" and "recommended", one of them or null. */
tw_status tw_report_json_map(tw_ctx *ctx, const tw_map *map, tw_text *out) TW_MUST_USE;

/* One row a point: the axes, the columns that were asked for, the verdict. Header names "key (unit)". */
tw_status tw_report_write_map(tw_ctx *ctx, const tw_map *map, const char *path) TW_MUST_USE;

/* Along one axis stacked curves over shaded verdicts, over two filled contours of the real power; needs two points an
 * axis at least. The notes at the head about the drawing library hold. */
tw_status tw_report_plot_map(tw_ctx *ctx, const tw_map *map, const char *path) TW_MUST_USE;

/* What the plate will say of the pan, in sentences; coil, pan, tank; layers; pans against limits where there are some;
 * warnings. JSON: "kind" ("coil"), "title", the fields, "verdict" (sentences), "layers", "along_gap" and
 * "along_frequency" (null or arrays by name), "pans", "warnings". Delimited text: the curve that was asked for. */
tw_status tw_report_text_coil(tw_ctx *ctx, const tw_coil_study *study, const tw_report_text_opts *opts,
                              tw_text *out) TW_MUST_USE;
tw_status tw_report_json_coil(tw_ctx *ctx, const tw_coil_study *study, tw_text *out) TW_MUST_USE;
tw_status tw_report_write_coil(tw_ctx *ctx, const tw_coil_study *study, const char *path) TW_MUST_USE;

/* Coil and pan cut through the axis to scale, with the current density; R and L along gap and frequency. */
tw_status tw_report_plot_coil(tw_ctx *ctx, const tw_coil_study *study, const char *path) TW_MUST_USE;

/* The steady cycle in the state plane, told apart by who conducts. */
tw_status tw_report_plot_plane(tw_ctx *ctx, const tw_plane *plane, const char *path) TW_MUST_USE;

#endif

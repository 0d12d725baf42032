/* The reader of delimited text: one invented sample for every kind of file that it understands. */
#include "testing.h"

#include <math.h>
#include <string.h>

#include "tankwright/capture.h"

#define NONE ((double)NAN)

typedef struct expected {
    const char *what;
    const char *text;
    size_t samples, channels;
    double interval_s, start_s;
    size_t at;               /* this sample of ... */
    double first, last;      /* ... the first and of the last channel */
    const char *name, *unit; /* of the first channel; NULL: any */
    const char *warning;     /* a code that must be there; NULL: no warning at all */
} expected;

static const expected CASES[] = {
    /* 1: where the preamble stands */
    {"preamble above",
     "Record,invented\nSample Interval,2.5E-07,s\nTime,Pail\n0,0.5\n2.5e-7,0.75\n5e-7,-0.25\n7.5e-7,0.5\n", 4, 1,
     2.5e-7, 0, 1, 0.75, 0.75, "Pail", "", NULL},
    {"preamble in the first columns of the data rows",
     "Record Length,4,,-1e-6,0.5,\nSample Interval,1e-6,,0,0.75,\nTrigger "
     "Point,2,,1e-6,-0.25,\n,,,2e-6,0.125,\n,,,3e-6,0.5,\n,,,4e-6,0."
     "25,\n,,,5e-6,0.5,\n",
     7, 1, 1e-6, -1e-6, 2, -0.25, -0.25, NULL, "", NULL},
    {"preamble to the right of the data",
     "0,0.5,,Sampling period,3 us\n3e-6,0.75,,Mode,single\n6e-6,0.25,,Vertical unit,V\n9e-6,0.5,,,\n12e-6,0.5,,,\n", 5,
     1, 3e-6, 0, 2, 0.25, 0.25, NULL, "V", NULL},
    {"two exports side by side",
     "Rate note,a,,,,Rate "
     "note,b,,,\n,,,0,0.5,,,,0,1.5\n,,,1e-6,0.75,,,,1e-6,1.25\n,,,2e-6,0.25,,,,2e-6,1.75\n,,,3e-6,0.5,,,,3e-6,1."
     "5\n",
     4, 2, 1e-6, 0, 2, 0.25, 1.75, NULL, "", NULL},
    /* 2: key words */
    {"padded keys, unit inside the value, comment lines",
     "# Title     : pail on the plate\n# Sampling interval   :   4.00E-07 s\n# Offset note\nCoil (V)\n1.5\n2.5\n-0.5\n",
     3, 1, 4e-7, 0, 1, 2.5, 2.5, "Coil", "V", NULL},
    {"key prefixed by a channel", "CH1 sample interval,1.25e-6\nCH1 vertical units,mV\nCH1\n1.5\n2.5\n-500.5\n", 3, 1,
     1.25e-6, 0, 2, -0.5005, -0.5005, "CH1", "V", NULL},
    {"rate with a prefixed unit", "Sample rate = 2.5 MS/s\nV\n1.5\n2.5\n-0.5\n0.25\n", 4, 1, 4e-7, 0, 1, 2.5, 2.5,
     "channel 1", "V", NULL},
    {"samples per second as a plain number", "Samples per second;500000\nU1;U2\n1.5;0.25\n2.5;0.5\n-0.5;0.125\n", 3, 2,
     2e-6, 0, 1, 2.5, 0.5, "U1", "", NULL},
    {"unit in the key", "Delta t (us): 0.8\nu;i\n1.5;0.25\n2.5;0.5\n-0.5;0.125\n", 3, 2, 8e-7, 0, 2, -0.5, 0.125, "u",
     "", NULL},
    {"value before a unit cell", "Sample interval,20,ns\nu,i\n1.5,0.25\n2.5,0.5\n-0.5,0.125\n", 3, 2, 2e-8, 0, 2, -0.5,
     0.125, "u", "", NULL},
    /* 3: headers */
    {"no header", "0\t0.5\n1e-6\t0.75\n2e-6\t0.25\n", 3, 1, 1e-6, 0, 1, 0.75, 0.75, "channel 1", "", NULL},
    {"units row in parentheses", "Time,Loop,Lead\n(us),(mV),(A)\n0,500,1.5\n0.5,750,2.5\n1,250,-3.5\n", 3, 2, 5e-7, 0,
     1, 0.75, 2.5, "Loop", "V", NULL},
    {"unit-only names", "s,mV\n0,500\n1e-6,750\n2e-6,250\n", 3, 1, 1e-6, 0, 2, 0.25, 0.25, "channel 1", "V", NULL},
    {"blank first cell", ",Loop (V),Loop (V)\n0,0.5,1.5\n1e-6,0.75,2.5\n2e-6,0.25,3.25\n", 3, 2, 1e-6, 0, 2, 0.25, 3.25,
     "Loop", "V", NULL},
    {"parentheses that belong to the name", "Time [ms],Loop (near coil)\n0,0.5\n0.001,0.75\n0.002,0.25\n", 3, 1, 1e-6,
     0, 1, 0.75, 0.75, "Loop (near coil)", "", NULL},
    {"two header rows", "Clock,Upper,Lower\nTime,V,mA\n0,0.5,100\n1e-6,0.75,250\n2e-6,0.25,50\n", 3, 2, 1e-6, 0, 1,
     0.75, 0.25, "Upper", "V", NULL},
    {"names with blanks above columns of blanks",
     "Time (us)  Coil lead (A)\n  0.0      1.25\n  0.2     -2.50\n  0.4      0.75\n", 3, 1, 2e-7, 0, 1, -2.5, -2.5,
     "Coil lead", "A", NULL},
    {"unit behind a slash and an underscore", "t / us;i / mA;u_mV\n0;250;500\n2;500;250\n4;-750;125\n", 3, 2, 2e-6, 0,
     2, -0.75, 0.125, "i", "A", NULL},
    /* 4: time axis */
    {"time in the last column", "Loop (V),Time (s)\n0.5,0\n0.75,1e-6\n0.25,2e-6\n", 3, 1, 1e-6, 0, 1, 0.75, 0.75,
     "Loop", "V", NULL},
    {"unnamed time in the last column", "0.5,-1e-6\n0.75,0\n0.25,1e-6\n0.5,2e-6\n0.125,3e-6\n", 5, 1, 1e-6, -1e-6, 1,
     0.75, 0.75, NULL, "", NULL},
    {"one time column per channel",
     "Time A,A (V),Time B,B (V)\n0,0.5,2e-7,1.5\n1e-6,0.75,1.2e-6,2.5\n2e-6,0.25,2.2e-6,3.5\n", 3, 2, 1e-6, 0, 1, 0.75,
     2.5, "A", "V", NULL},
    {"index only, interval in the preamble", "Sampling interval: 50 ns\nIndex,Loop (V)\n0,0.5\n1,0.75\n2,0.25\n", 3, 1,
     5e-8, 0, 1, 0.75, 0.75, "Loop", "V", NULL},
    {"start and increment in header cells",
     "X,CH1,Start,Increment\nSequence,Volt,-0.001,2e-6\n0,0.5,,\n1,0.75,,\n2,0.25,,\n", 3, 1, 2e-6, -0.001, 1, 0.75,
     0.75, "CH1", "V", NULL},
    /* 5: units of time and contradictions */
    {"stated interval settles the unit", "Sample interval: 2e-6 s\nTime,Loop\n0,0.5\n0.002,0.75\n0.004,0.25\n", 3, 1,
     2e-6, 0, 1, 0.75, 0.75, "Loop", "", NULL},
    {"preamble unit contradicts the column",
     "Time unit: ms\nSample interval: 2e-6 s\nTime,Loop\n0,0.5\n2e-6,0.75\n4e-6,0.25\n", 3, 1, 2e-6, 0, 1, 0.75, 0.75,
     "Loop", "", "time_unit_contradiction"},
    {"stated interval contradicts the column", "Sample interval: 5e-6 s\nTime (s),Loop\n0,0.5\n2e-6,0.75\n4e-6,0.25\n",
     3, 1, 2e-6, 0, 1, 0.75, 0.75, "Loop", "", "interval_contradiction"},
    /* 7: separators */
    {"many blanks", "   0.0e+00   0.5\n   1.0e-06   0.75\n   2.0e-06   0.25\n", 3, 1, 1e-6, 0, 1, 0.75, 0.75, NULL, "",
     NULL},
    {"trailing separators", "Time (s),Loop (V),\n0,0.5,\n1e-6,0.75,\n2e-6,0.25,\n", 3, 1, 1e-6, 0, 2, 0.25, 0.25,
     "Loop", "V", NULL},
    {"ragged rows", "Time (s),A (V),B (V)\n0,0.5,1.5\n1e-6,0.75,2.5\n2e-6,0.25\n3e-6,0.5,1.25\n", 4, 2, 1e-6, 0, 1,
     0.75, 2.5, "A", "V", "missing_samples"},
    {"header wider than the rows", "Time (s),A (V),B (V),C (V)\n0,0.5,1.5\n1e-6,0.75,2.5\n2e-6,0.25,3.5\n", 3, 2, 1e-6,
     0, 1, 0.75, 2.5, "A", "V", NULL},
    /* 8: numbers */
    {"decimal comma with tabs and exponents",
     "Zeit (s)\tSpule (V)\n0,00E+00\t5,00E-01\n1,00E-06\t7,50E-01\n2,00E-06\t-2,50E-01\n", 3, 1, 1e-6, 0, 2, -0.25,
     -0.25, "Spule", "V", NULL},
    {"decimal comma with semicolons", "t (ms);u (V)\n0,000;0,5\n0,002;0,75\n0,004;0,25\n", 3, 1, 2e-6, 0, 1, 0.75, 0.75,
     "u", "V", NULL},
    {"quoted decimal commas between commas",
     "\"Time (s)\",\"Loop, left (V)\"\n\"0,0\",\"0,5\"\n\"0,000001\",\"0,75\"\n\"0,000002\",\"0,25\"\n", 3, 1, 1e-6, 0,
     1, 0.75, 0.75, "Loop, left", "V", NULL},
    {"plus signs, -00., three-digit exponents",
     "Time (s),U (V)\n+0.0E+000,-00.500\n+1.0E-006,+00.750\n+2.0E-006,+250.0E-003\n", 3, 1, 1e-6, 0, 0, -0.5, -0.5, "U",
     "V", NULL},
    /* 9: line ends and encodings */
    {"CR LF", "t (s),u (V)\r\n0,0.5\r\n1e-6,0.75\r\n2e-6,0.25\r\n", 3, 1, 1e-6, 0, 1, 0.75, 0.75, "u", "V", NULL},
    {"lone CR", "t (s),u (V)\r0,0.5\r1e-6,0.75\r2e-6,0.25\r", 3, 1, 1e-6, 0, 1, 0.75, 0.75, "u", "V", NULL},
    {"CR CR LF", "t (s),u (V)\r\r\n0,0.5\r\r\n1e-6,0.75\r\r\n2e-6,0.25\r\r\n", 3, 1, 1e-6, 0, 1, 0.75, 0.75, "u", "V",
     NULL},
    {"byte order mark", "\xef\xbb\xbft (s),u (V)\n0,0.5\n1e-6,0.75\n2e-6,0.25\n", 3, 1, 1e-6, 0, 1, 0.75, 0.75, "u",
     "V", NULL},
    {"8-bit code page", "t (\xb5s),K\xfchler (V)\n0,0.5\n1,0.75\n2,0.25\n", 3, 1, 1e-6, 0, 1, 0.75, 0.75,
     "K\xc3\xbchler", "V", NULL},
    {"UTF-8", "t (\xc2\xb5s),K\xc3\xbchler (V)\n0,0.5\n1,0.75\n2,0.25\n", 3, 1, 1e-6, 0, 1, 0.75, 0.75, "K\xc3\xbchler",
     "V", NULL},
    /* 10: columns that are more or less than channels */
    {"repeated at another scale", "t (s),u,u (mV)\n0,0.5,500\n1e-6,0.75,750\n2e-6,0.25,250\n", 3, 1, 1e-6, 0, 1, 0.75,
     0.75, "u", "", "duplicate_column"},
    {"minimum and maximum companions", "t (s),u min (V),u max (V)\n0,0.5,0.625\n1e-6,0.75,0.875\n2e-6,0.25,0.375\n", 3,
     2, 1e-6, 0, 1, 0.75, 0.875, "u min", "V", "min_max_companions"},
    {"computed channel", "t (s),u (V),i (A)\n0,0.5,500\n1e-6,0.75,750\n2e-6,0.25,250\n", 3, 2, 1e-6, 0, 1, 0.75, 750,
     "u", "V", NULL},
    {"unit in every row", "0,s,0.5,V\n1e-6,s,750,mV\n2e-6,s,0.25,V\n", 3, 1, 1e-6, 0, 1, 0.75, 0.75, NULL, "V", NULL},
    {"text in every row", "t (s),u (V),remark\n0,0.5,1st ok\n1e-6,0.75,1st ok\n2e-6,0.25,1st ok\n", 3, 1, 1e-6, 0, 1,
     0.75, 0.75, "u", "V", NULL},
    /* 11: integer samples */
    {"codes with scale and reference",
     "Sample interval,1e-6\nY increment,0.02\nY reference,128\nY unit,V\nCH1\n128\n153\n103\n128\n", 4, 1, 1e-6, 0, 1,
     0.5, 0.5, "CH1", "V", "codes_scaled"},
    {"codes with scale and offset in volts",
     "Sample interval: 1e-6\nVertical scale: 10 mV\nVertical offset: -0.5 V\nCH1\n0\n25\n-100\n", 3, 1, 1e-6, 0, 1,
     -0.25, -0.25, "CH1", "V", "codes_scaled"},
    {"codes per division",
     "Sample interval: 1e-6\nVolts per division: 0.5 V\nCodes per division: 25\nCH1\n0\n25\n-100\n", 3, 1, 1e-6, 0, 1,
     0.5, 0.5, "CH1", "V", "codes_scaled"},
    {"two channels in one cell",
     "Sample interval;1e-6\nScale factor;CH1: 0.02 V CH2: 0.5 A\nCH1;CH2\n100;10\n150;20\n50;-30\n", 3, 2, 1e-6, 0, 1,
     3, 10, "CH1", "V", "codes_scaled"},
    {"unexplained codes", "Sample interval: 1e-6\nCH1\n128\n153\n103\n128\n", 4, 1, 1e-6, 0, 1, 153, 153, "CH1", "",
     "unexplained_codes"},
    /* 12: not finite */
    {"over range and missing",
     "t (s),u (V),i (A)\n0,0.5,0.5\n1e-6,inf,nan\n2e-6,-inf,\n3e-6,0.25,-0.5\n4e-6,0.5,****\n", 5, 2, 1e-6, 0, 1,
     (double)INFINITY, NONE, "u", "V", "over_range"},
    {"beyond the range in words", "t (s),u (V)\n0,>5.0\n1e-6,0.75\n2e-6,<-5.0\n3e-6,0.25\n", 4, 1, 1e-6, 0, 2,
     -(double)INFINITY, -(double)INFINITY, "u", "V", "over_range"},
    {"every fourth row missing",
     "t (s),u (V)\n0,0.5\n4e-7,0.75\n8e-7,0.25\n16e-7,0.5\n20e-7,0.125\n24e-7,0.25\n32e-7,0.5\n36e-7,0.375\n", 10, 1,
     4e-7, 0, 4, 0.5, 0.5, "u", "V", "missing_rows"},
    {"slower channel in the same table",
     "t (s),u (V),T (W)\n0,0.5,1.5\n1e-6,0.75,\n2e-6,0.25,\n3e-6,0.5,2.5\n4e-6,0.25,\n5e-6,0.75,\n", 6, 2, 1e-6, 0, 3,
     0.5, 2.5, "u", "V", "sparse_channel"},
    {"all missing", "t (s),u (V),i (A)\n0,0.5,nan\n1e-6,0.75,nan\n2e-6,0.25,nan\n", 3, 2, 1e-6, 0, 1, 0.75, NONE, "u",
     "V", "no_samples"},
    {"constant", "t (s),u (V),i (A)\n0,0.5,2.5\n1e-6,0.75,2.5\n2e-6,0.25,2.5\n", 3, 2, 1e-6, 0, 1, 0.75, 2.5, "u", "V",
     "constant_channel"},
};

static void same(const char *what, const char *field, double got, double want) {
    const bool equal = isnan(want)   ? isnan(got)
                       : isinf(want) ? got == want
                                     : fabs(got - want) <= 1e-9 * fabs(want) + 1e-18;
    if (!equal) {
        fail_msg("%s: %s is %.12g, wanted %.12g", what, field, got, want);
    }
}

static void check_case(tw_ctx *ctx, const expected *e) {
    tw_capture c;
    const tw_status status = tw_capture_read_text(ctx, "sample.csv", e->text, strlen(e->text), NULL, &c);
    if (status != TW_OK) {
        fail_msg("%s: %s", e->what, tw_ctx_error(ctx)->message);
    }
    same(e->what, "samples", (double)c.samples, (double)e->samples);
    same(e->what, "channels", (double)c.n_channels, (double)e->channels);
    same(e->what, "interval", c.sample_interval_s, e->interval_s);
    same(e->what, "start", c.start_time_s, e->start_s);
    same(e->what, "first channel", c.channels[0].values[e->at], e->first);
    same(e->what, "last channel", c.channels[c.n_channels - 1].values[e->at], e->last);
    if (e->name != NULL && strcmp(c.channels[0].name, e->name) != 0) {
        fail_msg("%s: name '%s', wanted '%s'", e->what, c.channels[0].name, e->name);
    }
    if (e->unit != NULL && strcmp(c.channels[0].unit, e->unit) != 0) {
        fail_msg("%s: unit '%s', wanted '%s'", e->what, c.channels[0].unit, e->unit);
    }
    if (e->warning != NULL && !tw_warnings_has(&c.warnings, e->warning)) {
        fail_msg("%s: no warning %s", e->what, e->warning);
    }
    if (e->warning == NULL && strcmp(e->what, "text in every row") != 0 && c.warnings.count > 0) {
        fail_msg("%s: unexpected warning %s: %s", e->what, c.warnings.items[0].code, c.warnings.items[0].message);
    }
    tw_capture_dispose(&c);
}

static void samples_of_every_kind_are_understood(void **state) {
    (void)state;
    for (size_t i = 0; i < sizeof CASES / sizeof CASES[0]; i++) {
        tw_ctx *ctx = tw_ctx_create();
        check_case(ctx, &CASES[i]);
        tw_ctx_destroy(ctx);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(samples_of_every_kind_are_understood),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

/* Files that a reader takes for something else: letters for units, gaps for channels, frequency for time. */
#include "testing.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "tankwright/capture.h"

static tw_capture read_with(tw_ctx *ctx, const char *text, const tw_capture_opts *opts) {
    tw_capture c = {0};
    assert_ok(tw_capture_read_text(ctx, "t.csv", text, strlen(text), opts, &c), ctx);
    return c;
}

/* ---- lone letters in a header ---- */

typedef struct lettered {
    const char *header;
    const char *names[3], *units[3]; /* of the channels behind the time */
} lettered;

static const lettered LETTERED[] = {
    {"t,a,b,c", {"a", "b", "c"}, {"", "", ""}},
    {"t,A,B,C", {"A", "B", "C"}, {"", "", ""}},
    {"Time (s),w,A,v", {"w", "A", "v"}, {"", "", ""}},
    {"t,V,A,W", {"V", "A", "W"}, {"", "", ""}},
    {"s,V,A,W", {"channel 1", "channel 2", "channel 3"}, {"V", "A", "W"}},
    {"s,v,a,w", {"v", "a", "w"}, {"", "", ""}},
    {"Time,mV,A,W", {"channel 1", "channel 2", "channel 3"}, {"V", "A", "W"}},
    {"t,(V),[A],(W)", {"channel 1", "channel 2", "channel 3"}, {"V", "A", "W"}},
    {"Time,Pail,Lead,Rail\ns,V,A,W", {"Pail", "Lead", "Rail"}, {"V", "A", "W"}},
    {"s,V,A,W\nTime,Pail,Lead,Rail", {"Pail", "Lead", "Rail"}, {"V", "A", "W"}},
    {"Time,Pail,Lead,Rail\n(s),(v),(a),(w)", {"Pail", "Lead", "Rail"}, {"V", "A", "W"}},
    {"t,u_A,u_B,u_C", {"u_A", "u_B", "u_C"}, {"", "", ""}},
    {"t,u_V,i_A,p_W", {"u", "i", "p"}, {"V", "A", "W"}},
    {"t,u_v,i_a,p_w", {"u_v", "i_a", "p_w"}, {"", "", ""}},
};

static void lone_letters_are_names_in_doubt(void **state) {
    (void)state;
    for (size_t i = 0; i < sizeof LETTERED / sizeof LETTERED[0]; i++) {
        const lettered *l = &LETTERED[i];
        tw_ctx *ctx = tw_ctx_create();
        char text[400];
        (void)snprintf(text, sizeof text, "%s\n0,0.5,1.5,2.5\n1e-6,0.75,3.5,0.25\n2e-6,0.25,0.5,0.125\n", l->header);
        tw_capture c = read_with(ctx, text, NULL);
        assert_int_equal(c.n_channels, 3);
        assert_close(c.sample_interval_s, 1e-6, 1e-9, 0);
        for (size_t k = 0; k < 3; k++) {
            if (strcmp(c.channels[k].name, l->names[k]) != 0 || strcmp(c.channels[k].unit, l->units[k]) != 0) {
                fail_msg("%s: channel %zu is '%s' in '%s'", l->header, k + 1, c.channels[k].name, c.channels[k].unit);
            }
        }
        tw_capture_dispose(&c);
        tw_ctx_destroy(ctx);
    }
}

static void a_lone_letter_beside_its_own_time_is_a_name(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    tw_capture c = read_with(ctx, "Time,A,Time,B\n0,0.5,0,1.5\n1e-6,0.75,1e-6,2.5\n2e-6,0.25,2e-6,3.5\n", NULL);
    assert_int_equal(c.n_channels, 2);
    assert_string_equal(c.channels[0].name, "A");
    assert_string_equal(c.channels[0].unit, "");
    assert_string_equal(c.channels[1].name, "B");
    tw_capture_dispose(&c);
    tw_ctx_destroy(ctx);
}

/* ---- frequency ---- */

static void a_sweep_is_refused_by_its_names(void **state) {
    (void)state;
    static const char *const HEADERS[] = {
        "f,gain_dB,phase_deg", "freq,gain,phase", "frequency,gain,phase",     "Hz,dB,deg", "f / kHz,gain,phase",
        "F;gain;phase",        "f_Hz,u,i",        "Frequency [Hz],gain,phase"};
    for (size_t i = 0; i < sizeof HEADERS / sizeof HEADERS[0]; i++) {
        for (int even = 0; even < 2; even++) {
            tw_ctx *ctx = tw_ctx_create();
            char text[400];
            const char s = strchr(HEADERS[i], ';') != NULL ? ';' : ',';
            const double f[2][4] = {{1e3, 1.7e3, 3.1e3, 7.7e3}, {1e3, 2e3, 3e3, 4e3}};
            (void)snprintf(text, sizeof text, "%s\n%g%c-3.5%c10\n%g%c-4.25%c20\n%g%c-9.5%c35\n%g%c-20.5%c70\n",
                           HEADERS[i], f[even][0], s, s, f[even][1], s, s, f[even][2], s, s, f[even][3], s, s);
            tw_capture c = {0};
            const tw_status status = tw_capture_read_text(ctx, "sweep.csv", text, strlen(text), NULL, &c);
            if (status != TW_BAD_DATA || strstr(tw_ctx_error(ctx)->message, "sweep") == NULL) {
                fail_msg("%s: %s: %s", HEADERS[i], tw_status_text(status), tw_ctx_error(ctx)->message);
            }
            tw_ctx_destroy(ctx);
        }
    }
}

static void a_measured_frequency_beside_time_is_a_channel(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    tw_capture c = read_with(ctx, "f,t (s),u\n5.5,0,0.5\n6.5,1e-6,0.75\n7.75,2e-6,0.25\n", NULL);
    assert_int_equal(c.n_channels, 2);
    assert_string_equal(c.channels[0].name, "f");
    tw_capture_dispose(&c);
    c = read_with(ctx, "t (s),u,freq (Hz)\n0,0.5,55.5\n1e-6,0.75,56.5\n2e-6,0.25,58\n", NULL);
    assert_int_equal(c.n_channels, 2);
    tw_capture_dispose(&c);
    tw_ctx_destroy(ctx);
}

/* ---- empty columns ---- */

typedef struct hollow {
    const char *text;
    size_t channels, empty; /* this one of them is empty, from 1; 0: none */
    const char *name;
} hollow;

static const hollow HOLLOW[] = {
    {"t (s),u,i,p\n0,0.5,,1.5\n1e-6,0.75,,2.5\n2e-6,0.25,,3.5\n", 3, 2, "i"},
    {"t (s),u,,p\n0,0.5,,1.5\n1e-6,0.75,,2.5\n2e-6,0.25,,3.5\n", 3, 2, "channel 2"},
    {"0;0.5;;1.5\n1e-6;0.75;;0.25\n2e-6;0.25;;3.5\n", 3, 2, "channel 2"},
    {"t (s),i (A),u (V),p (W)\n0,,0.5,1.5\n1e-6,,0.75,2.5\n2e-6,,0.25,3.5\n", 3, 1, "i"},
    {"t (s),u,p,i\n0,0.5,1.5,\n1e-6,0.75,2.5,\n2e-6,0.25,3.5,\n", 3, 3, "i"},
    /* no channels: a trailing separator, padding, a gap between two exports, a preamble on the right */
    {"t (s),u,p,\n0,0.5,1.5,\n1e-6,0.75,2.5,\n2e-6,0.25,3.5,\n", 2, 0, NULL},
    {"0;;0.5;;1.5\n1e-6;;0.75;;2.5\n2e-6;;0.25;;3.5\n", 2, 0, NULL},
    {"t (s),u,,t (s),p\n0,0.5,,0,1.5\n1e-6,0.75,,1e-6,2.5\n2e-6,0.25,,2e-6,3.5\n", 2, 0, NULL},
    {"0,0.5,,0,1.5\n1e-6,0.75,,1e-6,0.25\n2e-6,0.25,,2e-6,3.5\n", 2, 0, NULL},
    {"t (s),u,p,,Sample interval\n0,0.5,1.5,,\n1e-6,0.75,2.5,,\n2e-6,0.25,3.5,,\n", 2, 0, NULL},
};

static void an_empty_channel_keeps_its_place(void **state) {
    (void)state;
    for (size_t i = 0; i < sizeof HOLLOW / sizeof HOLLOW[0]; i++) {
        const hollow *h = &HOLLOW[i];
        tw_ctx *ctx = tw_ctx_create();
        tw_capture c = read_with(ctx, h->text, NULL);
        if (c.n_channels != h->channels || tw_warnings_has(&c.warnings, "no_samples") != (h->empty > 0)) {
            fail_msg("case %zu: %zu channels", i, c.n_channels);
        }
        if (h->empty > 0) {
            const tw_capture_channel *channel = &c.channels[h->empty - 1];
            assert_string_equal(channel->name, h->name);
            assert_int_equal(channel->finite, 0);
            assert_true(isnan(channel->values[1]));
        }
        assert_close(c.sample_interval_s, 1e-6, 1e-9, 0);
        assert_close(c.channels[h->empty == c.n_channels ? c.n_channels - 2 : c.n_channels - 1].values[2], 3.5, 0, 0);
        tw_capture_dispose(&c);
        tw_ctx_destroy(ctx);
    }
}

/* ---- what is no file ---- */

static void devices_and_folders_are_refused_at_once(void **state) {
    (void)state;
    static const char *const PATHS[] = {"/dev/zero", "/dev/null", "/dev/tty", "/"};
    for (size_t i = 0; i < sizeof PATHS / sizeof PATHS[0]; i++) {
        tw_ctx *ctx = tw_ctx_create();
        tw_capture c = {0};
        assert_int_equal(tw_capture_read(ctx, &PATHS[i], 1, NULL, &c), TW_STORAGE);
        assert_non_null(strstr(tw_ctx_error(ctx)->message, i < 3 ? "not a plain file" : "a folder"));
        tw_ctx_destroy(ctx);
    }
}

static void a_pipe_is_read(void **state) {
    (void)state;
    tw_ctx *ctx = tw_ctx_create();
    static const char TEXT[] = "t (s),u\n0,0.5\n1e-6,0.75\n2e-6,0.25\n";
    int ends[2];
    assert_int_equal(pipe(ends), 0);
    assert_int_equal(write(ends[1], TEXT, sizeof TEXT - 1), sizeof TEXT - 1);
    (void)close(ends[1]);
    char path[32];
    (void)snprintf(path, sizeof path, "/dev/fd/%d", ends[0]);
    const char *paths[1] = {path};
    tw_capture c;
    assert_ok(tw_capture_read(ctx, paths, 1, NULL, &c), ctx);
    assert_int_equal(c.samples, 3);
    tw_capture_dispose(&c);
    (void)close(ends[0]);
    tw_ctx_destroy(ctx);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(lone_letters_are_names_in_doubt),
        cmocka_unit_test(a_lone_letter_beside_its_own_time_is_a_name),
        cmocka_unit_test(a_sweep_is_refused_by_its_names),
        cmocka_unit_test(a_measured_frequency_beside_time_is_a_channel),
        cmocka_unit_test(an_empty_channel_keeps_its_place),
        cmocka_unit_test(devices_and_folders_are_refused_at_once),
        cmocka_unit_test(a_pipe_is_read),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

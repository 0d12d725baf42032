/* The words that people use for interval, rate, start, units, scale and offset. A key is compared by its letters and
 * digits only; INSIDE finds a word anywhere in it, ENDING at its end, WHOLE allows a channel in front and nothing else.
 */
#include "capture_private.h"

#include <ctype.h>
#include <string.h>

typedef enum match_mode { WHOLE, ENDING, INSIDE } match_mode;

static const struct {
    const char *word;
    match_mode mode;
    note_kind kind;
} KEYS[] = {
    {"codesperdiv", INSIDE, NOTE_CODES_PER_DIVISION},
    {"countsperdiv", INSIDE, NOTE_CODES_PER_DIVISION},
    {"lsbperdiv", INSIDE, NOTE_CODES_PER_DIVISION},
    {"levelsperdiv", INSIDE, NOTE_CODES_PER_DIVISION},
    {"voltsperdiv", INSIDE, NOTE_PER_DIVISION},
    {"vperdiv", INSIDE, NOTE_PER_DIVISION},
    {"ampsperdiv", INSIDE, NOTE_PER_DIVISION},
    {"unitsperdiv", INSIDE, NOTE_PER_DIVISION},
    {"voltsdiv", INSIDE, NOTE_PER_DIVISION},
    {"vdiv", ENDING, NOTE_PER_DIVISION},
    {"sampleinterval", INSIDE, NOTE_INTERVAL},
    {"samplinginterval", INSIDE, NOTE_INTERVAL},
    {"sampleperiod", INSIDE, NOTE_INTERVAL},
    {"samplingperiod", INSIDE, NOTE_INTERVAL},
    {"samplingtime", INSIDE, NOTE_INTERVAL},
    {"samplingstep", INSIDE, NOTE_INTERVAL},
    {"samplespacing", INSIDE, NOTE_INTERVAL},
    {"pointspacing", INSIDE, NOTE_INTERVAL},
    {"pointinterval", INSIDE, NOTE_INTERVAL},
    {"sampletime", ENDING, NOTE_INTERVAL},
    {"timeincrement", INSIDE, NOTE_INTERVAL},
    {"horizontalincrement", INSIDE, NOTE_INTERVAL},
    {"horizontalinterval", INSIDE, NOTE_INTERVAL},
    {"xincrement", ENDING, NOTE_INTERVAL},
    {"xincr", ENDING, NOTE_INTERVAL},
    {"timestep", ENDING, NOTE_INTERVAL},
    {"timeinterval", ENDING, NOTE_INTERVAL},
    {"timeresolution", ENDING, NOTE_INTERVAL},
    {"timepersample", INSIDE, NOTE_INTERVAL},
    {"timeperpoint", INSIDE, NOTE_INTERVAL},
    {"secondspersample", INSIDE, NOTE_INTERVAL},
    {"secondsperpoint", INSIDE, NOTE_INTERVAL},
    {"increment", WHOLE, NOTE_INTERVAL},
    {"interval", WHOLE, NOTE_INTERVAL},
    {"deltat", ENDING, NOTE_INTERVAL},
    {"dt", WHOLE, NOTE_INTERVAL},
    {"samplerate", INSIDE, NOTE_RATE},
    {"samplingrate", INSIDE, NOTE_RATE},
    {"samplefrequency", INSIDE, NOTE_RATE},
    {"samplingfrequency", INSIDE, NOTE_RATE},
    {"samplefreq", INSIDE, NOTE_RATE},
    {"samplingfreq", INSIDE, NOTE_RATE},
    {"sampleclock", INSIDE, NOTE_RATE},
    {"samplingclock", INSIDE, NOTE_RATE},
    {"samplespersec", INSIDE, NOTE_RATE},
    {"acquisitionrate", INSIDE, NOTE_RATE},
    {"rate", WHOLE, NOTE_RATE},
    {"fs", WHOLE, NOTE_RATE},
    {"starttime", INSIDE, NOTE_START},
    {"timestart", INSIDE, NOTE_START},
    {"timeorigin", INSIDE, NOTE_START},
    {"timeoffirstsample", INSIDE, NOTE_START},
    {"firstsampletime", INSIDE, NOTE_START},
    {"horizontalstart", INSIDE, NOTE_START},
    {"xorigin", ENDING, NOTE_START},
    {"xzero", ENDING, NOTE_START},
    {"xstart", ENDING, NOTE_START},
    {"start", WHOLE, NOTE_START},
    {"timeunit", INSIDE, NOTE_TIME_UNIT},
    {"horizontalunit", INSIDE, NOTE_TIME_UNIT},
    {"xunit", INSIDE, NOTE_TIME_UNIT},
    {"xaxisunit", INSIDE, NOTE_TIME_UNIT},
    {"verticalunit", INSIDE, NOTE_SIGNAL_UNIT},
    {"signalunit", INSIDE, NOTE_SIGNAL_UNIT},
    {"yunit", INSIDE, NOTE_SIGNAL_UNIT},
    {"yaxisunit", INSIDE, NOTE_SIGNAL_UNIT},
    {"unit", ENDING, NOTE_SIGNAL_UNIT},
    {"units", ENDING, NOTE_SIGNAL_UNIT},
    {"voltspercode", INSIDE, NOTE_SCALE},
    {"voltsperlsb", INSIDE, NOTE_SCALE},
    {"voltspercount", INSIDE, NOTE_SCALE},
    {"voltsperlevel", INSIDE, NOTE_SCALE},
    {"voltsperbit", INSIDE, NOTE_SCALE},
    {"unitspercode", INSIDE, NOTE_SCALE},
    {"codescale", INSIDE, NOTE_SCALE},
    {"scalefactor", INSIDE, NOTE_SCALE},
    {"verticalscale", INSIDE, NOTE_SCALE},
    {"verticalgain", INSIDE, NOTE_SCALE},
    {"verticalincrement", INSIDE, NOTE_SCALE},
    {"verticalresolution", INSIDE, NOTE_SCALE},
    {"multiplier", ENDING, NOTE_SCALE},
    {"yincrement", ENDING, NOTE_SCALE},
    {"yincr", ENDING, NOTE_SCALE},
    {"yscale", ENDING, NOTE_SCALE},
    {"ymult", ENDING, NOTE_SCALE},
    {"lsb", WHOLE, NOTE_SCALE},
    {"scale", ENDING, NOTE_SCALE},
    {"gain", ENDING, NOTE_SCALE},
    {"codeoffset", INSIDE, NOTE_REFERENCE},
    {"offsetcode", INSIDE, NOTE_REFERENCE},
    {"referencecode", INSIDE, NOTE_REFERENCE},
    {"zerocode", INSIDE, NOTE_REFERENCE},
    {"midcode", INSIDE, NOTE_REFERENCE},
    {"zerolevel", INSIDE, NOTE_REFERENCE},
    {"verticalreference", INSIDE, NOTE_REFERENCE},
    {"yreference", ENDING, NOTE_REFERENCE},
    {"verticalorigin", INSIDE, NOTE_ORIGIN},
    {"verticalzero", INSIDE, NOTE_ORIGIN},
    {"yorigin", ENDING, NOTE_ORIGIN},
    {"yzero", ENDING, NOTE_ORIGIN},
    {"verticaloffset", INSIDE, NOTE_OFFSET},
    {"yoffset", ENDING, NOTE_OFFSET},
    {"yoff", ENDING, NOTE_OFFSET},
    {"offset", ENDING, NOTE_OFFSET},
    {"channelname", INSIDE, NOTE_NAME},
    {"source", WHOLE, NOTE_NAME},
    {"trace", WHOLE, NOTE_NAME},
    {"label", WHOLE, NOTE_NAME},
    {"signal", WHOLE, NOTE_NAME},
};

/* "ch1" or "channel1" at the start; its length or 0. */
size_t tw_capture__channel_prefix(const char *s) {
    size_t n = strncmp(s, "channel", 7) == 0 ? 7 : strncmp(s, "chan", 4) == 0 ? 4 : strncmp(s, "ch", 2) == 0 ? 2 : 0;
    const size_t word = n;
    while (n > 0 && isdigit((unsigned char)s[n])) {
        n++;
    }
    return n > word ? n : 0;
}

note_kind tw_capture__classify_key(capture_cell key, char *tag, size_t tag_size) {
    char squashed[80];
    tag[0] = '\0';
    const size_t n = tw_capture__squash(key, squashed, sizeof squashed);
    if (n < 2 || n > 60 || key.length > 120) {
        return NOTE_NONE;
    }
    for (size_t i = 0; i < sizeof KEYS / sizeof KEYS[0]; i++) {
        const char *word = KEYS[i].word;
        const size_t w = strlen(word);
        const char *found = NULL;
        if (KEYS[i].mode == INSIDE) {
            found = strstr(squashed, word);
        } else if (n >= w && strcmp(squashed + n - w, word) == 0) {
            found = squashed + n - w;
            if (KEYS[i].mode == WHOLE && (size_t)(found - squashed) != tw_capture__channel_prefix(squashed)) {
                found = NULL;
            }
        }
        if (found != NULL) {
            (void)snprintf(tag, tag_size, "%.*s%s", (int)(found - squashed), squashed, found + w);
            return KEYS[i].kind;
        }
    }
    return NOTE_NONE;
}

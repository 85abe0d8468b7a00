/* For tests: reads boards, frames, inputs and times, and prints what the node makes of them.
 *
 * A run is the board, a line for each thing on it, then what happens, then "end":
 *
 *     board NUMBER SERIAL MAJOR MINOR PATCH IDENTIFY SUPPLY_LOW START
 *     signal PORT LAMPS_PROOF INDICATOR_PROOF
 *     aspect PIN...                      of the last signal, from danger
 *     position NUMBER PIN                of the last signal
 *     stop PORT LIFT APPLIED LIFTED
 *     lock PORT FREE
 *     turnout PORT NORMAL REVERSE MOVE_NORMAL MOVE_REVERSE PULSE_MS
 *     detector PORT CLEAR
 *     input PORT REST OPERATED THIRD
 *     TIME begin
 *     TIME take IDENTIFIER DATA          both in hex; "-" for no data
 *     TIME read PIN on|off|unknown
 *     TIME supply MV
 *     TIME errors TRANSMIT RECEIVE
 *     TIME restart
 *     TIME mute                          from now on the bus takes no frames
 *     TIME heard                         from now on it does
 *     TIME stop
 *     TIME until
 *     end
 *
 * A pin is a number, or "-" for none; times are whole milliseconds that never go back. Between two
 * lines everything that falls due happens, but nothing while the bus is mute. Each run prints "TIME pin PIN on|off" and
 * "TIME frame IDENTIFIER DATA", and then "end".
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "node.h"

#define MOST 64u
#define WORDS 16u

static struct node node;
static struct node_config config;
static struct node_signal_pins signals[NODE_SIGNALS];
static struct node_stop_pins stops[NODE_STOPS];
static struct node_lock_pins locks[MOST];
static struct node_turnout_pins turnouts[NODE_TURNOUTS];
static struct node_detector_pins detectors[MOST];
static struct node_input_pins inputs[MOST];
static uint16_t start;
static bool mute;
static char *words[WORDS];
static unsigned count;

static void fail(const char *what)
{
    fprintf(stderr, "run_vectors: %s\n", what);
    exit(2);
}

static uint32_t number(unsigned at)
{
    if (at >= count) {
        fail("a number is missing");
    }
    /* Times may have more than 32 bits: they wrap here as a board's clock does. */
    return (uint32_t)strtoull(words[at], NULL, 10);
}

static uint8_t pin(unsigned at)
{
    if (at >= count) {
        fail("a pin is missing");
    }
    return strcmp(words[at], "-") == 0 ? (uint8_t)NODE_NO_PIN : (uint8_t)number(at);
}

static uint8_t next(uint8_t *things, unsigned most)
{
    if (*things >= most) {
        fail("too many things of a kind");
    }
    return (*things)++;
}

static void read_signal(void)
{
    struct node_signal_pins *each = &signals[next(&config.signal_count, NODE_SIGNALS)];

    memset(each, NODE_NO_PIN, sizeof *each);
    each->port = (uint8_t)number(1);
    each->aspects = 0;
    each->lamps_proof = pin(2);
    each->indicator_proof = pin(3);
}

static void read_aspect(void)
{
    struct node_signal_pins *each = &signals[config.signal_count - 1u];

    if (each->aspects >= NODE_ASPECTS || count - 1u > NODE_LAMPS) {
        fail("too many aspects, or lamps of one");
    }
    for (unsigned at = 1; at < count; at++) {
        each->lamps[each->aspects][at - 1u] = pin(at);
    }
    each->aspects++;
}

/* Read a line that describes the board; return whether it was one. */
static bool describes(void)
{
    if (strcmp(words[0], "board") == 0) {
        memset(&config, 0, sizeof config);
        config.signals = signals;
        config.stops = stops;
        config.locks = locks;
        config.turnouts = turnouts;
        config.detectors = detectors;
        config.inputs = inputs;
        config.number = (uint8_t)number(1);
        config.serial = number(2);
        config.firmware[0] = (uint8_t)number(3);
        config.firmware[1] = (uint8_t)number(4);
        config.firmware[2] = (uint8_t)number(5);
        config.identify = pin(6);
        config.supply_low = (uint16_t)number(7);
        start = (uint16_t)number(8);
    } else if (strcmp(words[0], "signal") == 0) {
        read_signal();
    } else if (strcmp(words[0], "aspect") == 0) {
        read_aspect();
    } else if (strcmp(words[0], "position") == 0) {
        signals[config.signal_count - 1u].position[number(1) - 1u] = pin(2);
    } else if (strcmp(words[0], "stop") == 0) {
        struct node_stop_pins *each = &stops[next(&config.stop_count, NODE_STOPS)];
        each->port = (uint8_t)number(1);
        each->lift = pin(2);
        each->applied = pin(3);
        each->lifted = pin(4);
    } else if (strcmp(words[0], "lock") == 0) {
        struct node_lock_pins *each = &locks[next(&config.lock_count, MOST)];
        each->port = (uint8_t)number(1);
        each->free = pin(2);
    } else if (strcmp(words[0], "turnout") == 0) {
        struct node_turnout_pins *each = &turnouts[next(&config.turnout_count, NODE_TURNOUTS)];
        each->port = (uint8_t)number(1);
        each->normal = pin(2);
        each->reverse = pin(3);
        each->move_normal = pin(4);
        each->move_reverse = pin(5);
        each->pulse_ms = (uint16_t)number(6);
    } else if (strcmp(words[0], "detector") == 0) {
        struct node_detector_pins *each = &detectors[next(&config.detector_count, MOST)];
        each->port = (uint8_t)number(1);
        each->clear = pin(2);
    } else if (strcmp(words[0], "input") == 0) {
        struct node_input_pins *each = &inputs[next(&config.input_count, MOST)];
        each->port = (uint8_t)number(1);
        each->rest = pin(2);
        each->operated = pin(3);
        each->third = pin(4);
    } else {
        return false;
    }
    return true;
}

/* Print everything that the node does now. */
static void follow(uint32_t now)
{
    struct frames_out frame;
    uint8_t output;
    bool on;

    while (node_output(&node, &output, &on)) {
        printf("%lu pin %u %s\n", (unsigned long)now, output, on ? "on" : "off");
    }
    while (!mute && node_frame(&node, now, &frame)) {
        printf("%lu frame %03X ", (unsigned long)now, frame.identifier);
        for (uint8_t at = 0; at < frame.length; at++) {
            printf("%02X", frame.data[at]);
        }
        printf("\n");
        node_sent(&node, now);
    }
}

/* Let everything happen that falls due until a time. */
static void pass(uint32_t until)
{
    uint32_t at = node_deadline(&node);

    while (!mute && things_reached(at, until)) {
        node_advance(&node, at);
        follow(at);
        at = node_deadline(&node);
    }
}

static void take(uint32_t now)
{
    uint8_t data[64]; /* more than a frame has: too long ones are to be turned away */
    uint8_t length = 0;

    if (count < 4) {
        fail("a frame has an identifier and data");
    }
    for (const char *hex = words[3]; hex[0] != '\0' && hex[1] != '\0'; hex += 2) {
        char byte[3] = {hex[0], hex[1], '\0'};
        if (length >= sizeof data) {
            fail("too much data");
        }
        data[length++] = (uint8_t)strtoul(byte, NULL, 16);
    }
    node_take(&node, (uint16_t)strtoul(words[2], NULL, 16), data, length, now);
}

static void happen(void)
{
    uint32_t now = number(0);

    if (count < 2) {
        fail("nothing happens");
    }
    if (strcmp(words[1], "begin") == 0) {
        mute = false;
        if (!node_begin(&node, &config, start, now)) {
            fail("the board cannot be");
        }
        follow(now);
        return;
    }
    pass(now);
    if (strcmp(words[1], "take") == 0) {
        take(now);
    } else if (strcmp(words[1], "read") == 0) {
        enum node_level level = NODE_UNKNOWN;
        if (strcmp(words[3], "unknown") != 0) {
            level = strcmp(words[3], "on") == 0 ? NODE_ON : NODE_OFF;
        }
        node_read(&node, pin(2), level, now);
    } else if (strcmp(words[1], "supply") == 0) {
        node_supply(&node, (uint16_t)number(2), now);
    } else if (strcmp(words[1], "errors") == 0) {
        node_errors(&node, (uint8_t)number(2), (uint8_t)number(3), now);
    } else if (strcmp(words[1], "restart") == 0) {
        node_restart(&node, now);
    } else if (strcmp(words[1], "stop") == 0) {
        node_stop(&node, now);
    } else if (strcmp(words[1], "mute") == 0 || strcmp(words[1], "heard") == 0) {
        mute = strcmp(words[1], "mute") == 0;
        node_advance(&node, now);
    } else if (strcmp(words[1], "until") == 0) {
        node_advance(&node, now);
    } else {
        fail("what happens is not known");
    }
    follow(now);
}

int main(void)
{
    char line[256];

    while (fgets(line, sizeof line, stdin) != NULL) {
        count = 0;
        for (char *word = strtok(line, " \n"); word != NULL && count < WORDS;
             word = strtok(NULL, " \n")) {
            words[count++] = word;
        }
        if (count == 0) {
            continue;
        }
        if (strcmp(words[0], "end") == 0) {
            printf("end\n");
            fflush(stdout);
        } else if (!describes()) {
            happen();
        }
    }
    return 0;
}

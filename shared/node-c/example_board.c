/* A board's own program: one signal of three aspects, its train stop, two detectors.
 *
 * The functions that begin with board_ are the board's, and are written for its processor. Before
 * the outputs are connected to anything, see that this board really goes to danger: pull its cable,
 * hold its processor still, take its supply away. For model railways only.
 */
#include "node.h"

uint32_t board_milliseconds(void);            /* a clock that counts up, and may wrap */
uint16_t board_random(void);                  /* another number at each start */
void board_set(uint8_t pin, bool on);         /* set an output */
bool board_get(uint8_t pin);                  /* read an input */
bool board_receive(uint16_t *identifier, uint8_t data[8], uint8_t *length); /* false: none */
bool board_send(const struct frames_out *frame); /* false: the controller takes none now */
bool board_was_off(void);                     /* true once, when the bus is back after bus-off */
void board_feed_watchdog(void);               /* without this, the processor is reset */

static const struct node_signal_pins signals[] = {
    {.port = 0,
     .aspects = 3,
     .lamps = {{4, NODE_NO_PIN}, {5, NODE_NO_PIN}, {6, NODE_NO_PIN}}, /* red, yellow, green */
     .position = {NODE_NO_PIN, NODE_NO_PIN, NODE_NO_PIN, NODE_NO_PIN, NODE_NO_PIN, NODE_NO_PIN,
                  NODE_NO_PIN},
     .lamps_proof = NODE_NO_PIN,
     .indicator_proof = NODE_NO_PIN},
};
static const struct node_stop_pins stops[] = {
    {.port = 0, .lift = 7, .applied = NODE_NO_PIN, .lifted = NODE_NO_PIN},
};
static const struct node_detector_pins detectors[] = {
    {.port = 0, .clear = 8},
    {.port = 1, .clear = 9},
};
static const struct node_config config = {
    .number = 3,
    .serial = 0x00C0FFEEu,
    .firmware = {1, 0, 0},
    .identify = 10,
    .signals = signals,
    .signal_count = 1,
    .stops = stops,
    .stop_count = 1,
    .detectors = detectors,
    .detector_count = 2,
};
static struct node node;

static void follow(uint32_t now)
{
    struct frames_out frame;
    uint8_t pin;
    bool on;

    while (node_output(&node, &pin, &on)) {
        board_set(pin, on);
    }
    while (node_frame(&node, now, &frame) && board_send(&frame)) {
        node_sent(&node, now);
    }
}

int main(void)
{
    uint16_t identifier;
    uint8_t data[8];
    uint8_t length;

    if (!node_begin(&node, &config, board_random(), board_milliseconds())) {
        return 1; /* the pins stay off */
    }
    for (;;) {
        uint32_t now = board_milliseconds();
        /* A few frames in a round, so that a flood holds nothing up. */
        for (uint8_t taken = 0; taken < 8 && board_receive(&identifier, data, &length); taken++) {
            node_take(&node, identifier, data, length, now);
        }
        for (uint8_t at = 0; at < config.detector_count; at++) {
            uint8_t pin = detectors[at].clear;
            node_read(&node, pin, board_get(pin) ? NODE_ON : NODE_OFF, now);
        }
        if (board_was_off()) {
            node_restart(&node, now);
        }
        node_advance(&node, now);
        follow(now);
        board_feed_watchdog();
    }
}

/* A node of the bus that docs/can-bus.md describes, without a bus and without pins.
 *
 * Frames, levels of inputs and the time go in; frames and changes of outputs come out. It asks no
 * clock, allocates nothing and never waits. Times are milliseconds of a clock that counts up and
 * may wrap. The board's program calls node_advance at least every few milliseconds, and after each
 * call takes the changes of outputs, and the frames as far as the bus takes them:
 *
 *     while (node_output(&node, &pin, &on)) { board_set(pin, on); }
 *     while (board_can_send() && node_frame(&node, now, &frame)) {
 *         board_send(&frame);
 *         node_sent(&node, now);
 *     }
 *
 * For model railways only.
 */
#ifndef NODE_H
#define NODE_H

#include <stdbool.h>
#include <stdint.h>

#include "frames.h"
#include "protect.h"
#include "sender.h"
#include "things.h"

/* Room; define your own on the compiler's command line. */
#ifndef NODE_SIGNALS
#define NODE_SIGNALS 4u
#endif
#ifndef NODE_STOPS
#define NODE_STOPS 8u
#endif
#ifndef NODE_TURNOUTS
#define NODE_TURNOUTS 8u
#endif
#ifndef NODE_ORDER_GROUPS
#define NODE_ORDER_GROUPS 4u /* groups of ports that may be ordered */
#endif

/* What a board is; constants of its program. Counts of 0 need no array. */
struct node_config {
    uint8_t number;      /* on the bus, 1 to 127 */
    uint32_t serial;     /* of this board alone, not 0 */
    uint8_t firmware[3]; /* major, minor, patch */
    uint8_t identify;    /* the pin of a light that blinks, or NODE_NO_PIN */
    uint16_t supply_low; /* mV below which it needs more; 0 where that is not known */
    const struct node_signal_pins *signals;
    const struct node_stop_pins *stops;
    const struct node_lock_pins *locks;
    const struct node_turnout_pins *turnouts;
    const struct node_detector_pins *detectors;
    const struct node_input_pins *inputs;
    uint8_t signal_count;
    uint8_t stop_count;
    uint8_t lock_count;
    uint8_t turnout_count;
    uint8_t detector_count;
    uint8_t input_count;
};

/* What is ordered of one group of ports. */
struct node_orders {
    uint16_t frame_class;
    uint8_t group;
    struct protect_tracker tracker;
    struct frames_ports ports; /* all zero, most restrictive, where nothing is in force */
    struct things_timer until; /* when the stream counts as silent */
};

struct node {
    const struct node_config *config;
    uint8_t order_count;
    struct node_orders orders[NODE_ORDER_GROUPS];
    struct things_head heads[NODE_SIGNALS];
    struct things_stop stops[NODE_STOPS];
    struct things_turnout turnouts[NODE_TURNOUTS];
    struct sender sender;
    uint8_t levels[NODE_PINS];
    uint8_t outputs[NODE_PINS];
    uint16_t rejected; /* frames, modulo 65536 */
    bool stopped;
    bool blink_lit;
    struct things_timer blink_until;
    uint32_t blink_at;
};

/* Begin, at power-on. start is the counter that streams of frames begin with: a random one for
 * each start. Returns false, and then the node must not be used, where the config has no room or
 * names a pin or a number that there cannot be. config must outlive the node. */
bool node_begin(struct node *node, const struct node_config *config, uint16_t start, uint32_t now);

/* Take a data frame with an identifier of 11 bits from the bus. */
void node_take(struct node *node, uint16_t identifier, const uint8_t *data, uint8_t length,
               uint32_t now);

/* Take how an input is. */
void node_read(struct node *node, uint8_t pin, enum node_level level, uint32_t now);

/* Take the supply voltage in mV; 0 where it is not known. */
void node_supply(struct node *node, uint16_t millivolts, uint32_t now);

/* Take the error counters of the CAN controller; 255 where one is higher. */
void node_errors(struct node *node, uint8_t transmit, uint8_t receive, uint32_t now);

/* Begin to speak anew, when the bus is back after it was off. */
void node_restart(struct node *node, uint32_t now);

/* Take it that it is this late. */
void node_advance(struct node *node, uint32_t now);

/* Put everything to its most restrictive state for good, and report nothing as known. */
void node_stop(struct node *node, uint32_t now);

/* Take the next output that is to be set; return whether there is one. What goes off comes first. */
bool node_output(struct node *node, uint8_t *pin, bool *on);

/* Make the frame that is to go now; return whether there is one. node_sent says that it has gone. */
bool node_frame(struct node *node, uint32_t now, struct frames_out *out);
void node_sent(struct node *node, uint32_t now);

/* Return when node_advance is to be called at the latest. */
uint32_t node_deadline(const struct node *node);

/* Return whether outputs are at their most restrictive because nobody orders them. */
bool node_orders_lost(const struct node *node);

#endif

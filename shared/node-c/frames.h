/* From what is said to a frame, and back, by the codec that is generated from the DBC file.
 * Which node and which time a frame belongs to is not known here.
 */
#ifndef FRAMES_H
#define FRAMES_H

#include <stdbool.h>
#include <stdint.h>

#include "signalling_bus.h"
#include "signalling_bus_figures.h"

#define FRAMES_LONGEST 8u
#define FRAMES_PORTS 16u    /* the most ports of a frame */
#define FRAMES_ALL_NODES 0u /* the number that means every node */

/* The places of the values of a signal's order and proof, in a frame of four ports. */
#define FRAMES_ASPECT 0u
#define FRAMES_INDICATOR 4u
#define FRAMES_FLASH 8u
#define FRAMES_LAMPS 0u
#define FRAMES_INDICATOR_LIT 4u

/* What stands for a class: the identifier of its frame for node 0. */
#define FRAMES_CLASS(identifier) ((uint16_t)((identifier) & 0x780u))
#define FRAMES_NODE(identifier) ((uint8_t)((identifier) & 0x07Fu))

/* What a frame of ports says. */
struct frames_ports {
    uint8_t value[FRAMES_PORTS];
};

/* An order that was received. */
struct frames_order {
    uint16_t frame_class;
    uint8_t node;
    uint8_t group;
    uint16_t counter;
    uint32_t content; /* all that it says, as a number */
    struct frames_ports ports;
    uint32_t serial; /* of Identify */
    uint16_t heard;  /* of Heard: the counter of the status that was heard; its page is the group */
};

enum frames_fault {
    FRAMES_SOUND,
    FRAMES_MALFORMED,  /* length, check sum, version, or for every node and must not be */
    FRAMES_OUT_OF_RANGE /* whole, and says what is never said */
};

/* Return whether the controller sends frames of a class. */
bool frames_is_order(uint16_t frame_class);

/* Read an order. */
enum frames_fault frames_read(struct frames_order *order, uint16_t identifier, const uint8_t *data,
                              uint8_t length);

/* A frame that is to be sent. */
struct frames_out {
    uint16_t identifier;
    uint8_t length;
    uint8_t data[FRAMES_LONGEST];
};

/* Make a report. */
void frames_report(struct frames_out *out, uint16_t frame_class, uint8_t node, uint8_t group,
                   uint16_t counter, const struct frames_ports *ports);

/* Make a page of the status; page, counter and what is on that page are taken from it. */
void frames_status(struct frames_out *out, uint8_t node,
                   const struct signalling_bus_node_status_t *said);

#endif

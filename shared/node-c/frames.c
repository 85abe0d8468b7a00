#include "frames.h"

#include <string.h>

#include "protect.h"

bool frames_is_order(uint16_t frame_class)
{
    switch (frame_class) {
    case SIGNALLING_BUS_ALL_DANGER_FRAME_ID:
    case SIGNALLING_BUS_STOP_ORDER_FRAME_ID:
    case SIGNALLING_BUS_SIGNAL_ORDER_FRAME_ID:
    case SIGNALLING_BUS_LOCK_ORDER_FRAME_ID:
    case SIGNALLING_BUS_TURNOUT_ORDER_FRAME_ID:
    case SIGNALLING_BUS_IDENTIFY_FRAME_ID:
    case SIGNALLING_BUS_HEARD_FRAME_ID:
        return true;
    default:
        return false;
    }
}

static uint8_t length_of(uint16_t frame_class)
{
    switch (frame_class) {
    case SIGNALLING_BUS_ALL_DANGER_FRAME_ID:
        return SIGNALLING_BUS_ALL_DANGER_LENGTH;
    case SIGNALLING_BUS_HEARD_FRAME_ID:
        return SIGNALLING_BUS_HEARD_LENGTH;
    default:
        return SIGNALLING_BUS_STOP_ORDER_LENGTH;
    }
}

/* The fields of sixteen ports, as the generated codec names them. */
#define EACH_PORT(what, kind) \
    what(kind, 0) what(kind, 1) what(kind, 2) what(kind, 3) what(kind, 4) what(kind, 5) \
    what(kind, 6) what(kind, 7) what(kind, 8) what(kind, 9) what(kind, 10) what(kind, 11) \
    what(kind, 12) what(kind, 13) what(kind, 14) what(kind, 15)

#define READ_PORT(kind, at) \
    order->ports.value[at] = said.port##at; \
    sound = sound && signalling_bus_##kind##_port##at##_is_in_range(said.port##at);

#define READ_PORTS(kind) \
    do { \
        struct signalling_bus_##kind##_t said; \
        (void)signalling_bus_##kind##_unpack(&said, data, length); \
        HEADER(kind) \
        EACH_PORT(READ_PORT, kind) \
    } while (0)

#define READ_SIGNAL(kind, at) \
    order->ports.value[FRAMES_ASPECT + at] = said.aspect##at; \
    order->ports.value[FRAMES_INDICATOR + at] = said.indicator##at; \
    order->ports.value[FRAMES_FLASH + at] = said.flash##at; \
    sound = sound && signalling_bus_##kind##_aspect##at##_is_in_range(said.aspect##at) && \
            signalling_bus_##kind##_indicator##at##_is_in_range(said.indicator##at) && \
            signalling_bus_##kind##_flash##at##_is_in_range(said.flash##at);

#define HEADER(kind) \
    order->group = said.group; \
    order->counter = said.counter; \
    sound = said.version == SIGNALLING_BUS_VERSION; \
    if (!sound) { \
        return FRAMES_MALFORMED; \
    } \
    if (order->node == FRAMES_ALL_NODES && !for_all) { \
        return FRAMES_MALFORMED; \
    } \
    sound = signalling_bus_##kind##_group_is_in_range(said.group);

enum frames_fault frames_read(struct frames_order *order, uint16_t identifier, const uint8_t *data,
                              uint8_t length)
{
    bool sound;
    bool for_all;

    memset(order, 0, sizeof *order);
    order->frame_class = FRAMES_CLASS(identifier);
    order->node = FRAMES_NODE(identifier);
    for_all = order->frame_class == SIGNALLING_BUS_ALL_DANGER_FRAME_ID ||
              order->frame_class == SIGNALLING_BUS_IDENTIFY_FRAME_ID;
    if (length != length_of(order->frame_class) ||
        data[0] != protect_check_sum(identifier, data, length)) {
        return FRAMES_MALFORMED;
    }
    for (uint8_t at = 4; at < length; at++) {
        order->content |= (uint32_t)data[at] << 8u * (at - 4u);
    }
    switch (order->frame_class) {
    case SIGNALLING_BUS_ALL_DANGER_FRAME_ID: {
        struct signalling_bus_all_danger_t said;
        (void)signalling_bus_all_danger_unpack(&said, data, length);
        HEADER(all_danger)
        break;
    }
    case SIGNALLING_BUS_IDENTIFY_FRAME_ID: {
        struct signalling_bus_identify_t said;
        (void)signalling_bus_identify_unpack(&said, data, length);
        HEADER(identify)
        order->serial = said.serial;
        sound = sound && signalling_bus_identify_serial_is_in_range(said.serial);
        break;
    }
    case SIGNALLING_BUS_HEARD_FRAME_ID: {
        struct signalling_bus_heard_t said;
        (void)signalling_bus_heard_unpack(&said, data, length);
        HEADER(heard)
        order->heard = said.heard_counter;
        sound = sound && signalling_bus_heard_heard_counter_is_in_range(said.heard_counter);
        break;
    }
    case SIGNALLING_BUS_SIGNAL_ORDER_FRAME_ID: {
        struct signalling_bus_signal_order_t said;
        (void)signalling_bus_signal_order_unpack(&said, data, length);
        HEADER(signal_order)
        READ_SIGNAL(signal_order, 0)
        READ_SIGNAL(signal_order, 1)
        READ_SIGNAL(signal_order, 2)
        READ_SIGNAL(signal_order, 3)
        break;
    }
    case SIGNALLING_BUS_STOP_ORDER_FRAME_ID:
        READ_PORTS(stop_order);
        break;
    case SIGNALLING_BUS_LOCK_ORDER_FRAME_ID:
        READ_PORTS(lock_order);
        break;
    case SIGNALLING_BUS_TURNOUT_ORDER_FRAME_ID:
        READ_PORTS(turnout_order);
        break;
    default:
        return FRAMES_MALFORMED;
    }
    return sound ? FRAMES_SOUND : FRAMES_OUT_OF_RANGE;
}

#define WRITE_PORT(kind, at) said.port##at = ports->value[at];

#define WRITE_PORTS(kind) \
    do { \
        struct signalling_bus_##kind##_t said; \
        memset(&said, 0, sizeof said); \
        said.version = SIGNALLING_BUS_VERSION; \
        said.group = group; \
        said.counter = counter; \
        EACH_PORT(WRITE_PORT, kind) \
        (void)signalling_bus_##kind##_pack(out->data, &said, sizeof out->data); \
    } while (0)

#define WRITE_SIGNAL(at) \
    said.lamps##at = ports->value[FRAMES_LAMPS + at]; \
    said.indicator_lit##at = ports->value[FRAMES_INDICATOR_LIT + at];

static void sealed(struct frames_out *out, uint16_t frame_class, uint8_t node)
{
    out->identifier = (uint16_t)(frame_class | node);
    out->length = FRAMES_LONGEST;
    out->data[0] = protect_check_sum(out->identifier, out->data, out->length);
}

void frames_report(struct frames_out *out, uint16_t frame_class, uint8_t node, uint8_t group,
                   uint16_t counter, const struct frames_ports *ports)
{
    switch (frame_class) {
    case SIGNALLING_BUS_DETECTOR_REPORT_FRAME_ID:
        WRITE_PORTS(detector_report);
        break;
    case SIGNALLING_BUS_INPUT_REPORT_FRAME_ID:
        WRITE_PORTS(input_report);
        break;
    case SIGNALLING_BUS_TURNOUT_REPORT_FRAME_ID:
        WRITE_PORTS(turnout_report);
        break;
    case SIGNALLING_BUS_STOP_PROOF_FRAME_ID:
        WRITE_PORTS(stop_proof);
        break;
    default: {
        struct signalling_bus_signal_proof_t said;
        memset(&said, 0, sizeof said);
        said.version = SIGNALLING_BUS_VERSION;
        said.group = group;
        said.counter = counter;
        WRITE_SIGNAL(0)
        WRITE_SIGNAL(1)
        WRITE_SIGNAL(2)
        WRITE_SIGNAL(3)
        (void)signalling_bus_signal_proof_pack(out->data, &said, sizeof out->data);
        break;
    }
    }
    sealed(out, frame_class, node);
}

void frames_status(struct frames_out *out, uint8_t node,
                   const struct signalling_bus_node_status_t *said)
{
    struct signalling_bus_node_status_t whole = *said;

    whole.version = SIGNALLING_BUS_VERSION;
    (void)signalling_bus_node_status_pack(out->data, &whole, sizeof out->data);
    sealed(out, SIGNALLING_BUS_NODE_STATUS_FRAME_ID, node);
}

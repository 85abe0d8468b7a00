#include "node.h"

#include <string.h>

#include "wiring.h"

#define LAST_NODE 127u

/* -- what is ordered */

static struct node_orders *orders_of(struct node *node, uint16_t frame_class, uint8_t group)
{
    for (uint8_t at = 0; at < node->order_count; at++) {
        if (node->orders[at].frame_class == frame_class && node->orders[at].group == group) {
            return &node->orders[at];
        }
    }
    return NULL;
}

bool node_add_orders(struct node *node, uint16_t frame_class, uint8_t group)
{
    if (orders_of(node, frame_class, group) != NULL) {
        return true;
    }
    if (node->order_count >= NODE_ORDER_GROUPS) {
        return false;
    }
    node->orders[node->order_count].frame_class = frame_class;
    node->orders[node->order_count].group = group;
    node->order_count++;
    return true;
}

uint8_t node_ordered(struct node *node, uint16_t frame_class, uint8_t group, uint8_t at)
{
    const struct node_orders *orders = orders_of(node, frame_class, group);

    return orders == NULL ? 0 : orders->ports.value[at];
}

bool node_told(struct node *node, uint16_t frame_class, uint8_t group)
{
    const struct node_orders *orders = orders_of(node, frame_class, group);

    return orders != NULL && orders->tracker.synced;
}

static void nothing_in_force(struct node_orders *orders)
{
    memset(&orders->ports, 0, sizeof orders->ports);
}

static void reset(struct node_orders *orders)
{
    protect_reset(&orders->tracker);
    nothing_in_force(orders);
    orders->until.set = false;
}

/* Take orders of a class for not given, until they are again. */
static void distrust(struct node *node, uint16_t frame_class)
{
    for (uint8_t at = 0; at < node->order_count; at++) {
        if (node->orders[at].frame_class == frame_class) {
            reset(&node->orders[at]);
        }
    }
}

static void distrust_all(struct node *node)
{
    for (uint8_t at = 0; at < node->order_count; at++) {
        reset(&node->orders[at]);
    }
}

static void expire(struct node *node, uint32_t now)
{
    for (uint8_t at = 0; at < node->order_count; at++) {
        struct node_orders *orders = &node->orders[at];
        if (orders->until.set && things_reached(orders->until.at, now)) {
            reset(orders);
        }
    }
    if (sender_lapsed(&node->sender, now)) {
        distrust_all(node);
    }
}

/* -- receiving */

/* Return whether an order counts; it is rejected where not. */
static bool obey(struct node *node, const struct frames_order *order, uint32_t now)
{
    struct node_orders *orders = orders_of(node, order->frame_class, order->group);
    enum protect_verdict verdict;

    if (orders == NULL) {
        return false;
    }
    if (!wiring_able(node, order)) {
        distrust(node, order->frame_class);
        return false;
    }
    if (!node->sender.answered_until.set) {
        return false; /* it may be of any age */
    }
    verdict = protect_take(&orders->tracker, order->counter, order->content);
    if (verdict == PROTECT_GOOD) {
        orders->ports = order->ports;
    } else if (!orders->tracker.synced) {
        nothing_in_force(orders);
    }
    if (verdict != PROTECT_REPEATED && verdict != PROTECT_LATE) {
        orders->until.set = true;
        orders->until.at = now + SIGNALLING_BUS_ORDER_TIMEOUT_MS;
    }
    return verdict == PROTECT_GOOD || verdict == PROTECT_SYNCING;
}

static void identify(struct node *node, uint32_t now)
{
    if (!node->blink_until.set) {
        node->blink_lit = true;
        node->blink_at = now + SIGNALLING_BUS_BLINK_MS;
    }
    node->blink_until.set = true;
    node->blink_until.at = now + SIGNALLING_BUS_IDENTIFY_MS;
}

static void take(struct node *node, const struct frames_order *order, uint32_t now)
{
    switch (order->frame_class) {
    case SIGNALLING_BUS_ALL_DANGER_FRAME_ID:
        distrust_all(node);
        break;
    case SIGNALLING_BUS_IDENTIFY_FRAME_ID:
        if (order->serial == 0 || order->serial == node->config->serial) {
            identify(node, now);
        }
        break;
    case SIGNALLING_BUS_HEARD_FRAME_ID:
        if (!sender_answered(&node->sender, order->group, order->heard, now)) {
            node->rejected++;
        }
        break;
    default:
        if (!obey(node, order, now)) {
            node->rejected++;
        }
        break;
    }
}

/* -- the state that follows */

static void blink(struct node *node, uint32_t now)
{
    if (node->blink_until.set && things_reached(node->blink_until.at, now)) {
        node->blink_until.set = false;
    }
    if (node->blink_until.set && things_reached(node->blink_at, now)) {
        node->blink_lit = !node->blink_lit;
        node->blink_at = now + SIGNALLING_BUS_BLINK_MS;
    }
}

static void run(struct node *node, uint32_t now)
{
    expire(node, now);
    blink(node, now);
    wiring_run(node, now);
    sender_keep(&node->sender, now);
}

/* -- for the board */

bool node_begin(struct node *node, const struct node_config *config, uint16_t start, uint32_t now)
{
    memset(node, 0, sizeof *node);
    memset(node->levels, NODE_UNKNOWN, sizeof node->levels);
    node->config = config;
    if (config->number == 0 || config->number > LAST_NODE || config->serial == 0) {
        return false;
    }
    sender_begin(&node->sender, config->number, start, now);
    node->sender.status.serial = config->serial;
    node->sender.status.firmware_major = config->firmware[0];
    node->sender.status.firmware_minor = config->firmware[1];
    node->sender.status.firmware_patch = config->firmware[2];
    if (!wiring_begin(node, start, now)) {
        return false;
    }
    run(node, now);
    return true;
}

void node_take(struct node *node, uint16_t identifier, const uint8_t *data, uint8_t length,
               uint32_t now)
{
    struct frames_order order;
    uint8_t number = FRAMES_NODE(identifier);

    if (node->stopped || !frames_is_order(FRAMES_CLASS(identifier)) ||
        (number != FRAMES_ALL_NODES && number != node->config->number)) {
        return;
    }
    expire(node, now);
    switch (frames_read(&order, identifier, data, length)) {
    case FRAMES_SOUND:
        take(node, &order, now);
        break;
    case FRAMES_OUT_OF_RANGE:
        /* Who says what is never said says nothing that can be believed. */
        node->rejected++;
        distrust(node, order.frame_class);
        break;
    default:
        node->rejected++;
        break;
    }
    run(node, now);
}

void node_read(struct node *node, uint8_t pin, enum node_level level, uint32_t now)
{
    if (!node->stopped && pin < NODE_PINS) {
        node->levels[pin] = (uint8_t)level;
    }
    run(node, now);
}

void node_supply(struct node *node, uint16_t millivolts, uint32_t now)
{
    node->sender.status.supply_millivolts = millivolts;
    run(node, now);
}

void node_errors(struct node *node, uint8_t transmit, uint8_t receive, uint32_t now)
{
    node->sender.status.transmit_errors = transmit;
    node->sender.status.receive_errors = receive;
    run(node, now);
}

void node_restart(struct node *node, uint32_t now)
{
    sender_restart(&node->sender, now);
    run(node, now);
}

void node_advance(struct node *node, uint32_t now)
{
    run(node, now);
}

void node_stop(struct node *node, uint32_t now)
{
    node->stopped = true;
    memset(node->levels, NODE_UNKNOWN, sizeof node->levels);
    node->blink_until.set = false;
    distrust_all(node);
    run(node, now);
}

bool node_frame(struct node *node, uint32_t now, struct frames_out *out)
{
    return sender_frame(&node->sender, now, out);
}

void node_sent(struct node *node, uint32_t now)
{
    sender_sent(&node->sender, now);
}

uint32_t node_deadline(const struct node *node)
{
    struct things_timer earliest = {true, sender_deadline(&node->sender)};

    things_earlier(&earliest, node->sender.answered_until);
    for (uint8_t at = 0; at < node->order_count; at++) {
        things_earlier(&earliest, node->orders[at].until);
    }
    for (uint8_t at = 0; at < node->config->signal_count; at++) {
        things_head_deadline(&node->heads[at], &earliest);
    }
    for (uint8_t at = 0; at < node->config->stop_count; at++) {
        things_stop_deadline(&node->stops[at], &earliest);
    }
    for (uint8_t at = 0; at < node->config->turnout_count; at++) {
        things_earlier(&earliest, node->turnouts[at].until);
    }
    if (node->blink_until.set) {
        struct things_timer blink_at = {true, node->blink_at};
        things_earlier(&earliest, node->blink_until);
        things_earlier(&earliest, blink_at);
    }
    return earliest.at;
}

bool node_orders_lost(const struct node *node)
{
    for (uint8_t at = 0; at < node->order_count; at++) {
        if (!node->orders[at].tracker.synced) {
            return true;
        }
    }
    return false;
}

#include "wiring.h"

#include <string.h>

/* What is known of an output. */
#define IS_OUTPUT 0x01u
#define WANTED 0x02u
#define SHOWN 0x04u
#define KNOWN 0x08u /* it has been set once */


/* -- how the board is wired */

static bool in_room(uint8_t pin)
{
    return pin == NODE_NO_PIN || pin < NODE_PINS;
}

static void add_output(struct node *node, uint8_t pin)
{
    if (pin != NODE_NO_PIN) {
        node->outputs[pin] |= IS_OUTPUT;
    }
}

static bool begin_signals(struct node *node, uint32_t now)
{
    const struct node_config *config = node->config;

    for (uint8_t at = 0; at < config->signal_count; at++) {
        const struct node_signal_pins *pins = &config->signals[at];
        if (!in_room(pins->lamps_proof) || !in_room(pins->indicator_proof) ||
            pins->aspects < 2u || pins->aspects > NODE_ASPECTS ||
            pins->port >= SIGNALLING_BUS_SIGNAL_ORDER_PORTS * 16u ||
            !node_add_orders(node, SIGNALLING_BUS_SIGNAL_ORDER_FRAME_ID,
                        (uint8_t)(pins->port / SIGNALLING_BUS_SIGNAL_ORDER_PORTS))) {
            return false;
        }
        for (uint8_t aspect = 0; aspect < pins->aspects; aspect++) {
            for (uint8_t lamp = 0; lamp < NODE_LAMPS; lamp++) {
                if (!in_room(pins->lamps[aspect][lamp])) {
                    return false;
                }
                add_output(node, pins->lamps[aspect][lamp]);
            }
        }
        for (uint8_t position = 0; position < NODE_POSITIONS; position++) {
            if (!in_room(pins->position[position])) {
                return false;
            }
            add_output(node, pins->position[position]);
        }
        things_head_begin(&node->heads[at], pins, now);
    }
    return true;
}

static bool begin_stops_and_locks(struct node *node, uint32_t now)
{
    const struct node_config *config = node->config;

    for (uint8_t at = 0; at < config->stop_count; at++) {
        const struct node_stop_pins *pins = &config->stops[at];
        if (pins->lift >= NODE_PINS || !in_room(pins->applied) || !in_room(pins->lifted) ||
            !node_add_orders(node, SIGNALLING_BUS_STOP_ORDER_FRAME_ID,
                        (uint8_t)(pins->port / SIGNALLING_BUS_STOP_ORDER_PORTS))) {
            return false;
        }
        add_output(node, pins->lift);
        things_stop_begin(&node->stops[at], pins, now);
    }
    for (uint8_t at = 0; at < config->lock_count; at++) {
        if (config->locks[at].free >= NODE_PINS ||
            !node_add_orders(node, SIGNALLING_BUS_LOCK_ORDER_FRAME_ID,
                        (uint8_t)(config->locks[at].port / SIGNALLING_BUS_LOCK_ORDER_PORTS))) {
            return false;
        }
        add_output(node, config->locks[at].free);
    }
    return true;
}

static bool begin_turnouts(struct node *node)
{
    const struct node_config *config = node->config;

    for (uint8_t at = 0; at < config->turnout_count; at++) {
        const struct node_turnout_pins *pins = &config->turnouts[at];
        if (!in_room(pins->normal) || !in_room(pins->reverse) || !in_room(pins->move_normal) ||
            !in_room(pins->move_reverse)) {
            return false;
        }
        things_turnout_begin(&node->turnouts[at], pins);
        if (things_turnout_moved(&node->turnouts[at])) {
            add_output(node, pins->move_normal);
            add_output(node, pins->move_reverse);
            if (!node_add_orders(node, SIGNALLING_BUS_TURNOUT_ORDER_FRAME_ID,
                            (uint8_t)(pins->port / SIGNALLING_BUS_TURNOUT_ORDER_PORTS))) {
                return false;
            }
        }
    }
    return true;
}

/* Return whether a group of a class has a port that is reported. */
static bool is_reported(const struct node *node, uint16_t frame_class, uint8_t group)
{
    const struct node_config *config = node->config;

    switch (frame_class) {
    case SIGNALLING_BUS_DETECTOR_REPORT_FRAME_ID:
        for (uint8_t at = 0; at < config->detector_count; at++) {
            if (config->detectors[at].port / SIGNALLING_BUS_DETECTOR_REPORT_PORTS == group) {
                return true;
            }
        }
        return false;
    case SIGNALLING_BUS_INPUT_REPORT_FRAME_ID:
        for (uint8_t at = 0; at < config->input_count; at++) {
            if (config->inputs[at].port / SIGNALLING_BUS_INPUT_REPORT_PORTS == group) {
                return true;
            }
        }
        return false;
    case SIGNALLING_BUS_TURNOUT_REPORT_FRAME_ID:
        for (uint8_t at = 0; at < config->turnout_count; at++) {
            if (things_turnout_detected(&node->turnouts[at]) &&
                config->turnouts[at].port / SIGNALLING_BUS_TURNOUT_REPORT_PORTS == group) {
                return true;
            }
        }
        return false;
    case SIGNALLING_BUS_SIGNAL_PROOF_FRAME_ID:
        for (uint8_t at = 0; at < config->signal_count; at++) {
            if (things_head_proved(&node->heads[at]) &&
                config->signals[at].port / SIGNALLING_BUS_SIGNAL_PROOF_PORTS == group) {
                return true;
            }
        }
        return false;
    default:
        for (uint8_t at = 0; at < config->stop_count; at++) {
            if (things_stop_proved(&node->stops[at]) &&
                config->stops[at].port / SIGNALLING_BUS_STOP_PROOF_PORTS == group) {
                return true;
            }
        }
        return false;
    }
}

static bool begin_reports(struct node *node, uint16_t start, uint32_t now)
{
    /* Most urgent first. */
    static const uint16_t classes[] = {
        SIGNALLING_BUS_DETECTOR_REPORT_FRAME_ID, SIGNALLING_BUS_INPUT_REPORT_FRAME_ID,
        SIGNALLING_BUS_TURNOUT_REPORT_FRAME_ID,  SIGNALLING_BUS_SIGNAL_PROOF_FRAME_ID,
        SIGNALLING_BUS_STOP_PROOF_FRAME_ID,
    };

    for (uint8_t at = 0; at < sizeof classes / sizeof classes[0]; at++) {
        for (uint8_t group = 0; group < 16u; group++) {
            if (is_reported(node, classes[at], group) &&
                !sender_add(&node->sender, classes[at], group, start, now)) {
                return false;
            }
        }
    }
    return true;
}

static bool inputs_in_room(const struct node_config *config)
{
    for (uint8_t at = 0; at < config->detector_count; at++) {
        if (config->detectors[at].clear >= NODE_PINS) {
            return false;
        }
    }
    for (uint8_t at = 0; at < config->input_count; at++) {
        if (config->inputs[at].rest >= NODE_PINS || !in_room(config->inputs[at].operated) ||
            !in_room(config->inputs[at].third)) {
            return false;
        }
    }
    return true;
}

bool wiring_begin(struct node *node, uint16_t start, uint32_t now)
{
    const struct node_config *config = node->config;

    if (config->signal_count > NODE_SIGNALS || config->stop_count > NODE_STOPS ||
        config->turnout_count > NODE_TURNOUTS || !in_room(config->identify) ||
        !inputs_in_room(config) || !begin_signals(node, now) ||
        !begin_stops_and_locks(node, now) || !begin_turnouts(node)) {
        return false;
    }
    add_output(node, config->identify);
    return begin_reports(node, start, now);
}

/* -- what can be ordered */

static bool signal_able(const struct node *node, uint8_t port, uint8_t aspect, uint8_t indicator)
{
    for (uint8_t at = 0; at < node->config->signal_count; at++) {
        if (node->config->signals[at].port == port) {
            return things_head_able(&node->heads[at], aspect, indicator);
        }
    }
    return aspect == 0 && indicator == 0;
}

static bool takes(const struct node *node, uint16_t frame_class, uint8_t port)
{
    const struct node_config *config = node->config;

    switch (frame_class) {
    case SIGNALLING_BUS_STOP_ORDER_FRAME_ID:
        for (uint8_t at = 0; at < config->stop_count; at++) {
            if (config->stops[at].port == port) {
                return true;
            }
        }
        return false;
    case SIGNALLING_BUS_LOCK_ORDER_FRAME_ID:
        for (uint8_t at = 0; at < config->lock_count; at++) {
            if (config->locks[at].port == port) {
                return true;
            }
        }
        return false;
    default:
        for (uint8_t at = 0; at < config->turnout_count; at++) {
            if (config->turnouts[at].port == port && things_turnout_moved(&node->turnouts[at])) {
                return true;
            }
        }
        return false;
    }
}

bool wiring_able(const struct node *node, const struct frames_order *order)
{
    if (order->frame_class == SIGNALLING_BUS_SIGNAL_ORDER_FRAME_ID) {
        for (uint8_t at = 0; at < SIGNALLING_BUS_SIGNAL_ORDER_PORTS; at++) {
            uint8_t port = (uint8_t)(order->group * SIGNALLING_BUS_SIGNAL_ORDER_PORTS + at);
            if (!signal_able(node, port, order->ports.value[FRAMES_ASPECT + at],
                             order->ports.value[FRAMES_INDICATOR + at])) {
                return false;
            }
        }
        return true;
    }
    for (uint8_t at = 0; at < FRAMES_PORTS; at++) {
        uint8_t port = (uint8_t)(order->group * FRAMES_PORTS + at);
        if (order->ports.value[at] != 0 && !takes(node, order->frame_class, port)) {
            return false;
        }
    }
    return true;
}

/* -- what follows from orders and inputs */

static void run_things(struct node *node, uint32_t now)
{
    const struct node_config *config = node->config;

    for (uint8_t at = 0; at < config->signal_count; at++) {
        uint8_t group = (uint8_t)(config->signals[at].port / SIGNALLING_BUS_SIGNAL_ORDER_PORTS);
        uint8_t port = (uint8_t)(config->signals[at].port % SIGNALLING_BUS_SIGNAL_ORDER_PORTS);
        const uint16_t signal_order = SIGNALLING_BUS_SIGNAL_ORDER_FRAME_ID;
        things_head_order(
            &node->heads[at],
            node_ordered(node, signal_order, group, (uint8_t)(FRAMES_ASPECT + port)),
            node_ordered(node, signal_order, group, (uint8_t)(FRAMES_INDICATOR + port)),
            node_ordered(node, signal_order, group, (uint8_t)(FRAMES_FLASH + port)) != 0,
            node_told(node, signal_order, group), now);
        things_head_advance(&node->heads[at], node->levels, now);
    }
    for (uint8_t at = 0; at < config->stop_count; at++) {
        uint8_t port = config->stops[at].port;
        bool lifted = node_ordered(node, SIGNALLING_BUS_STOP_ORDER_FRAME_ID,
                              (uint8_t)(port / FRAMES_PORTS), (uint8_t)(port % FRAMES_PORTS)) != 0;
        things_stop_order(&node->stops[at], lifted, now);
        things_stop_advance(&node->stops[at], node->levels, now);
    }
    for (uint8_t at = 0; at < config->turnout_count; at++) {
        uint8_t port = config->turnouts[at].port;
        things_turnout_order(&node->turnouts[at],
                             node_ordered(node, SIGNALLING_BUS_TURNOUT_ORDER_FRAME_ID,
                                     (uint8_t)(port / FRAMES_PORTS),
                                     (uint8_t)(port % FRAMES_PORTS)),
                             now);
        things_turnout_advance(&node->turnouts[at], node->levels, now);
    }
}

static void want(struct node *node, uint8_t pin)
{
    if (pin != NODE_NO_PIN) {
        node->outputs[pin] |= WANTED;
    }
}

static void set_outputs(struct node *node)
{
    const struct node_config *config = node->config;

    for (uint8_t pin = 0; pin < NODE_PINS; pin++) {
        node->outputs[pin] &= (uint8_t)~WANTED;
    }
    for (uint8_t at = 0; at < config->signal_count; at++) {
        const struct things_head *head = &node->heads[at];
        for (uint8_t lamp = 0; lamp < NODE_LAMPS && !head->dark; lamp++) {
            want(node, head->pins->lamps[head->aspect][lamp]);
        }
        if (head->indicator != 0) {
            want(node, head->pins->position[head->indicator - 1u]);
        }
    }
    for (uint8_t at = 0; at < config->stop_count; at++) {
        if (node->stops[at].lifted) {
            want(node, config->stops[at].lift);
        }
    }
    for (uint8_t at = 0; at < config->lock_count; at++) {
        uint8_t port = config->locks[at].port;
        if (node_ordered(node, SIGNALLING_BUS_LOCK_ORDER_FRAME_ID, (uint8_t)(port / FRAMES_PORTS),
                    (uint8_t)(port % FRAMES_PORTS)) != 0) {
            want(node, config->locks[at].free);
        }
    }
    for (uint8_t at = 0; at < config->turnout_count; at++) {
        if (node->turnouts[at].moving == 1u) {
            want(node, config->turnouts[at].move_normal);
        } else if (node->turnouts[at].moving == 2u) {
            want(node, config->turnouts[at].move_reverse);
        }
    }
    if (node->blink_until.set && node->blink_lit) {
        want(node, config->identify);
    }
}

static void put(struct sender_report *report, uint8_t port, uint8_t ports, uint8_t place,
                uint8_t value)
{
    if (port / ports == report->group) {
        report->ports.value[place + port % ports] = value;
    }
}

static void set_reports(struct node *node)
{
    const struct node_config *config = node->config;

    for (uint8_t each = 0; each < node->sender.report_count; each++) {
        struct sender_report *report = &node->sender.reports[each];
        memset(&report->ports, 0, sizeof report->ports);
        switch (report->frame_class) {
        case SIGNALLING_BUS_DETECTOR_REPORT_FRAME_ID:
            for (uint8_t at = 0; at < config->detector_count; at++) {
                put(report, config->detectors[at].port, FRAMES_PORTS, 0,
                    things_detector(&config->detectors[at], node->levels));
            }
            break;
        case SIGNALLING_BUS_INPUT_REPORT_FRAME_ID:
            for (uint8_t at = 0; at < config->input_count; at++) {
                put(report, config->inputs[at].port, FRAMES_PORTS, 0,
                    things_input(&config->inputs[at], node->levels));
            }
            break;
        case SIGNALLING_BUS_TURNOUT_REPORT_FRAME_ID:
            for (uint8_t at = 0; at < config->turnout_count; at++) {
                put(report, config->turnouts[at].port, FRAMES_PORTS, 0, node->turnouts[at].lie);
            }
            break;
        case SIGNALLING_BUS_SIGNAL_PROOF_FRAME_ID:
            for (uint8_t at = 0; at < config->signal_count; at++) {
                put(report, config->signals[at].port, SIGNALLING_BUS_SIGNAL_PROOF_PORTS,
                    FRAMES_LAMPS, node->heads[at].lamps);
                put(report, config->signals[at].port, SIGNALLING_BUS_SIGNAL_PROOF_PORTS,
                    FRAMES_INDICATOR_LIT, node->heads[at].position);
            }
            break;
        default:
            for (uint8_t at = 0; at < config->stop_count; at++) {
                put(report, config->stops[at].port, FRAMES_PORTS, 0, node->stops[at].proof);
            }
            break;
        }
    }
}

static void set_status(struct node *node)
{
    struct signalling_bus_node_status_t *status = &node->sender.status;
    uint16_t lost = 0;
    bool fault = false;

    for (uint8_t at = 0; at < node->order_count; at++) {
        lost = (uint16_t)(lost + node->orders[at].tracker.lost);
    }
    for (uint8_t at = 0; at < node->config->signal_count; at++) {
        fault = fault || things_head_fault(&node->heads[at]);
    }
    for (uint8_t at = 0; at < node->config->stop_count; at++) {
        fault = fault || node->stops[at].fault;
    }
    status->orders_lost = node_orders_lost(node) ? 1u : 0u;
    status->unanswered = node->sender.answered_until.set ? 0u : 1u;
    status->supply_low =
        status->supply_millivolts != 0 && status->supply_millivolts < node->config->supply_low;
    status->output_fault = fault ? 1u : 0u;
    status->frames_rejected = node->rejected;
    status->frames_lost = lost;
}

void wiring_run(struct node *node, uint32_t now)
{
    run_things(node, now);
    set_outputs(node);
    set_reports(node);
    set_status(node);
}

bool node_output(struct node *node, uint8_t *pin, bool *on)
{
    for (uint8_t wanted = 0; wanted <= WANTED; wanted = (uint8_t)(wanted + WANTED)) {
        for (uint8_t at = 0; at < NODE_PINS; at++) {
            uint8_t output = node->outputs[at];
            bool right = (output & KNOWN) != 0 && ((output & WANTED) != 0) == ((output & SHOWN) != 0);
            if ((output & IS_OUTPUT) == 0 || right || (output & WANTED) != wanted) {
                continue;
            }
            *pin = at;
            *on = wanted != 0;
            node->outputs[at] = (uint8_t)((output & ~SHOWN) | KNOWN | (*on ? SHOWN : 0u));
            return true;
        }
    }
    return false;
}

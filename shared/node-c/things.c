#include "things.h"

#include <string.h>

#include "signalling_bus_figures.h"

#define UNKNOWN 0u
#define INDICATOR_DARK 8u

/* -- time */

bool things_reached(uint32_t at, uint32_t now)
{
    return (uint32_t)(now - at) < 0x80000000u;
}

void things_earlier(struct things_timer *earliest, struct things_timer other)
{
    if (other.set && (!earliest->set || !things_reached(earliest->at, other.at))) {
        *earliest = other;
    }
}

static void start(struct things_timer *timer, uint32_t now, uint32_t after)
{
    timer->set = true;
    timer->at = now + after;
}

static bool passed(struct things_timer *timer, uint32_t now)
{
    if (timer->set && things_reached(timer->at, now)) {
        timer->set = false;
        return true;
    }
    return false;
}

/* -- contacts */

static uint8_t proof_level(uint8_t pin, const uint8_t *levels)
{
    return pin == NODE_NO_PIN ? (uint8_t)NODE_UNKNOWN : levels[pin];
}

/* A contact that is not wired is not made. */
static uint8_t contact(uint8_t pin, const uint8_t *levels)
{
    return pin == NODE_NO_PIN ? (uint8_t)NODE_OFF : levels[pin];
}

/* Return which contact is made, from 1, where exactly one is. */
static uint8_t alone(const uint8_t *contacts, uint8_t count)
{
    uint8_t found = UNKNOWN;

    for (uint8_t at = 0; at < count; at++) {
        if (contacts[at] == NODE_UNKNOWN || (contacts[at] == NODE_ON && found != UNKNOWN)) {
            return UNKNOWN;
        }
        if (contacts[at] == NODE_ON) {
            found = (uint8_t)(at + 1u);
        }
    }
    return found;
}

/* -- signals */

void things_head_begin(struct things_head *head, const struct node_signal_pins *pins,
                       uint32_t now)
{
    memset(head, 0, sizeof *head);
    head->pins = pins;
    start(&head->lamps_settle, now, SIGNALLING_BUS_SETTLE_MS);
    start(&head->indicator_settle, now, SIGNALLING_BUS_SETTLE_MS);
}

bool things_head_proved(const struct things_head *head)
{
    return head->pins->lamps_proof != NODE_NO_PIN || head->pins->indicator_proof != NODE_NO_PIN;
}

bool things_head_able(const struct things_head *head, uint8_t aspect, uint8_t indicator)
{
    if (aspect >= head->pins->aspects || indicator > NODE_POSITIONS) {
        return false;
    }
    return indicator == 0 || head->pins->position[indicator - 1u] != NODE_NO_PIN;
}

void things_head_order(struct things_head *head, uint8_t aspect, uint8_t indicator, bool flash,
                       bool told, uint32_t now)
{
    bool flashing = flash && aspect != 0;

    head->told = told;
    if (aspect != head->aspect || flashing != head->flash) {
        head->aspect = aspect;
        head->flash = flashing;
        head->dark = false;
        head->toggle.set = false;
        if (flashing) {
            start(&head->toggle, now, SIGNALLING_BUS_FLASH_MS);
        }
        start(&head->lamps_settle, now, SIGNALLING_BUS_SETTLE_MS);
    }
    if (indicator != head->indicator) {
        head->indicator = indicator;
        start(&head->indicator_settle, now, SIGNALLING_BUS_SETTLE_MS);
    }
}

static void look_at_lamps(struct things_head *head, const uint8_t *levels)
{
    uint8_t lit = proof_level(head->pins->lamps_proof, levels);

    if (lit == NODE_UNKNOWN) {
        head->lamps = UNKNOWN;
    } else if (!head->lamps_settle.set && !head->dark) {
        /* Danger that nobody ordered is not what was ordered. */
        head->lamps = lit != NODE_ON ? 1u : head->told ? 2u : UNKNOWN;
    } else if (!head->told) {
        head->lamps = UNKNOWN;
    }
}

static void look_at_indicator(struct things_head *head, const uint8_t *levels)
{
    uint8_t lit = proof_level(head->pins->indicator_proof, levels);

    if (lit == NODE_UNKNOWN) {
        head->position = UNKNOWN;
        head->indicator_fault = false;
    } else if (!head->indicator_settle.set) {
        head->indicator_fault = (lit == NODE_ON) != (head->indicator != 0);
        /* Alight is what was ordered, or what nobody ordered. */
        head->position = lit == NODE_ON ? head->indicator : INDICATOR_DARK;
    }
}

void things_head_advance(struct things_head *head, const uint8_t *levels, uint32_t now)
{
    if (passed(&head->toggle, now)) {
        head->dark = !head->dark;
        start(&head->toggle, now, SIGNALLING_BUS_FLASH_MS);
        head->lamps_settle.set = false;
        if (!head->dark) {
            start(&head->lamps_settle, now, SIGNALLING_BUS_SETTLE_MS);
        }
    }
    (void)passed(&head->lamps_settle, now);
    (void)passed(&head->indicator_settle, now);
    look_at_lamps(head, levels);
    look_at_indicator(head, levels);
}

bool things_head_fault(const struct things_head *head)
{
    return head->lamps == 1u || head->indicator_fault;
}

void things_head_deadline(const struct things_head *head, struct things_timer *earliest)
{
    things_earlier(earliest, head->toggle);
    if (head->pins->lamps_proof != NODE_NO_PIN) {
        things_earlier(earliest, head->lamps_settle);
    }
    if (head->pins->indicator_proof != NODE_NO_PIN) {
        things_earlier(earliest, head->indicator_settle);
    }
}

/* -- train stops */

void things_stop_begin(struct things_stop *stop, const struct node_stop_pins *pins, uint32_t now)
{
    memset(stop, 0, sizeof *stop);
    stop->pins = pins;
    start(&stop->settle, now, SIGNALLING_BUS_SETTLE_MS);
}

bool things_stop_proved(const struct things_stop *stop)
{
    return stop->pins->applied != NODE_NO_PIN || stop->pins->lifted != NODE_NO_PIN;
}

void things_stop_order(struct things_stop *stop, bool lifted, uint32_t now)
{
    if (lifted != stop->lifted) {
        stop->lifted = lifted;
        start(&stop->settle, now, SIGNALLING_BUS_SETTLE_MS);
    }
}

void things_stop_advance(struct things_stop *stop, const uint8_t *levels, uint32_t now)
{
    uint8_t contacts[2];
    uint8_t told = stop->lifted ? stop->pins->lifted : stop->pins->applied;
    uint8_t other = stop->lifted ? stop->pins->applied : stop->pins->lifted;

    (void)passed(&stop->settle, now);
    contacts[0] = contact(stop->pins->applied, levels);
    contacts[1] = contact(stop->pins->lifted, levels);
    stop->proof = alone(contacts, 2);
    if (!stop->settle.set) {
        stop->fault = (told != NODE_NO_PIN && contact(told, levels) == NODE_OFF) ||
                      contact(other, levels) == NODE_ON;
    }
}

void things_stop_deadline(const struct things_stop *stop, struct things_timer *earliest)
{
    if (things_stop_proved(stop)) {
        things_earlier(earliest, stop->settle);
    }
}

/* -- turnouts */

void things_turnout_begin(struct things_turnout *turnout, const struct node_turnout_pins *pins)
{
    memset(turnout, 0, sizeof *turnout);
    turnout->pins = pins;
}

bool things_turnout_moved(const struct things_turnout *turnout)
{
    return turnout->pins->move_normal != NODE_NO_PIN && turnout->pins->move_reverse != NODE_NO_PIN;
}

bool things_turnout_detected(const struct things_turnout *turnout)
{
    return turnout->pins->normal != NODE_NO_PIN || turnout->pins->reverse != NODE_NO_PIN;
}

void things_turnout_order(struct things_turnout *turnout, uint8_t lie, uint32_t now)
{
    if (lie == turnout->ordered) {
        return;
    }
    turnout->ordered = lie;
    turnout->moving = 0;
    turnout->until.set = false;
    if (lie != 0 && lie != turnout->lie) {
        turnout->moving = lie;
        start(&turnout->until, now, turnout->pins->pulse_ms);
    }
}

void things_turnout_advance(struct things_turnout *turnout, const uint8_t *levels, uint32_t now)
{
    uint8_t contacts[2];

    if (passed(&turnout->until, now)) {
        turnout->moving = 0;
    }
    contacts[0] = contact(turnout->pins->normal, levels);
    contacts[1] = contact(turnout->pins->reverse, levels);
    turnout->lie = alone(contacts, 2);
    if (contacts[0] == NODE_OFF && contacts[1] == NODE_OFF && turnout->moving != 0) {
        turnout->lie = 3u;
    }
}

/* -- detectors and switches */

uint8_t things_detector(const struct node_detector_pins *pins, const uint8_t *levels)
{
    uint8_t clear = proof_level(pins->clear, levels);

    if (clear == NODE_UNKNOWN) {
        return UNKNOWN;
    }
    return clear == NODE_ON ? 1u : 2u;
}

uint8_t things_input(const struct node_input_pins *pins, const uint8_t *levels)
{
    uint8_t contacts[3];
    uint8_t rest = proof_level(pins->rest, levels);

    if (pins->operated == NODE_NO_PIN && pins->third == NODE_NO_PIN) {
        if (rest == NODE_UNKNOWN) {
            return UNKNOWN;
        }
        return rest == NODE_ON ? 1u : 2u;
    }
    contacts[0] = rest;
    contacts[1] = contact(pins->operated, levels);
    contacts[2] = contact(pins->third, levels);
    return alone(contacts, 3);
}

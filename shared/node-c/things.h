/* What is wired to a node: signals, stops, locks, turnouts, detectors, switches.
 *
 * On, at every pin, is what permits: with no power, a broken wire or an input not read, a pin is
 * off, and that is the more restrictive state. Times are milliseconds of a clock that wraps.
 */
#ifndef THINGS_H
#define THINGS_H

#include <stdbool.h>
#include <stdint.h>

/* Room; define your own before including, or on the compiler's command line. */
#ifndef NODE_PINS
#define NODE_PINS 64u /* pins are numbered from 0 to one less */
#endif
#ifndef NODE_ASPECTS
#define NODE_ASPECTS 4u
#endif
#ifndef NODE_LAMPS
#define NODE_LAMPS 2u /* the most that one aspect lights */
#endif

#if NODE_PINS > 255u
#error "pins are numbered by a byte, of which NODE_NO_PIN is no pin"
#endif

#define NODE_POSITIONS 7u /* of a route indicator */
#define NODE_NO_PIN 0xFFu /* is written where nothing is wired */

enum node_level { NODE_OFF, NODE_ON, NODE_UNKNOWN };

/* -- how a board is wired: constants of the board's own program */

struct node_signal_pins {
    uint8_t port;
    uint8_t aspects;                             /* how many; 0 is danger */
    uint8_t lamps[NODE_ASPECTS][NODE_LAMPS];     /* what each aspect lights, then NODE_NO_PIN */
    uint8_t position[NODE_POSITIONS];            /* of the indicator: 1 is the first; NODE_NO_PIN */
    uint8_t lamps_proof;                         /* on while the lamps draw their current */
    uint8_t indicator_proof;                     /* on while the indicator draws its current */
};

struct node_stop_pins {
    uint8_t port;
    uint8_t lift;    /* on lifts it */
    uint8_t applied; /* on while it is proved to be applied */
    uint8_t lifted;  /* on while it is proved to be lifted */
};

struct node_lock_pins {
    uint8_t port;
    uint8_t free; /* on frees it */
};

struct node_turnout_pins {
    uint8_t port;
    uint8_t normal;       /* on while it is home for normal */
    uint8_t reverse;      /* on while it is home for reverse */
    uint8_t move_normal;  /* moves it; both or neither */
    uint8_t move_reverse;
    uint16_t pulse_ms; /* for how long, 1 or more */
};

struct node_detector_pins {
    uint8_t port;
    uint8_t clear; /* on while it reads clear */
};

struct node_input_pins {
    uint8_t port;
    uint8_t rest;     /* on while it is at rest */
    uint8_t operated; /* on while it is operated */
    uint8_t third;    /* on while it is in its third position */
};

/* -- time */

struct things_timer {
    bool set;
    uint32_t at;
};

/* Return whether a time has come. */
bool things_reached(uint32_t at, uint32_t now);

/* Make the earlier of two deadlines of the first. */
void things_earlier(struct things_timer *earliest, struct things_timer other);

/* -- signals */

struct things_head {
    const struct node_signal_pins *pins;
    uint8_t lamps;    /* what is proved of them: 0 not known, 1 dark, 2 lit as ordered */
    uint8_t position; /* proved to be alight: 0 not known, 8 dark */
    uint8_t aspect;
    uint8_t indicator;
    bool flash;
    bool told; /* whether anybody orders anything */
    bool dark;
    bool indicator_fault;
    struct things_timer toggle;
    struct things_timer lamps_settle;
    struct things_timer indicator_settle;
};

void things_head_begin(struct things_head *head, const struct node_signal_pins *pins,
                       uint32_t now);
bool things_head_proved(const struct things_head *head);
bool things_head_able(const struct things_head *head, uint8_t aspect, uint8_t indicator);
void things_head_order(struct things_head *head, uint8_t aspect, uint8_t indicator, bool flash,
                       bool told, uint32_t now);
void things_head_advance(struct things_head *head, const uint8_t *levels, uint32_t now);
bool things_head_fault(const struct things_head *head);
void things_head_deadline(const struct things_head *head, struct things_timer *earliest);

/* -- train stops */

struct things_stop {
    const struct node_stop_pins *pins;
    uint8_t proof; /* 0 not known, 1 applied, 2 lifted */
    bool fault;
    bool lifted;
    struct things_timer settle;
};

void things_stop_begin(struct things_stop *stop, const struct node_stop_pins *pins, uint32_t now);
bool things_stop_proved(const struct things_stop *stop);
void things_stop_order(struct things_stop *stop, bool lifted, uint32_t now);
void things_stop_advance(struct things_stop *stop, const uint8_t *levels, uint32_t now);
void things_stop_deadline(const struct things_stop *stop, struct things_timer *earliest);

/* -- turnouts */

struct things_turnout {
    const struct node_turnout_pins *pins;
    uint8_t lie; /* 0 not known, 1 normal, 2 reverse, 3 moving */
    uint8_t ordered;
    uint8_t moving;
    struct things_timer until;
};

void things_turnout_begin(struct things_turnout *turnout, const struct node_turnout_pins *pins);
bool things_turnout_moved(const struct things_turnout *turnout);
bool things_turnout_detected(const struct things_turnout *turnout);
void things_turnout_order(struct things_turnout *turnout, uint8_t lie, uint32_t now);
void things_turnout_advance(struct things_turnout *turnout, const uint8_t *levels, uint32_t now);

/* -- detectors and switches: 0 not known; 1 clear, 2 occupied; 1 rest, 2 operated, 3 third */

uint8_t things_detector(const struct node_detector_pins *pins, const uint8_t *levels);
uint8_t things_input(const struct node_input_pins *pins, const uint8_t *levels);

#endif

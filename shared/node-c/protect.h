/* Check sum and counter: how a receiver tells a good frame from any other.
 * Numbers only; what it does is described in docs/can-bus.md.
 */
#ifndef PROTECT_H
#define PROTECT_H

#include <stdbool.h>
#include <stdint.h>

/* Return the check sum of a frame: over its identifier, low byte first, and bytes 1 onwards. */
uint8_t protect_check_sum(uint16_t identifier, const uint8_t *data, uint8_t length);

enum protect_verdict {
    PROTECT_GOOD,
    PROTECT_SYNCING,
    PROTECT_REPEATED,
    PROTECT_LATE,
    PROTECT_CONTRADICTORY,
    PROTECT_WRONG_SEQUENCE
};

/* A receiver's view of one stream of frames; all zero is one that has heard nothing. */
struct protect_tracker {
    bool begun;
    bool synced;
    uint16_t last;
    uint32_t content;
    uint8_t good;
    uint16_t lost; /* frames that were missing between those in step, modulo 65536 */
};

/* Forget the stream, such as when nothing was heard for too long. */
void protect_reset(struct protect_tracker *tracker);

/* Judge the next frame; content is all that it says. */
enum protect_verdict protect_take(struct protect_tracker *tracker, uint16_t counter,
                                  uint32_t content);

#endif

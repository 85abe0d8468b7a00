#include "protect.h"

#include "signalling_bus_figures.h"

/* SAE J1850. */
#define POLYNOMIAL 0x1Du
#define START 0xFFu
#define FINAL 0xFFu

static uint8_t added(uint8_t crc, uint8_t byte)
{
    crc ^= byte;
    for (uint8_t bit = 0; bit < 8; bit++) {
        crc = (uint8_t)((crc & 0x80u) != 0 ? (uint32_t)crc << 1 ^ POLYNOMIAL : (uint32_t)crc << 1);
    }
    return crc;
}

uint8_t protect_check_sum(uint16_t identifier, const uint8_t *data, uint8_t length)
{
    uint8_t crc = added(START, (uint8_t)(identifier & 0xFFu));

    crc = added(crc, (uint8_t)(identifier >> 8));
    for (uint8_t at = 1; at < length; at++) {
        crc = added(crc, data[at]);
    }
    return crc ^ FINAL;
}

void protect_reset(struct protect_tracker *tracker)
{
    tracker->synced = false;
    tracker->begun = false;
}

static enum protect_verdict begin(struct protect_tracker *tracker, uint16_t counter,
                                  uint32_t content, enum protect_verdict verdict)
{
    tracker->begun = true;
    tracker->synced = false;
    tracker->last = counter;
    tracker->content = content;
    tracker->good = 1;
    return verdict;
}

enum protect_verdict protect_take(struct protect_tracker *tracker, uint16_t counter,
                                  uint32_t content)
{
    uint16_t step = (uint16_t)(counter - tracker->last);

    if (!tracker->begun) {
        return begin(tracker, counter, content, PROTECT_SYNCING);
    }
    if (step == 0) {
        if (content == tracker->content) {
            return PROTECT_REPEATED;
        }
        return begin(tracker, counter, content, PROTECT_CONTRADICTORY);
    }
    if (step <= SIGNALLING_BUS_LARGEST_STEP) {
        tracker->last = counter;
        tracker->content = content;
        if (tracker->synced) {
            tracker->lost = (uint16_t)(tracker->lost + step - 1u);
            return PROTECT_GOOD;
        }
        tracker->good++;
        tracker->synced = tracker->good >= SIGNALLING_BUS_FRAMES_TO_SYNC;
        return tracker->synced ? PROTECT_GOOD : PROTECT_SYNCING;
    }
    if (tracker->synced && step >= 0x10000u - SIGNALLING_BUS_LARGEST_STEP) {
        return PROTECT_LATE;
    }
    return begin(tracker, counter, content, PROTECT_WRONG_SEQUENCE);
}

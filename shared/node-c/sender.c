#include "sender.h"

#include <string.h>

#define IDENTITY 0u
#define FLAGS 1u

/* The pages of the status, as they follow on the first frames, which are of page 0. */
static const uint8_t rotation[] = {1, 0, 2, 0, 1, 0, 3, 0};

#define TURNS ((uint8_t)(sizeof rotation / sizeof rotation[0]))

/* A time longer ago than this is as good as this. */
#define LONG_AGO 0x20000000u

static uint32_t earlier(uint32_t first, uint32_t second)
{
    return things_reached(first, second) ? first : second;
}

static uint32_t later(uint32_t first, uint32_t second)
{
    return things_reached(first, second) ? second : first;
}

/* -- streams */

static uint32_t next_of(const struct sender_stream *stream, uint32_t gap)
{
    return stream->sent ? stream->last + gap : stream->since;
}

static void begin(struct sender_stream *stream, uint32_t now)
{
    stream->begun = true;
    stream->left = SIGNALLING_BUS_FRAMES_TO_SYNC;
    stream->since = now;
}

static void gone(struct sender_stream *stream, uint32_t now)
{
    stream->counter++;
    stream->sent = true;
    stream->last = now;
    if (stream->left > 0) {
        stream->left--;
    }
}

/* Whoever listens has given up a stream that was silent for so long. */
static void after_silence(struct sender_stream *stream, uint32_t now)
{
    if (stream->sent && (uint32_t)(now - stream->last) > SIGNALLING_BUS_REPORT_TIMEOUT_MS) {
        stream->left = SIGNALLING_BUS_FRAMES_TO_SYNC;
    }
}

static uint32_t kept(uint32_t at, uint32_t now)
{
    uint32_t ago = now - at;

    return ago < 0x80000000u && ago > LONG_AGO ? now - LONG_AGO : at;
}

static uint32_t due_of(const struct sender_report *report)
{
    const struct sender_stream *stream = &report->stream;

    if (!stream->sent || stream->left > 0 ||
        memcmp(&report->ports, &report->said, sizeof report->ports) != 0) {
        return next_of(stream, report->gap);
    }
    return stream->last + report->period;
}

/* -- the status */

static uint8_t flags_of(const struct sender *sender)
{
    return (uint8_t)(sender->status.orders_lost | sender->status.supply_low << 1u |
                     sender->status.output_fault << 2u | sender->status.unanswered << 3u);
}

/* Return which page goes next; when, and whether it is its turn. */
static uint8_t next_page(const struct sender *sender, uint32_t *at, bool *in_turn)
{
    uint8_t page = rotation[sender->turn];
    uint32_t flags_at = next_of(&sender->pages[FLAGS], SIGNALLING_BUS_NODE_STATUS_GAP_MS);

    *in_turn = false;
    if (sender->pages[IDENTITY].left > 0) {
        *at = next_of(&sender->pages[IDENTITY], SIGNALLING_BUS_NODE_STATUS_GAP_MS);
        return IDENTITY;
    }
    *at = later(sender->turn_at, next_of(&sender->pages[page], SIGNALLING_BUS_NODE_STATUS_GAP_MS));
    if (sender->any_flags_said && flags_of(sender) != sender->flags_said &&
        things_reached(flags_at, *at)) {
        *at = flags_at;
        return FLAGS;
    }
    *in_turn = true;
    return page;
}

/* -- answers */

static void remember(struct sender *sender, uint8_t page, uint16_t counter, uint32_t now)
{
    struct sender_page_said *said = &sender->said[sender->said_next];

    said->set = true;
    said->page = page;
    said->counter = counter;
    said->at = now;
    sender->said_next = (uint8_t)((sender->said_next + 1u) % SENDER_REMEMBERED);
}

bool sender_answered(struct sender *sender, uint8_t page, uint16_t counter, uint32_t now)
{
    bool found = false;

    for (uint8_t at = 0; at < SENDER_REMEMBERED; at++) {
        const struct sender_page_said *said = &sender->said[at];
        uint32_t until = said->at + SIGNALLING_BUS_ORDER_TIMEOUT_MS;
        if (!said->set || said->page != page || said->counter != counter ||
            things_reached(until, now)) {
            continue;
        }
        found = true;
        if (!sender->answered_until.set || things_reached(sender->answered_until.at, until)) {
            sender->answered_until.set = true;
            sender->answered_until.at = until;
        }
    }
    return found;
}

bool sender_lapsed(struct sender *sender, uint32_t now)
{
    if (!sender->answered_until.set || !things_reached(sender->answered_until.at, now)) {
        return false;
    }
    sender->answered_until.set = false;
    return true;
}

/* -- the whole */

void sender_begin(struct sender *sender, uint8_t number, uint16_t start, uint32_t now)
{
    memset(sender, 0, sizeof *sender);
    sender->number = number;
    sender->turn_at = now;
    for (uint8_t page = 0; page < SENDER_PAGES; page++) {
        sender->pages[page].counter = start;
        sender->pages[page].since = now;
    }
    sender_restart(sender, now);
}

bool sender_add(struct sender *sender, uint16_t frame_class, uint8_t group, uint16_t start,
                uint32_t now)
{
    struct sender_report *report = &sender->reports[sender->report_count];

    if (sender->report_count >= NODE_REPORT_GROUPS) {
        return false;
    }
    memset(report, 0, sizeof *report);
    report->frame_class = frame_class;
    report->group = group;
    report->stream.counter = start;
    report->stream.since = now;
    switch (frame_class) {
    case SIGNALLING_BUS_DETECTOR_REPORT_FRAME_ID:
        report->period = SIGNALLING_BUS_DETECTOR_REPORT_CYCLE_TIME_MS;
        report->gap = SIGNALLING_BUS_DETECTOR_REPORT_GAP_MS;
        break;
    case SIGNALLING_BUS_INPUT_REPORT_FRAME_ID:
        report->period = SIGNALLING_BUS_INPUT_REPORT_CYCLE_TIME_MS;
        report->gap = SIGNALLING_BUS_INPUT_REPORT_GAP_MS;
        break;
    case SIGNALLING_BUS_TURNOUT_REPORT_FRAME_ID:
        report->period = SIGNALLING_BUS_TURNOUT_REPORT_CYCLE_TIME_MS;
        report->gap = SIGNALLING_BUS_TURNOUT_REPORT_GAP_MS;
        break;
    case SIGNALLING_BUS_SIGNAL_PROOF_FRAME_ID:
        report->period = SIGNALLING_BUS_SIGNAL_PROOF_CYCLE_TIME_MS;
        report->gap = SIGNALLING_BUS_SIGNAL_PROOF_GAP_MS;
        break;
    default:
        report->period = SIGNALLING_BUS_STOP_PROOF_CYCLE_TIME_MS;
        report->gap = SIGNALLING_BUS_STOP_PROOF_GAP_MS;
        break;
    }
    sender->report_count++;
    return true;
}

void sender_restart(struct sender *sender, uint32_t now)
{
    begin(&sender->pages[IDENTITY], now);
    for (uint8_t at = 0; at < sender->report_count; at++) {
        sender->reports[at].stream.begun = false;
    }
}

void sender_keep(struct sender *sender, uint32_t now)
{
    sender->turn_at = kept(sender->turn_at, now);
    for (uint8_t page = 0; page < SENDER_PAGES; page++) {
        sender->pages[page].last = kept(sender->pages[page].last, now);
        sender->pages[page].since = kept(sender->pages[page].since, now);
    }
    for (uint8_t at = 0; at < sender->report_count; at++) {
        sender->reports[at].stream.last = kept(sender->reports[at].stream.last, now);
        sender->reports[at].stream.since = kept(sender->reports[at].stream.since, now);
    }
    for (uint8_t at = 0; at < SENDER_REMEMBERED; at++) {
        if (things_reached(sender->said[at].at + SIGNALLING_BUS_ORDER_TIMEOUT_MS, now)) {
            sender->said[at].set = false;
        }
    }
}

bool sender_frame(struct sender *sender, uint32_t now, struct frames_out *out)
{
    uint32_t at;
    uint8_t page;

    sender->is_going = false;
    after_silence(&sender->pages[IDENTITY], now);
    for (uint8_t each = 0; each < sender->report_count; each++) {
        after_silence(&sender->reports[each].stream, now);
    }
    for (uint8_t each = 0; each < sender->report_count; each++) {
        const struct sender_report *report = &sender->reports[each];
        if (report->stream.begun && things_reached(due_of(report), now)) {
            frames_report(out, report->frame_class, sender->number, report->group,
                          report->stream.counter, &report->ports);
            sender->going = each;
            sender->is_going = true;
            sender->going_ports = report->ports;
            return true;
        }
    }
    page = next_page(sender, &at, &sender->in_turn);
    if (!things_reached(at, now)) {
        return false;
    }
    sender->status.page = page;
    sender->status.counter = sender->pages[page].counter;
    frames_status(out, sender->number, &sender->status);
    sender->going = (uint8_t)(sender->report_count + page);
    sender->is_going = true;
    sender->going_flags = flags_of(sender);
    return true;
}

void sender_sent(struct sender *sender, uint32_t now)
{
    uint8_t page;

    if (!sender->is_going) {
        return;
    }
    sender->is_going = false;
    if (sender->going < sender->report_count) {
        struct sender_report *report = &sender->reports[sender->going];
        gone(&report->stream, now);
        report->said = sender->going_ports;
        return;
    }
    page = (uint8_t)(sender->going - sender->report_count);
    remember(sender, page, sender->pages[page].counter, now);
    gone(&sender->pages[page], now);
    if (page == FLAGS) {
        sender->flags_said = sender->going_flags;
        sender->any_flags_said = true;
    }
    if (sender->in_turn) {
        sender->turn = (uint8_t)((sender->turn + 1u) % TURNS);
        sender->turn_at = now + SIGNALLING_BUS_NODE_STATUS_CYCLE_TIME_MS;
    } else if (page == IDENTITY && sender->pages[IDENTITY].left == 0) {
        sender->turn_at = now + SIGNALLING_BUS_NODE_STATUS_CYCLE_TIME_MS;
        for (uint8_t each = 0; each < sender->report_count; each++) {
            if (!sender->reports[each].stream.begun) {
                begin(&sender->reports[each].stream, now);
            }
        }
    }
}

uint32_t sender_deadline(const struct sender *sender)
{
    uint32_t at;
    bool in_turn;

    (void)next_page(sender, &at, &in_turn);
    for (uint8_t each = 0; each < sender->report_count; each++) {
        if (sender->reports[each].stream.begun) {
            at = earlier(at, due_of(&sender->reports[each]));
        }
    }
    return at;
}

/* What a node says, and when: its reports and its status.
 * A frame is made when it goes: one that the bus does not take yet is made anew.
 */
#ifndef SENDER_H
#define SENDER_H

#include <stdbool.h>
#include <stdint.h>

#include "frames.h"
#include "things.h"

#ifndef NODE_REPORT_GROUPS
#define NODE_REPORT_GROUPS 8u /* groups of ports that a node may report */
#endif

#define SENDER_PAGES 4u
#define SENDER_REMEMBERED 8u /* pages said of late that an answer may name */

/* Frames of one class and one group or page. */
struct sender_stream {
    uint16_t counter;
    bool begun;
    bool sent;
    uint32_t last;  /* when its last frame went */
    uint32_t since; /* when it was begun */
    uint8_t left;   /* frames that are to go one after another */
};

struct sender_report {
    struct sender_stream stream;
    uint16_t frame_class;
    uint8_t group;
    uint32_t period;
    uint32_t gap;
    struct frames_ports ports; /* what is to be said now; set by the node */
    struct frames_ports said;
};

/* A page that was said, so that its answer can be told from one to an older page. */
struct sender_page_said {
    bool set;
    uint8_t page;
    uint16_t counter;
    uint32_t at;
};

struct sender {
    uint8_t number;
    uint8_t report_count;
    struct sender_report reports[NODE_REPORT_GROUPS]; /* most urgent first */
    struct sender_stream pages[SENDER_PAGES];
    struct signalling_bus_node_status_t status; /* what is on the pages now; set by the node */
    uint8_t flags_said;
    bool any_flags_said;
    uint8_t turn;
    uint32_t turn_at;
    uint8_t going; /* the report that goes, or a page after the last of them */
    bool is_going;
    struct frames_ports going_ports; /* what it says */
    uint8_t going_flags;
    bool in_turn;
    struct sender_page_said said[SENDER_REMEMBERED];
    uint8_t said_next;
    struct things_timer answered_until; /* until when the newest answer holds good */
};

/* Begin; start is the counter of each stream's first frame. Reports are added after this. */
void sender_begin(struct sender *sender, uint8_t number, uint16_t start, uint32_t now);

/* Add a group of ports; return whether there was room. */
bool sender_add(struct sender *sender, uint16_t frame_class, uint8_t group, uint16_t start,
                uint32_t now);

/* Begin anew, as after power-on: with who this is, and only then with the reports. */
void sender_restart(struct sender *sender, uint32_t now);

/* Take what somebody says to have heard; return whether it was said a moment ago. */
bool sender_answered(struct sender *sender, uint8_t page, uint16_t counter, uint32_t now);

/* Return whether the time of the newest answer has just run out. */
bool sender_lapsed(struct sender *sender, uint32_t now);

/* Keep times from wrapping while nothing is sent; to be called now and then. */
void sender_keep(struct sender *sender, uint32_t now);

/* Make the frame that is to go now; return whether there is one. */
bool sender_frame(struct sender *sender, uint32_t now, struct frames_out *out);

/* Take it that the frame that was made has gone. */
void sender_sent(struct sender *sender, uint32_t now);

/* Return when the next frame is to go. */
uint32_t sender_deadline(const struct sender *sender);

#endif

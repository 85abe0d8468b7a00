/* Everything that is wired to a node, by port; parts of node.h that the board does not see. */
#ifndef WIRING_H
#define WIRING_H

#include <stdbool.h>
#include <stdint.h>

#include "frames.h"
#include "node.h"

/* Add what node->config describes; return whether there is room for it, and it can be. */
bool wiring_begin(struct node *node, uint16_t start, uint32_t now);

/* Return whether each port can do what is ordered; a port that is not there can 0. */
bool wiring_able(const struct node *node, const struct frames_order *order);

/* Set outputs, reports and status by the orders in force, the inputs and the time. */
void wiring_run(struct node *node, uint32_t now);

/* -- for it, by the node */

/* Have orders of a group taken; return whether there is room. */
bool node_add_orders(struct node *node, uint16_t frame_class, uint8_t group);

/* Return what is ordered of a port; 0, the most restrictive, where nothing is. */
uint8_t node_ordered(struct node *node, uint16_t frame_class, uint8_t group, uint8_t at);

/* Return whether anything is ordered of a group. */
bool node_told(struct node *node, uint16_t frame_class, uint8_t group);

#endif

"""From a layout and a practice to the control table, and from that to equations."""

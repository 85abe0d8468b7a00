"""Documents for building: what to wire, and whether it carries what it must."""

"""CAN: devices on nodes of our own schema, and foreign ones by their own DBC files."""

"""Railways' rules of aspects, as data."""

"""The describer: which train stands where, by name. It looks at the logic and changes nothing."""

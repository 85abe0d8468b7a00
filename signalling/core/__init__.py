"""The live logic: equations run on reports, without I/O and without a clock."""

"""Pure functions on numbers and arrays: no I/O, no clock, no config."""

"""Pure: no clock, no file, no socket, no randomness."""

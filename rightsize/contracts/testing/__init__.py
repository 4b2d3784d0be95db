"""Published tables of the meter test program."""

"""Work in the field: the test program, and work orders of a logging campaign."""

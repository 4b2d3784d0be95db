"""Test program: which meters are due, what a test says, lots and their samples."""

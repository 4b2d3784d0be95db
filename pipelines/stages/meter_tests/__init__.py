"""Meter tests: the program of a sweep, and its published tables."""

"""Writes the generated parts of the handbook."""

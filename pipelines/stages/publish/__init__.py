"""Publish: results prepared separately and swapped in as one step."""

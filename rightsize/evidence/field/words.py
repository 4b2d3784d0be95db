"""What the kinds of visits are called, and what they need."""

from __future__ import annotations

from typing import Final

TITLE: Final = {
    "night_logging": "Log the night flow with a clamp-on meter",
    "flow_logging": "Log the flow",
    "accuracy_test": "Test the meter",
    "finer_interval": "Set the endpoint to a finer interval",
    "peak_register": "Switch the peak flow register on",
}
"""Heading of a work order, by kind of visit."""
SHORT: Final = {
    "night_logging": "night log",
    "flow_logging": "flow log",
    "accuracy_test": "meter test",
    "finer_interval": "finer interval",
    "peak_register": "peak register",
}
"""The kind in a list."""
LOGS: Final = ("night_logging", "flow_logging")
"""Kinds for which a logger stays at the site."""

"""Publish: results built aside and put in place in one step."""

"""Publish: results built in a hidden folder and put in place in one step."""

"""Published tables of what a log or a test would be worth."""

"""Commands and their output; nothing here affects results."""

"""The installed meter between flow and read: registration, censoring, bounds."""

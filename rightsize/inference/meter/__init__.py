"""The installed meter between actual flow and reads: registration, censoring, bounds."""

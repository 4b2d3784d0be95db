"""Leaks that a new meter shows: how much of them goes on, and what that teaches."""

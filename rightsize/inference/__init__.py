"""Bounds, draws, unseen flow, and what we then know."""

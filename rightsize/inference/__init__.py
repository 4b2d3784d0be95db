"""Bounds, samples, unseen flow, and what we then know."""

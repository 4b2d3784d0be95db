"""Validate: expectations on batch metrics."""

"""Contracts of what came back from flow loggers."""

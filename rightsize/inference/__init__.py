"""Inference of actual flow from reads: bounds, samples, unregistered flow."""

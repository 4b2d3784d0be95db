"""Simulated fleets whose truth is known at 10 s: nothing here is a model of the inference."""

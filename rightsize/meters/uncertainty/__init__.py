"""Uncertainty of accuracy curves: samples, accuracy tests, wear."""

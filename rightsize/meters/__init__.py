"""Meters by the standards: ratings, accuracy curves, head loss."""

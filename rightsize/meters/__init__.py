"""Meters as the standards know them: ratings, registration curves, head loss."""

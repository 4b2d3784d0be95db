"""A meter from a catalog entry: ratings, curve rules, units, validation."""

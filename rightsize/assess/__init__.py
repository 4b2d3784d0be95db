"""Whether a meter suits the demand on it."""

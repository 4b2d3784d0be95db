"""The stages, in order: land, validate, profile, learn, assess, reconcile, publish."""

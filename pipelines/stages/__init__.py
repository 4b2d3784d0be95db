"""The stages, in order: land, validate, profile, learn, verify, assess, reconcile, publish."""

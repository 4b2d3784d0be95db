"""The stages in order: land, validate, profile, infer, assess, recommend, reconcile, publish."""

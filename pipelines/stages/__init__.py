"""In order: land, validate, profile, infer, assess, recommend, reconcile, publish."""

"""Value of knowing: the product's own rules, applied to what a log or a test would show."""

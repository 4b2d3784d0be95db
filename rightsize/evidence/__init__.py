"""Pictures and pages for the field."""

"""Reads the configuration: settings, meter list, catalog, priors, tests."""

"""Rules that accept or refuse: accounts, meters, fit, verdict."""

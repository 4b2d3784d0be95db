"""Accounts whose meter was changed in mid-history, beside the demo's fleet."""

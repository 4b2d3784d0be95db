"""Logs: held against the register, and what they show of their accounts."""

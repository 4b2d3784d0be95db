"""Logs of a meter's flow: held against the register, and what they show."""

"""Contracts of change-outs: the log, and what their correction of gains holds."""

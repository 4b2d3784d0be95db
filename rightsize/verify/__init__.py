"""Verification of predicted gains."""

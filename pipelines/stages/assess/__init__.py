"""Assess: profiles to result rows, a block of accounts at a time."""

"""Rules for accounts, meters, fit and verdict."""

"""Data contracts: columns, units, key and grain of every table."""

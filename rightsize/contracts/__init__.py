"""What every table holds: columns, units, key, grain."""

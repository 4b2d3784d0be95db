"""`rightsize look`: inspects an export file and suggests the configuration to read it."""

"""`rightsize look`: what an unknown file holds, and a configuration that reads it."""

"""Land: load export files into the lake."""

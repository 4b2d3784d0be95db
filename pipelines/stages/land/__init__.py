"""Land: files of the exports into the lake."""

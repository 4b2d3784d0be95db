"""What comes back to a demo from its campaign and its test program, made of its truth."""

"""One sweep from end to end: order of the stages, state, resuming."""

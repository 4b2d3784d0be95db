"""How work is run: buckets, cluster, events, signals, code version."""

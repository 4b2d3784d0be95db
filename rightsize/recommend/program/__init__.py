"""Change-outs to do under a budget."""

"""Readers of AMI exports, one module per layout."""

"""Readers of AMI exports, one module a layout."""

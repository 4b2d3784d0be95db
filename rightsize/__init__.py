"""Meter assessment as pure functions and frozen records.

Nothing here opens a file, reads a clock, holds a connection or writes a log: that is done in
the package `pipelines`.
"""

__version__ = "0.1.0"

"""The trade of metering as pure functions and frozen records.

Nothing here opens a file, reads a clock, holds a connection or writes a log: that is the
work of the package `pipelines`.
"""

__version__ = "0.1.0"

"""Which meter to install, what it brings, and what to do first."""

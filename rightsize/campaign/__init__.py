"""The logging campaign: which sites to log or test, in which week, by which crew."""

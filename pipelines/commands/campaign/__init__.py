"""Campaign: which sites to log or test, in which week; chosen, shown, written."""

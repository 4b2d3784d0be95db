"""Charts and pictures of the pages."""

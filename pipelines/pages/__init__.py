"""HTML pages of a site and of the fleet, from published results."""

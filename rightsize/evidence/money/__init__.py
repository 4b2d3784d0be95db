"""Money of a site: by year, and against the meters that were not chosen."""

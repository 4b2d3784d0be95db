"""Site pages and fleet pages in HTML, from published results."""

"""Storage: workspace, lake, ledger, databases, object stores, files."""

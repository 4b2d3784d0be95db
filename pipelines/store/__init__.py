"""Where data is stored: workspace, lake, ledger, databases, object stores, files."""

"""Where data lies: workspace, lake, ledger, databases, object stores, files."""

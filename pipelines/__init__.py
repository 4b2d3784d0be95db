"""The runnable side: files, DuckDB, Great Expectations, Prefect and the command line."""

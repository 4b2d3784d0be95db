"""What a log, a test or finer reads would teach, and what knowing it is worth."""

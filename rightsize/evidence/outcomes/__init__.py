"""What came of change-outs, in words and in a picture, for fleet pages and site pages."""

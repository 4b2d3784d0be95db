"""What is not known of a curve: samples, accuracy tests, wear."""

"""Profile: lake partitions reduced to statistics by meter and month."""

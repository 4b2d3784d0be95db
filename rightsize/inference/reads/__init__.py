"""Evidence in interval reads: signs of use, nights, rounding, interval means."""

"""What interval reads show: signs of use, nights, rounding, interval means."""

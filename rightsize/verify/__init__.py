"""Whether the promised gain came."""

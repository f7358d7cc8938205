"""Whether the process lives, and whether it can forecast."""

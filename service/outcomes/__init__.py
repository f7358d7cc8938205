"""What became of top-ups."""

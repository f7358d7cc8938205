"""What a vehicle risks on the way to its replacement pack."""

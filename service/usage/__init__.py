"""Plans of how a vehicle will be used."""

"""Which vehicles to take off the road first. Begin at `ranking`."""

"""Recheck and order days as a calendar feed. Begin at `feed`."""

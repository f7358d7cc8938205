"""Another pack in the same vehicle, in one step. Begin at `refit`."""

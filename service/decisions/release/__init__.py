"""May a vehicle go until its pack is there? Begin at `answers`."""

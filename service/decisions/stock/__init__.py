"""How many packs to hold. Begin at `answers`."""

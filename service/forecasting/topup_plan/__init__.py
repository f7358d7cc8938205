"""Before a charge: how much, how, and where to stop. Begin at `answers`."""

"""When to read a pack again, and what the reading will mean. Begin at `answers`."""

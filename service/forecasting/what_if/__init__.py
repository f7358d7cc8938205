"""One pack under other plans. Begin at `answers`."""

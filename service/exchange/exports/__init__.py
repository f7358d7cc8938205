"""Everything the store holds, as tables. Begin at `tables`."""

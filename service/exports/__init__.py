"""Everything in the store as files."""

"""Which packs to replace first, in which week, and how many will return."""

"""When to order a pack, from whom, and what waiting costs."""

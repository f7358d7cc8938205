"""The room for the question that everybody has: whether it is any good."""

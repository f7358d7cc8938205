"""The current model: where it comes from, and what is known about it."""

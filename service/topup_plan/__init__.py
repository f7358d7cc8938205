"""A top-up thought through before it is made, and looked back on after it."""

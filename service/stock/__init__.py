"""How many packs to keep on the shelf."""

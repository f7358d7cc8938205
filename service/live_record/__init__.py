"""The live record: what people were told, what came of it, and whether the packs still look like those learned from."""

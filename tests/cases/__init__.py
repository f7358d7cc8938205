"""Cases kept as files, and what makes histories of them."""

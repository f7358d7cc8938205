"""Records of the store over REST: made, read, listed, corrected and withdrawn the same way for every subject."""

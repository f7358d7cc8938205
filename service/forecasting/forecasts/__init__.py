"""One forecast as it is asked for and answered: cases, answers, sentences, the picture. Begin at `answers`."""

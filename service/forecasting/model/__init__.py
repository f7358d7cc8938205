"""The model that answers, the families it knows, and how it is trained. Begin at `training`."""

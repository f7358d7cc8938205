"""Which pack to order when and from whom. Begin at `answers`, the queue of all cases at `queue`."""

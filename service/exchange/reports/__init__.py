"""Reports that jobs wrote. Begin at `files`."""

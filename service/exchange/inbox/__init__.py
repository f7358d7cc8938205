"""Files sent in over the network, to be imported by a job. Begin at `files`."""

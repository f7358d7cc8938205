"""Files sent in over the network, waiting to be imported."""

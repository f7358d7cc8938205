"""Pages for the bench, the parts counter and the fleet office: made here, on the server, from the same functions."""

"""What the printed plots of both reports share. Begin at `drawing`. Imports no other package of `training`."""

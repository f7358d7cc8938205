"""Many packs in one request, a line each; begin at `routes`."""

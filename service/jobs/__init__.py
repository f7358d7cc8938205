"""Long work, done beside the web server by workers that hold a lease on it."""

"""REST, storage, pages, command line, settings and security."""

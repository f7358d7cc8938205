"""The database: its tables, how it is opened and how it is brought up to date. Begin at `schema`. May import `core`."""

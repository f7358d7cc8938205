"""The store: what the workshop recorded, forecast and decided, in SQLite or PostgreSQL."""

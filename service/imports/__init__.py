"""Files from elsewhere into the store: the documented tables, and any logger's table through a mapping."""

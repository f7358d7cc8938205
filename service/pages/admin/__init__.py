"""The room of whoever looks after the service: keys, imports, jobs, models."""

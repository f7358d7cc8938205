"""Keeping the service running: backups, restoring them, and looking for what is wrong."""

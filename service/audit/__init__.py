"""The audit trail over REST."""

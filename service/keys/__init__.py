"""Access keys over REST."""

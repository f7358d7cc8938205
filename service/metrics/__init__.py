"""What the service counts and times, for Prometheus."""

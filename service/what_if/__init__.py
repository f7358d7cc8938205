"""What if: forecasts of one pack under other plans."""

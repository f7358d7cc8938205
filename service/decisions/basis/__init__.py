"""What all decisions rest on: open cases read from today on, costs, lead times. Begin at `open_cases`."""

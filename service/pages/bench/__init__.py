"""The bench: find a unit, enter what was measured and charged, see how long it holds, print the release sheet."""

"""The kinds of record, one module each. Begin at `all_subjects`."""

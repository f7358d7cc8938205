"""Tables and loggers' files to records. Begin at `loading`."""

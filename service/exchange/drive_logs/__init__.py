"""Raw drive logs, kept by choice beside the readings that tell of them: packed here, listed and sent by the routes."""

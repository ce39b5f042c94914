"""Text of everything the shells show, made of records."""

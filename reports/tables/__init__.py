"""A frame in, a table out."""

"""A table in, SVG and its text alternative out."""

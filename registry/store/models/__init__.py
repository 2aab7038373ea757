"""One file a record; columns and constraints only."""

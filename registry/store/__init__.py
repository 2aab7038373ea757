"""The database and the image files; only this room builds a select, and no rule is decided here."""

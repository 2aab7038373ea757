"""The event trail, as far as each may see it."""

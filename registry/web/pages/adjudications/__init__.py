"""The lead sees to adjudications: what is owed, and who is to decide."""

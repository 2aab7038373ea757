"""The screws that a reader may read, told by nothing that says whose they are."""

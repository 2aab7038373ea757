"""Groups of screws against each other, for a question in the address."""

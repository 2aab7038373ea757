"""What the program proposes, for a reader: the axis at once, what it measured after their own."""

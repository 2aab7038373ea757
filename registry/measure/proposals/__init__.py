"""What the program finds and measures on a CT by itself, for a reader to confirm or to change."""

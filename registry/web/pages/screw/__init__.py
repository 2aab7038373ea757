"""One screw with every reading of it, and why what counts does."""

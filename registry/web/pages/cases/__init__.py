"""Cases: constructs as tables of levels by sides."""

"""Findings that the unit's own policy names: its words, what was done, and closing them."""

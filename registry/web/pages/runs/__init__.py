"""Runs of screws over time, for the unit and each surgeon."""

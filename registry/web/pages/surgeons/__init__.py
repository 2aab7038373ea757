"""Surgeons beside one another: funnel, expected, imaged, and what to look at."""

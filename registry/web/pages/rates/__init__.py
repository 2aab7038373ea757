"""Rates with their intervals, for a question in the address."""

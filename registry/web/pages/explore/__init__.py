"""Rates by two splits crossed, the screws of each cell, and the way back."""

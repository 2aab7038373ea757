"""What the unit records, and every way in or out."""

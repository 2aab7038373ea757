"""What is missing of the unit's screws, and how much it could change the rate."""

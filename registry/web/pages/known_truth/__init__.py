"""What readers miss of drawn screws whose truth is known, for who sees everybody's numbers."""

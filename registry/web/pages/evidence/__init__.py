"""What a reading was made on, opened again to be looked at and not changed."""

"""A page a folder: its views with their blueprint, its forms, its templates."""

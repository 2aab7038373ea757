"""Where a person starts."""

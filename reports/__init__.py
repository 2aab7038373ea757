"""What the unit may say about itself; of the registry it knows the domain alone."""
